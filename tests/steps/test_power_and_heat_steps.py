"""Supplies, clipping, heat and switching times against the simulated unit."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from pytest_mock import MockerFixture

from seqrun.steps.common.drive import Drive
from seqrun.steps.common.sink import sink_now
from seqrun.values import Bound, Verdict

Powered = Callable[..., Any]


def driven(unit: Any, watts: float) -> Any:
    """The truth while every channel gives that power (left's input drives both)."""
    volts = math.sqrt(watts * unit.truth.load_ohm("left"))
    return unit.truth.driven(volts / unit.truth.gain("left"))


def test_rails_sag_by_the_feeds_resistance_times_the_current(powered: Powered) -> None:
    unit = powered("weak_supply=0.2")
    read = unit.do('[[step]]\nid = "s"\ndo = "rail_sag"\npower = "20 W"\n')
    idle = unit.truth.rail("pos")
    with driven(unit, 20.0):
        loaded = unit.truth.rail("pos")
    sag = read.one("rail_sag", "rail.pos")
    # The level is found to 2 % of power by a scope good to 1 %: 2 % of the current behind the sag,
    # and of the other channel's gain.
    assert sag.value == pytest.approx(idle - loaded, rel=0.05)
    assert read.one("rail_sag_share", "rail.pos").value == pytest.approx(
        100.0 * sag.value / idle, rel=0.01
    )


def test_efficiency_and_heat_add_up_to_what_the_supply_gives(powered: Powered) -> None:
    unit = powered()
    read = unit.do('[[step]]\nid = "e"\ndo = "efficiency"\npower = "20 W"\n')
    with driven(unit, 20.0):
        drawn = sum(
            abs(unit.truth.rail(side)) * unit.truth.supply_current(side) for side in ("pos", "neg")
        )
        given = unit.truth._power("left") + unit.truth._power("right")
    efficiency, heat = read.one("efficiency"), read.one("dissipation")
    assert efficiency.value == pytest.approx(
        100.0 * given / drawn, abs=efficiency.expanded_uncertainty + 0.5
    )
    assert heat.value == pytest.approx(drawn - given, abs=heat.expanded_uncertainty + 0.7)


def test_heat_at_idle_is_all_that_the_supply_gives(powered: Powered) -> None:
    unit = powered()
    read = unit.do('[[step]]\nid = "d"\ndo = "dissipation"\n').one("dissipation")
    drawn = sum(
        abs(unit.truth.rail(side)) * unit.truth.supply_current(side) for side in ("pos", "neg")
    )
    assert read.value == pytest.approx(drawn, abs=read.expanded_uncertainty)


def test_ripple_of_a_bench_supply_is_read_above_the_scopes_noise(powered: Powered) -> None:
    read = powered().do('[[step]]\nid = "r"\ndo = "ripple"\nat = "rail.pos"\n').one("ripple")
    # 0.7 of its 0.5 mV rms as the peak of a saw-tooth of twice the line: Σ(2/πk)²/2.
    harmonics = sum((2.0 / math.pi / k) ** 2 / 2.0 for k in range(1, 7))
    saw = 0.7 * 0.5e-3 * math.sqrt(harmonics)
    assert read.value == pytest.approx(saw, abs=read.expanded_uncertainty + 0.05 * saw)


def test_clipping_sets_in_between_no_distortion_and_one_percent(powered: Powered) -> None:
    unit = powered()
    read = unit.do('[[step]]\nid = "c"\ndo = "clipping_onset"\n').one("clipping_onset", "left")
    at_one_percent = unit.truth.max_power("left", 0.01)
    # A hard-clipped sine of 1 % has 1.0475 times the power of the onset (Fourier analysis).
    assert read.value == pytest.approx(at_one_percent / 1.0475, abs=read.expanded_uncertainty)


def test_bursts_reach_at_least_the_power_of_a_steady_tone(powered: Powered) -> None:
    unit = powered()
    read = unit.do(
        '[[step]]\nid = "h.{channel}"\neach = { channel = ["left"] }\ndo = "dynamic_headroom"\n'
    )
    burst = read.one("burst_power")
    assert burst.value > unit.truth.max_power("left") - burst.expanded_uncertainty
    assert read.one("dynamic_headroom").value == pytest.approx(
        10.0 * math.log10(burst.value / 40.0)
    )


def test_thermal_resistance_is_the_sinks_less_the_heat_that_goes_elsewhere(
    powered: Powered,
) -> None:
    unit = powered(seed=3)
    read = unit.do(
        '[[step]]\nid = "ambient"\ndo = "temperature"\nat = "sensor.ambient"\n'
        '[[step]]\nid = "soak"\ndo = "soak"\npower = "5 W"\nuntil = "predicted"\n'
        'at_most = "60 min"\nambient = "ambient"\n'
        '[[step]]\nid = "heat"\ndo = "dissipation"\npower = "5 W"\n'
        '[[step]]\nid = "rth"\ndo = "thermal_resistance"\nof = "soak"\nheat = "heat"\n'
        '[[step]]\nid = "margin"\ndo = "runaway"\nresistance = "rth"\n'
    )
    sink = unit.world._unit.spec.heat.sink_k_per_w
    found = read.one("thermal_resistance")
    # Half of the small-signal stages' heat and the bleeders' leave by other ways: some 5 %.
    assert found.value == pytest.approx(0.95 * sink, abs=found.expanded_uncertainty)
    gain = read.one("thermal_loop_gain")
    now, span = unit.truth.sink_rise(), float(gain.note.split()[1])
    watts = unit.truth.heat_at(now + span) - unit.truth.heat_at(now)
    assert abs(gain.value - watts / span * found.value) < gain.expanded_uncertainty < 0.1


def test_how_the_current_goes_with_the_heat_is_told_though_the_bias_follows_late(
    powered: Powered,
) -> None:
    """Junctions are hotter than the heatsink after a drive, and a bias that hangs loose is behind
    it: what is read while it cools is not quite what it would settle to."""
    unit = powered("thermal_runaway@left=0.3", seed=3)
    unit.do('[[step]]\nid = "w"\ndo = "hold_power"\npower = "5 W"\nfor = "20 min"\n')
    begun = unit.truth.sink_rise()
    read = unit.do('[[step]]\nid = "m"\ndo = "runaway"\nwatch = "900 s"\n')
    slope = read.one("idle_current_slope")
    ends = [unit.truth.sink_rise(), 0.8 * begun]  # two minutes after it began to cool
    watts = [unit.truth.heat_at(rise) for rise in ends]
    true = (watts[1] - watts[0]) / (ends[1] - ends[0]) / 60.0  # of both rails together
    assert abs(slope.value - true) < slope.expanded_uncertainty < 1.2e-3
    assert abs(slope.value - true) > 0.02 * true  # it is late: the line is needed


def test_a_bias_that_left_the_heatsink_runs_away(powered: Powered) -> None:
    unit = powered("thermal_runaway@left=0.9")
    read = unit.do('[[step]]\nid = "r"\ndo = "runaway"\nwatch = "900 s"\nevery = "6 s"\n').one(
        "thermal_loop_gain"
    )
    assert read.bound is Bound.AT_LEAST
    assert read.value == 1.0
    assert unit.truth.runaway_gain() > 1.0


def test_relays_release_while_the_rails_still_hold(powered: Powered) -> None:
    unit = powered(seed=12)  # nobody else's: it is off afterwards
    assert unit.truth.relay_closed("left")
    read = unit.do('[[step]]\nid = "r"\ndo = "relay_release"\n')
    for channel in ("left", "right"):
        released = read.one("relay_release", channel)
        # They let go below 65 % of the rail; at idle the reservoirs take a part of a second.
        assert 0.05 < released.value < 5.0
        assert not unit.truth.relay_closed(channel)


def test_a_rail_whose_lead_comes_off_has_no_sag_of_all_that_it_had(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit, to_power = powered(seed=13), Drive.to_power

    def and_the_lead_comes_off(drive: Drive, watts: float) -> None:
        to_power(drive, watts)
        unit.world.disconnect("meter.hi")

    monkeypatch.setattr(Drive, "to_power", and_the_lead_comes_off)
    read = unit.do('[[step]]\nid = "s"\ndo = "rail_sag"\npower = "1 W"\n')
    assert [j.verdict for j in read.judged] == [Verdict.NOT_MEASURED]
    assert "nothing shows that the lead is on rail.pos" in read.judged[0].note


SOAK = """
[[step]]
id = "ambient"
do = "temperature"
at = "sensor.ambient"
[[step]]
id = "heat"
do = "soak"
power = "rated_power / 8"
at_most = "60 min"
ambient = "ambient"
"""


@pytest.mark.parametrize("lead", ["load.left.1", "generator.1"])
def test_a_soak_whose_output_gives_less_than_it_did_is_not_measured(
    powered: Powered, monkeypatch: pytest.MonkeyPatch, lead: str
) -> None:
    unit = powered(seed=6)
    node, looks = unit.world.node_of(lead), iter(range(1000))

    def looked(ctx: Any) -> float:
        if next(looks) == 10:
            unit.world.disconnect(lead)
        return float(sink_now(ctx))

    monkeypatch.setattr("seqrun.steps.heat.sink_now", looked)
    read = unit.do(SOAK)
    unit.world.connect(lead, node)
    assert "an output delivers less than it did" in read.reason()
    assert next(looks) < 20


def test_a_room_that_may_drift_makes_a_rise_as_uncertain_as_it_drifts_while_the_sink_warms(
    powered: Powered,
) -> None:
    """3 K an hour, a half-width: 3 K/√3 for each hour since the room was read, and more where the
    end is predicted, but not three times that."""
    unit = powered(seed=6)
    begun = unit.world.now
    read = unit.do(SOAK + 'until = "predicted"\nambient_drift = "3 K"\nevery = "20 s"\n').one(
        "sink_rise"
    )
    hours = (unit.world.now - begun) / 3600.0
    (room,) = (one for one in read.budget if "drift of the room" in str(one))
    assert 0.1 < hours < 1.2
    assert 0.9 < room.standard_uncertainty / (3.0 / 3.0**0.5 * hours) < 3.0


@pytest.mark.parametrize(
    ("limit", "how"),
    [
        ('limit = { at_most = "60 K" }\n', "predicted, as its verdict can no longer change"),
        ("", "waited 1500 s"),  # nothing to decide: its end is wanted, as closely as was asked
    ],
)
def test_a_soak_whose_end_is_known_too_late_ends_when_its_verdict_can_no_longer_change(
    powered: Powered, limit: str, how: str
) -> None:
    soak = SOAK.replace("60 min", "25 min")
    unit = powered(seed=len(limit) + 40)  # each warms its own
    (read,) = unit.do(soak + 'until = "predicted"\nwithin = "0.1 K"\n' + limit).all("sink_rise")
    assert how in read.note


def test_an_output_is_waited_for_as_long_as_its_relay_may_take_by_the_sheet(
    powered: Powered,
) -> None:
    """A step that looks for a second at one channel may be the first that looks at all: the one
    that waits for every relay is left out where not every channel can be driven."""
    unit = powered(seed=21)  # nobody else's: it is switched off and on
    again = (
        '[[step]]\nid = "off"\ndo = "relay_release"\n'
        '[[step]]\nid = "again"\ndo = "ramp_supply"\nto = "rail_voltage"\nstages = 2\n'
        'healthy_current = "5 * supply_idle"\n'
        '[[step]]\nid = "one"\ndo = "await_output"\neach = "channel"\nat_most = "1 s"\n'
    )
    found = unit.do(again.replace('"one"', '"one.{channel}"')).all("relay_delay")
    assert len(found) == 2
    assert all(delay.value is not None and delay.value > 1.5 for delay in found)


#: rails for a second of its kind: at 1 kHz it gives nearly twice its rating
ROOMY = (
    'model = "Roomy"\nchannels = ["left", "right"]\ntopology = "single_ended"\nrails = "single"\n'
    'rail_voltage = "34 V"\noutput_capacitor = "2200 µF"\nrated_power = "12 W"\n'
    'rated_load = "4 Ω"\ngain = "26 dB"\noutput_devices = 1\nballast = "0.22 Ω"\n'
    'idle_current = "30 mA"\nsink_rise_limit = "40 K"\nrated_band = ["20 Hz", "20 kHz"]\n'
)


@pytest.fixture(scope="module")
def roomy(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("unit") / "roomy.toml"
    path.write_text(ROOMY, encoding="utf-8")
    return str(path)


def test_no_more_is_asked_of_a_unit_than_loads_and_supply_are_planned_for(
    powered: Powered, roomy: str
) -> None:
    """It clips at nearly twice its rating, and passes all the same: at least 1.3 times."""
    unit = powered(unit=roomy)
    assert unit.truth.max_power("left", 0.01) > 1.6 * 12.0
    read = unit.do('[[step]]\nid = "p"\ndo = "output_power"\n')
    for channel in ("left", "right"):
        power = read.one("output_power", channel)
        assert power.bound is Bound.AT_LEAST
        assert power.value == pytest.approx(1.3 * 12.0, rel=0.03)
    swing = 2.0 * math.sqrt(2.0 * 1.3 * 12.0 / 4.0) / math.pi
    assert read.one("supply_current", "rail.pos").value < 1.15 * swing


def test_a_sweep_into_clipping_goes_no_further_than_planned(
    powered: Powered, roomy: str, mocker: MockerFixture
) -> None:
    """In one channel: half as much again as its rating."""
    powers = mocker.spy(Drive, "power_of")
    powered(unit=roomy).do('[[step]]\nid = "c"\ndo = "clipping_onset"\n')
    most = max(float(power.nominal_value) for power in powers.spy_return_list)
    assert 1.4 * 12.0 < most <= 1.51 * 12.0
