"""A driven output that carries more than its signal, or less of it now and then."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from seqrun.errors import BenchLacks
from seqrun.files.bench.load import bench_from_text
from seqrun.plan.view import BenchView
from seqrun.steps.common.faintest import least_quiet, refuse_deaf, step_v
from seqrun.steps.common.rise_curve import RiseCurve
from seqrun.study import truths
from seqrun.values import Bound, Limit

Powered = Callable[..., Any]
STRAY = '[[step]]\nid = "stray"\ndo = "stray_signal"\n'
HUM = '[[step]]\nid = "hum"\ndo = "hum_driven"\n'
LOW = '[[step]]\nid = "low"\ndo = "output_power"\nfrequency = "rated_band_low"\n'
SOAK = """
[[step]]
id = "ambient"
do = "temperature"
at = "sensor.ambient"
[[step]]
id = "soak"
do = "soak"
ambient = "ambient"
until = "decided"
seen = 0.2
listen = "60 s"
at_least = "60 s"
at_most = "10 min"
limit = { at_most = "39 K" }
"""
DRIVEN = SOAK.replace("until", 'power = "rated_power / 8"\nuntil')
#: the same, over as soon as an output was heard for a minute
BRIEF, BRIEF_DRIVEN = (
    soak.replace("39 K", "0.2 K").replace('at_least = "60 s"', 'at_least = "120 s"')
    for soak in (SOAK, DRIVEN)
)
DROPS = '[[step]]\nid = "drops"\ndo = "drop_outs"\nof = "soak"\n'
CRACKLES = '[[step]]\nid = "crackles"\ndo = "crackles"\nof = "soak"\n'


def test_a_healthy_output_at_power_carries_no_more_than_the_scope_itself(powered: Powered) -> None:
    for channel in ("left", "right"):
        read = powered().do(STRAY).one("stray", channel)
        assert read.bound is Bound.AT_MOST
        assert read.value < 0.02


def test_oscillation_on_the_tips_of_the_signal_is_found_in_its_channel(powered: Powered) -> None:
    read = powered("peak_oscillation@left=0.2").do(STRAY)
    assert read.one("stray", "left").value == pytest.approx(0.4 / 2**0.5, rel=0.15)
    assert read.one("stray", "right").bound is Bound.AT_MOST


def test_hum_that_comes_with_the_signal_is_read_beside_it(powered: Powered) -> None:
    read = powered("hum_when_driven@right").do(HUM)
    assert read.one("hum_driven", "right").value > 5e-3
    assert read.one("hum_driven", "left").value < 1e-3


def test_hum_cannot_be_told_from_a_drive_at_a_multiple_of_the_mains(powered: Powered) -> None:
    assert "multiple of the mains" in powered().do(HUM + 'frequency = "1 kHz"\n').reason()


def test_rails_that_give_way_slowly_show_at_the_lower_end_of_the_rated_band(
    powered: Powered,
) -> None:
    assert powered("slow_rails").do(LOW).one("output_power", "left").value < 35.0
    assert powered().do(LOW).one("output_power", "left").value > 40.0


def test_a_relay_that_lets_go_for_a_moment_is_counted_through_the_soak(powered: Powered) -> None:
    read = powered("relay_chatter@right").do(BRIEF_DRIVEN + DROPS)
    drops = read.one("drop_out_rate", "right")
    # every 10 s, 50 ms: as many in the records as their share of the time
    assert drops.bound is Bound.EXACT
    assert 0.03 < drops.value < 0.3
    assert read.one("drop_out_rate", "left").bound is Bound.AT_MOST
    assert read.one("listened", "left").value >= 60.0


def test_crackles_are_heard_in_silence_and_beside_the_tone(powered: Powered) -> None:
    for soak in (BRIEF, BRIEF_DRIVEN):
        read = powered("crackle@left=1").do(soak + CRACKLES)
        assert read.one("crackle_rate", "left").value > 0.01
        assert read.one("crackle_rate", "right").bound is Bound.AT_MOST


def test_what_crackles_only_hot_is_counted_for_its_own_stretch(powered: Powered) -> None:
    """The sink comes past 36 °C when a third of the soak is over."""
    soak = DRIVEN.replace("seen = 0.2", "seen = 0.6").replace("10 min", "30 min")
    read = powered("crackle_when_hot@left=1", seed=3).do(soak + CRACKLES)
    crackling = read.one("crackle_rate", "left")
    seen, live_s, worst, worst_s = map(int, re.findall(r"\d+", crackling.note)[:4])
    assert f"{worst} of them within {worst_s} s" in crackling.note
    assert seen / live_s < worst / worst_s
    assert worst_s == pytest.approx(60.0, abs=2.0)
    assert crackling.value + crackling.expanded_uncertainty > 1.0 / 15.0
    assert read.one("crackle_rate", "right").bound is Bound.AT_MOST


def test_a_bridge_on_one_rail_is_heard_between_its_terminals(powered: Powered) -> None:
    """Each rests at half the rail, and neither is ground."""
    for soak in (BRIEF, BRIEF_DRIVEN):
        read = powered("crackle@left=1", unit="demo-bridged", seed=41).do(soak + CRACKLES)
        assert read.one("crackle_rate", "left").value > 0.01
        assert read.one("crackle_rate", "right").bound is Bound.AT_MOST


def test_a_soak_that_did_not_listen_proves_no_continuity(powered: Powered) -> None:
    deaf = BRIEF_DRIVEN.replace('listen = "60 s"\n', "")
    read = powered().do(deaf + DROPS)
    missing = [r for r in read.all("drop_out_rate") if r.value is None]
    assert "has not listened" in missing[0].note


def rising(minutes: float, end_k: float = 30.0, tau_s: float = 540.0) -> RiseCurve:
    """A sink's rise as it was recorded so far."""
    curve, scatter = RiseCurve(), np.random.default_rng(2)
    for time_s in np.arange(0.0, 60.0 * minutes, 5.0):
        rise_k = end_k * (1.0 - math.exp(-time_s / tau_s)) + 0.02 * scatter.normal()
        curve.add(float(time_s), rise_k, 1.0)
    return curve


