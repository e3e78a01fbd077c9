"""Readings whose stated uncertainty the truth of the simulated world once found too small."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from seqrun.measure.banks import moved_since
from seqrun.study.coverage import bench_of, holds
from seqrun.study.looked_at import VOLTS
from seqrun.values import Bound, normal

Powered = Callable[..., Any]
BURSTS = (
    '[[step]]\nid = "b"\ndo = "noise_bursts"\nat = "out.left"\nwatch = "60 s"\ntrace = "none"\n'
)
ISOLATE = (
    '[[step]]\nid = "h"\ndo = "isolate"\nat = "out.left"\nlook_for = "{}"\nrecords = 2\n'
    'suspects = ["lead", "stage"]\ncuts = [{{ name = "shorted", after = "lead", '
    'control = "power_input", position = "shorted", back = "connected" }}]\n'
)
UNLOADED = (
    '[[step]]\nid = "s"\ndo = "source_impedance"\npower = "10 W"\n'
    '[[step]]\nid = "u"\ndo = "stray_unloaded"\nof = "s"\n'
)
STRAY = '[[step]]\nid = "before"\ndo = "stray_signal"\n'


def test_a_burst_that_goes_beyond_the_range_found_for_silence_is_counted(
    powered: Powered,
) -> None:
    """On this bench nothing but such was to be heard within the minute, and none was counted:
    the record was taken once more on a larger range."""
    read = powered("crackle@left", seed=2).do(BURSTS).one("burst_rate")
    assert read.bound is Bound.EXACT
    assert read.value > 0.0


def test_what_the_leads_pick_up_is_within_the_uncertainty_of_a_level_to_be_isolated(
    powered: Powered,
) -> None:
    """0.2 mV are read, and all but 39 µV of it is the lead's."""
    read = powered(seed=7, bench="demo:dirty").do(ISOLATE.format("hum")).one("hum_disturbance")
    true = 3.9e-5
    low = -math.inf if read.bound is Bound.AT_MOST else read.value - read.expanded_uncertainty
    assert low <= true <= read.value + read.expanded_uncertainty


@pytest.mark.parametrize("before", ["", STRAY], ids=["unseen", "seen earlier"])
def test_a_quiet_output_without_its_load_carries_at_most_what_the_scope_may_make(
    powered: Powered, before: str
) -> None:
    """With no probe on ground the scope's own noise was taken for the unit's."""
    read = powered(seed=4).do(before + UNLOADED).one("stray_unloaded", "right")
    assert read.bound is Bound.AT_MOST


def test_a_relay_of_a_bridge_has_closed_when_half_the_rail_drives_the_record_beyond_its_range() -> (
    None
):
    """Seen through AC coupling both ends are cut off alike, and their difference is nothing."""
    pairs = bench_of("levels", 4, bench="demo:dirty", unit="demo-bridged")
    delays = [p for p in pairs if p.name == "relay_delay"]
    assert len(delays) == 2
    assert all(holds(p) for p in delays)


def test_a_bridge_has_a_clip_of_the_load_at_either_end(powered: Powered) -> None:
    step = '[[step]]\nid = "s"\ndo = "source_impedance"\npower = "5 W"\n'
    u = []
    for unit in ("demo-2x40", "demo-bridged"):
        read = powered(unit=unit, bench="demo:dirty").do(step).one("source_impedance", "left")
        lines = [c for c in read.budget if c.source.name == "contact of the clip that was moved"]
        u.append(math.hypot(*(line.standard_uncertainty for line in lines)))
    assert u[1] == pytest.approx(math.sqrt(2.0) * u[0], rel=0.02)


def test_a_sensor_that_touches_badly_never_shows_more_than_the_metal_has(powered: Powered) -> None:
    """Half of what it may lose of the rise is added: its interval reaches from what it shows up."""
    read = powered(seed=2).do(
        '[[step]]\nid = "room"\ndo = "temperature"\nat = "sensor.ambient"\n'
        '[[step]]\nid = "hold"\ndo = "hold_power"\npower = "5 W"\nfor = "3 min"\n'
        '[[step]]\nid = "t"\ndo = "temperature"\nat = "sensor.sink"\n'
    )
    hot, room = read.one("sink_temperature"), read.one("ambient_temperature")
    (line,) = (c for c in hot.budget if c.source.name == "sensor sink contact")
    half = math.sqrt(3.0) * line.standard_uncertainty
    shown = hot.value - half
    assert half == pytest.approx(0.015 * (shown - room.value), rel=0.02)


def test_a_heatsink_that_was_read_earlier_has_moved_by_nothing_or_by_as_much_as_it_may() -> None:
    read = normal(23.0, 0.1, "sensor")
    assert moved_since(read, 50.0, 0.0, 540.0).std_dev == pytest.approx(0.1)
    later = moved_since(read, 50.0, 120.0, 540.0)
    most = 27.0 * -math.expm1(-120.0 / 540.0)
    assert later.nominal_value == pytest.approx(23.0 + 0.5 * most)
    assert later.std_dev == pytest.approx(math.hypot(0.1, 0.5 * most / math.sqrt(3.0)))
    cooling = moved_since(normal(50.0, 0.1, "sensor"), 23.0, 120.0, 540.0)
    assert cooling.nominal_value == pytest.approx(50.0 - 0.5 * most)


def test_the_time_that_a_rail_holds_up_is_told_by_its_own_fall(powered: Powered) -> None:
    """Until it is down to a share it has not been held up for any time that could be told."""
    unit = powered(seed=1106)
    assert "hold_up" in VOLTS.steps
    rail = unit.world._unit.rails.pos
    assert rail.fall == [] or rail.fall[-1][1] > 0.7 * rail.volts
    read = unit.do('[[step]]\nid = "u"\ndo = "hold_up"\nat = "rail.pos"\nuntil = "70 %"\n')
    told = unit.truth.held_up("pos", 0.7)
    assert read.one("hold_up").value == pytest.approx(
        told, abs=read.one("hold_up").expanded_uncertainty
    )
    assert unit.truth.held_up("pos", 0.1) == math.inf


@pytest.mark.parametrize("group", ["quiet", "distortion", "response"])
def test_where_no_probe_is_spare_the_scopes_own_is_not_taken_for_the_units(group: str) -> None:
    """A bridge takes all four probes: noise, THD+N and SINAD held the truth in 3 of 16 and less,
    and its lower corner, read through the scope's coupling, never."""
    pairs = bench_of(group, 1, bench="demo:dirty", unit="demo-bridged")
    told = {
        p.name: p
        for p in pairs
        if p.name.startswith(("noise", "thd_n", "sinad", "lower_corner", "signal_to_noise"))
    }
    assert told
    assert [name for name, p in told.items() if not holds(p)] == []
    assert [name for name, p in told.items() if p.reading.bound is Bound.EXACT] == []