@pytest.mark.parametrize(
    ("limit_k", "minutes", "seen", "over"),
    [
        (40.0, 18.0, 0.8, True),  # far inside, and four fifths seen for sure
        (40.0, 10.0, 0.8, False),  # far inside, but not yet hot
        (30.6, 15.0, 0.8, False),  # the limit lies within U of the end
        (20.0, 10.0, 0.8, True),  # it will fail whatever comes
        (29.4, 15.0, 0.8, False),  # it seems to fail, and may not
        (None, 18.0, 0.8, True),  # nothing to decide
    ],
)
def test_a_soak_ends_when_its_guarded_verdict_can_no_longer_change(
    limit_k: float | None, minutes: float, seen: float, over: bool
) -> None:
    limit = None if limit_k is None else Limit(high=limit_k)
    assert rising(minutes).decided(limit, 0.4, seen) is over


def climbing(a_per_k: float, k_per_s: float = 0.01) -> RiseCurve:
    """0.2 A that climb with the rise, and do not slow down."""
    curve, scatter = RiseCurve(), np.random.default_rng(3)
    for time_s in np.arange(0.0, 600.0, 5.0):
        rise_k = k_per_s * time_s + 0.01 * scatter.normal()
        curve.add(float(time_s), rise_k, 0.2 + a_per_k * 0.01 * time_s + 2e-4 * scatter.normal())
    return curve


@pytest.mark.parametrize(
    ("a_per_k", "high_k", "waits"),
    [
        (0.01, 20.0, True),  # doubled at the limit
        (2.4e-3, 20.0, True),
        (1.6e-3, 20.0, False),  # not a fifth more at the limit
        (1.6e-3, 40.0, True),
        (1.6e-3, None, True),  # nothing says up to where
        (0.0, 20.0, False),
    ],
)
def test_a_current_that_climbs_is_waited_for_where_it_makes_more_heat(
    a_per_k: float, high_k: float | None, waits: bool
) -> None:
    assert climbing(a_per_k).climbs_on(high_k) is waits


def test_a_current_that_climbs_beside_a_rise_that_does_not_is_waited_for() -> None:
    """A sensor that has come off tells nothing of the metal."""
    assert climbing(1e-3, k_per_s=0.0).climbs_on(20.0)


def test_idle_drift_of_a_soak_that_ended_early_is_carried_on_to_its_end(powered: Powered) -> None:
    one = '[[step]]\nid = "{}"\ndo = "device_current"\nat = "ballast.left.upper.1"\n'
    drift = '[[step]]\nid = "{}"\ndo = "idle_drift"\nof = "hot"\nagainst = "cold"\n'
    steps = one.format("cold") + DRIVEN.replace("60 s", "100 s") + one.format("hot")
    steps += drift.format("plain") + drift.format("carried") + 'to_end_of = "soak"\n'
    found = powered(seed=4).do(steps)
    plain, carried = found.all("idle_drift")
    assert carried.value / plain.value > 1.2
    assert carried.standard_uncertainty >= 0.25 * abs(carried.value - plain.value)


COARSE = "demo:small_memory"


def test_a_coarse_converter_s_own_codes_do_not_crackle(powered: Powered) -> None:
    """Eight bits beside a tone of seven volts hear nothing below a tenth of a volt."""
    idle = powered(bench=COARSE).do(BRIEF + CRACKLES)
    for channel in ("left", "right"):
        assert idle.one("crackle_rate", channel).bound is Bound.AT_MOST
    loud = CRACKLES + 'faintest = "0.15 V"\n'
    driven = powered(bench=COARSE).do(BRIEF_DRIVEN + loud)
    for channel in ("left", "right"):
        assert driven.one("crackle_rate", channel).bound is Bound.AT_MOST


def test_crackles_below_a_coarse_converter_s_steps_are_left_out_before_power(
    powered: Powered,
) -> None:
    plan = powered(bench=COARSE)._plan(DRIVEN + CRACKLES + DROPS)
    (out,) = plan.left_out
    assert out.id == "crackles"
    assert "V rms to stand out of the scope's steps" in out.reason
    assert not powered()._plan(DRIVEN + CRACKLES).left_out


def test_what_a_scope_hears_goes_by_the_probe_at_that_output(powered: Powered) -> None:
    """Straight on the input its smallest range is a tenth of that behind a probe at ×10."""
    view = powered().view
    text = view.bench.text
    assert "probe = 10\n" in text
    bench = bench_from_text(text.replace("probe = 10\n", "probe = [1, 10, 10, 10]\n"), "bench")
    mixed = BenchView(bench, view.unit, view.drivers)
    bits = view.drivers["scope"].scope.bits
    # The demo's range may be set to anything: what it has to hold, and 5 % of room.
    assert step_v(view, "out.left", 10.0) == pytest.approx(2.0 * 1.05 * 10.0 / 2.0**bits)
    assert least_quiet(mixed, "out.right") == least_quiet(view, "out.right")
    assert least_quiet(mixed, "out.left") == pytest.approx(0.1 * least_quiet(view, "out.left"))
    with pytest.raises(BenchLacks, match="probes at ×1"):  # the others could be
        refuse_deaf(mixed, 2e-3, 1e-3, "crackles")
    silent = view.drivers["scope"].model_copy(update={"scope": None})
    unsaid = BenchView(view.bench, view.unit, {**view.drivers, "scope": silent})
    assert step_v(unsaid, "out.left", 10.0) == 0.0  # of a driver that says nothing of a scope


def test_a_bench_that_turns_out_deaf_measures_no_silence(powered: Powered) -> None:
    """The unit's noise, and not the scope's smallest range, hides a crackle of 60 µV."""
    read = powered().do(BRIEF + CRACKLES + 'faintest = "60 µV"\n')
    rates = read.all("crackle_rate")
    assert len(rates) == 2
    for rate in rates:
        assert rate.value is None
        assert "stand out of the scope's steps and noise" in rate.note


def test_a_unit_that_crackles_is_heard_in_silence_by_a_coarse_converter(powered: Powered) -> None:
    read = powered("crackle@left=1", bench=COARSE).do(BRIEF + CRACKLES)
    assert read.one("crackle_rate", "left").value > 0.01
    assert read.one("crackle_rate", "right").bound is Bound.AT_MOST


def test_hum_that_comes_with_the_signal_is_that_of_the_power_that_was_meant(
    powered: Powered,
) -> None:
    """One bench, told again and again: each level is met as nearly as the drive finds it."""
    unit = powered("hum_when_driven@left", bench="demo:clean")
    watts = 0.5 * unit.view.unit.rated_power
    volts = math.sqrt(watts * unit.truth.load_ohm("left")) / unit.truth.gain("left")
    with unit.truth.driven(volts):
        true_v = truths.hum_v(unit.truth, "left", 50.0, 8)
    told = [unit.do(HUM).one("hum_driven", "left") for _ in range(8)]
    # Of eight that hold in 95 % each, fewer than six do so once in two hundred benches.
    assert sum(abs(one.value - true_v) <= one.expanded_uncertainty for one in told) >= 6
    for one in told:
        names = {part.source.name for part in one.budget}
        assert "power of the drive, as it was met" in names
