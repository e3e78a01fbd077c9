"""Protection, rails, loads and the order of steps: what the plan refuses before any power."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from short_plans import DOWN, LOADS, PROTECT, TRIP

import demo_sim
from seqrun.errors import SeqrunError
from seqrun.files.unit.sheet import load_unit
from seqrun.plan.actions import Plan
from seqrun.plan.supply_checks import LOAD_MARGIN, NO_DISCHARGE, NO_TRIP, current_for, instead

RAMP = """
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
healthy_current = "3 * supply_idle"
"""
POWER = '[[step]]\nid = "power"\ndo = "thd"\npower = "rated_power"\n'


def bench_file(folder: Path, change: Callable[[str], str], unit: str = "demo-2x40") -> str:
    text = demo_sim.open_bench(load_unit(unit).plain(), unit_sheet=unit).bench_toml()
    path = folder / "bench.toml"
    changed = change(text)
    assert changed != text
    path.write_text(changed, encoding="utf-8")
    return str(path)


def warned(plan: Plan) -> list[str]:
    """What a plan warns of, beside how little distortion its bench tells."""
    return [line for line in plan.warnings if not line.startswith("THD below")]


def refused(plan: Callable[..., Plan], *parts: str, **more: str) -> str:
    with pytest.raises(SeqrunError) as error:
        plan(*parts, **more)
    assert error.value.exit_code == 2
    return str(error.value)


def test_a_whole_sequence_is_planned_without_a_warning(planned: Callable[..., Plan]) -> None:
    assert warned(planned(TRIP, PROTECT, LOADS, RAMP, POWER, DOWN)) == []


def test_power_before_protection_is_refused(planned: Callable[..., Plan]) -> None:
    assert "before its protection is set" in refused(planned, TRIP, LOADS, RAMP, PROTECT, DOWN)


@pytest.mark.parametrize("level", ["29 V", "30 V", "0.9 * rail_voltage"])
def test_over_voltage_protection_that_is_not_above_the_rail_is_refused(
    planned: Callable[..., Plan], level: str
) -> None:
    low = PROTECT.replace("1.15 * rail_voltage", level)
    assert "is not above" in refused(planned, TRIP, low, RAMP, DOWN)


def test_over_voltage_protection_far_above_the_rail_is_refused(
    planned: Callable[..., Plan],
) -> None:
    high = PROTECT.replace("1.15 * rail_voltage", "1.6 * rail_voltage")
    assert "far above" in refused(planned, TRIP, high, RAMP, DOWN)


@pytest.mark.parametrize("to", ["1.1 * rail_voltage", "31 V"])
def test_rails_above_the_units_rating_are_refused(planned: Callable[..., Plan], to: str) -> None:
    ramp = RAMP.replace('"rail_voltage"', f'"{to}"')
    assert "above the unit's rated 30 V" in refused(planned, TRIP, PROTECT, ramp, DOWN)


def test_part_of_the_rails_is_no_reason_to_refuse(planned: Callable[..., Plan]) -> None:
    ramp = RAMP.replace('"rail_voltage"', '"10 V"')
    assert planned(TRIP, PROTECT, ramp, DOWN).actions


def test_power_into_a_load_that_nothing_measured_is_refused(planned: Callable[..., Plan]) -> None:
    message = refused(planned, TRIP, PROTECT, RAMP, POWER, DOWN)
    assert "40 W would be driven into load 'left' and 'right'" in message


OFF = '[[step]]\nid = "off"\ndo = "take_loads_off"\n'
ON = '[[step]]\nid = "on"\ndo = "put_loads_on"\n'


def test_nothing_goes_into_a_load_that_was_taken_off(planned: Callable[..., Plan]) -> None:
    """Nor does the unit give the current for it."""
    little = POWER.replace('"rated_power"', '"1 W"')
    tight = PROTECT.replace("1.5 * supply_at_rated_power", "0.3 A")
    assert planned(TRIP, tight, OFF, RAMP, little, DOWN).actions
    # A hand may have left one on.
    more = POWER.replace('"rated_power"', '"1.01 W"')
    assert "which no step has measured" in refused(planned, TRIP, PROTECT, OFF, RAMP, more, DOWN)
    assert planned(TRIP, tight, LOADS, OFF, RAMP, POWER, DOWN).actions
    assert "would trip here" in refused(planned, TRIP, tight, LOADS, RAMP, POWER, DOWN)


@pytest.mark.parametrize(
    "parts",
    [
        (OFF, ON),
        (OFF, ON + 'only_if = "bring_up passed"\n'),
        (OFF + 'only_if = "bring_up passed"\n',),
    ],
    ids=["back on", "perhaps back on", "perhaps off"],
)
def test_a_load_that_may_be_there_was_measured_before(
    planned: Callable[..., Plan], parts: tuple[str, ...]
) -> None:
    message = refused(planned, TRIP, PROTECT, RAMP, *parts, POWER, DOWN)
    assert "which no step has measured" in message


def test_a_limit_beyond_the_supply_that_the_unit_does_not_need_is_told_as_that(
    planned: Callable[..., Plan], tmp_path: Path
) -> None:
    """At rated power 2 x 40 W draw 2 A from each rail: nothing is gained by less power."""
    beyond = PROTECT.replace("1.5 * supply_at_rated_power", "6 A")
    with pytest.raises(SeqrunError) as error:
        planned(TRIP, beyond, LOADS, RAMP, POWER, DOWN)
    assert "6 A is asked of supply, which goes to 5.5 A" in str(error.value)
    assert "draws 2.03 A" in (error.value.hint or "")
    assert "write at most 5.5 A" in (error.value.hint or "")


def test_a_load_measured_after_the_power_is_refused(planned: Callable[..., Plan]) -> None:
    later = LOADS.replace('"loads"', '"later"')
    message = refused(planned, TRIP, PROTECT, RAMP, POWER, DOWN, later)
    assert "which no step has measured" in message


@pytest.mark.parametrize(("rating", "stands"), [(49.9, False), (50.1, True)])
def test_a_load_stands_a_quarter_more_than_it_gets(
    planned: Callable[..., Plan], tmp_path: Path, rating: float, stands: bool
) -> None:
    assert LOAD_MARGIN == 1.25
    bench = bench_file(tmp_path, lambda t: t.replace("100 W", f"{rating} W"))
    parts = (TRIP, PROTECT, LOADS, RAMP, POWER, DOWN)
    if stands:
        assert planned(*parts, bench=bench).actions
    else:
        assert "load 'left' is rated 49.9 W" in refused(planned, *parts, bench=bench)


def test_a_unit_that_needs_more_volts_than_the_supply_has_is_refused(
    planned: Callable[..., Plan], tmp_path: Path
) -> None:
    sheet = (Path("sequences") / "units" / "demo-mono.toml").read_text(encoding="utf-8")
    unit = tmp_path / "unit.toml"
    unit.write_text(sheet.replace('"38 V"', '"45 V"'), encoding="utf-8")
    text = demo_sim.open_bench(load_unit("demo-mono").plain()).bench_toml()
    bench = tmp_path / "bench.toml"
    bench.write_text(text, encoding="utf-8")
    message = refused(planned, TRIP, PROTECT, RAMP, DOWN, bench=str(bench), unit=str(unit))
    assert "45 V is asked of supply, which goes to 40 V" in message


@pytest.mark.parametrize(("rail", "near"), [("39.6 V", True), ("43.5 V", False)])
def test_a_protection_that_the_supply_cannot_set_is_told_the_nearest_that_protects(
    planned: Callable[..., Plan], tmp_path: Path, rail: str, near: bool
) -> None:
    """The supply's own goes to 44 V."""
    sheet = (Path("sequences") / "units" / "demo-mono.toml").read_text(encoding="utf-8")
    unit = tmp_path / "unit.toml"
    unit.write_text(sheet.replace('"38 V"', f'"{rail}"'), encoding="utf-8")
    text = demo_sim.open_bench(load_unit("demo-mono").plain()).bench_toml()
    bench = tmp_path / "bench.toml"
    bench.write_text(text, encoding="utf-8")
    message = refused(planned, TRIP, PROTECT, RAMP, DOWN, bench=str(bench), unit=str(unit))
    assert "which goes to 44 V" in message
    assert ('over_voltage = "44 V" in a copy of the sequence' in message) is near


def test_a_unit_that_needs_more_current_than_the_supply_has_is_told_what_is_possible(
    planned: Callable[..., Plan], tmp_path: Path
) -> None:
    sheet = (Path("sequences") / "units" / "demo-bridged.toml").read_text(encoding="utf-8")
    unit = tmp_path / "unit.toml"
    unit.write_text(sheet.replace('"8 Ω"', '"4 Ω"').replace('"30 W"', '"60 W"'), encoding="utf-8")
    bench = bench_file(
        tmp_path, lambda t: re.sub(r'"(8\.0|7\.9)\d* Ω"', '"4 Ω"', t), "demo-bridged"
    )
    protect = PROTECT.replace("1.5 * supply_at_rated_power", "5 A")
    message = refused(planned, TRIP, protect, LOADS, RAMP, POWER, DOWN, bench=bench, unit=str(unit))
    # two channels, two half-bridges each: 4 * sqrt(2 * 60 / 4) / pi
    assert "needs 6.97 A from each rail, and supply gives 5 A" in message
    assert "one channel at a time up to 60 W" in message
    assert "31 W into each load with all channels driven" in message


def test_the_current_for_a_power_is_that_of_half_sines_from_every_channel() -> None:
    unit = load_unit("demo-2x40")
    both = current_for(unit, {"left": 40.0, "right": 40.0})
    assert both == pytest.approx(2.0 * 3.1623 / 3.14159, rel=1e-4)
    assert current_for(unit, {"left": 40.0}) == pytest.approx(both / 2.0)


def test_no_trip_on_current_is_warned_of(planned: Callable[..., Plan]) -> None:
    assert NO_TRIP in planned(PROTECT, LOADS, RAMP, POWER, DOWN).warnings[0]
    why = 'no_current_trip = "the supply limits at 0.3 A"\n'
    (warning,) = warned(planned(why, PROTECT, LOADS, RAMP, POWER, DOWN))
    assert "the supply limits at 0.3 A" in warning


def test_no_discharge_at_the_end_is_warned_of(planned: Callable[..., Plan]) -> None:
    assert NO_DISCHARGE in planned(TRIP, PROTECT, LOADS, RAMP, POWER).warnings[0]
    why = 'no_discharge = "the unit has a bleeder across each rail"\n'
    (warning,) = warned(planned(why, TRIP, PROTECT, LOADS, RAMP, POWER))
    assert "bleeder" in warning


def test_a_step_for_a_live_unit_before_power_is_refused(planned: Callable[..., Plan]) -> None:
    message = refused(planned, TRIP, PROTECT, LOADS, POWER, RAMP, DOWN)
    assert "measures a powered unit, and nothing has powered it" in message


def test_a_step_for_a_live_unit_after_power_down_is_refused(planned: Callable[..., Plan]) -> None:
    message = refused(planned, TRIP, PROTECT, LOADS, RAMP, DOWN, POWER)
    assert "measures a powered unit, and nothing has powered it" in message


def test_a_step_for_a_dead_unit_while_it_is_charged_is_refused(
    planned: Callable[..., Plan],
) -> None:
    message = refused(planned, TRIP, PROTECT, RAMP, LOADS, DOWN)
    assert "this one is not discharged" in message


def test_one_probe_cannot_be_in_two_places(planned: Callable[..., Plan], tmp_path: Path) -> None:
    """A scope with one free probe does not see both ends of a bridged output at once."""

    def one_probe(text: str) -> str:
        text = re.sub(r'\[\[lead\]\]\s*from = "scope\.[\d.clip]*"\s*to = "[^"]*"\s*', "", text)
        return text.replace('driver = "generic-scope"', f'driver = "{driver}"')

    scope = (Path("drivers") / "generic-scope.toml").read_text(encoding="utf-8")
    driver = tmp_path / "one.toml"
    driver.write_text(scope.replace("channels = 4", "channels = 1"), encoding="utf-8")
    bench = bench_file(tmp_path, one_probe)
    both = '[[step]]\nid = "gain"\ndo = "gain"\n'
    plan = planned(TRIP, PROTECT, LOADS, RAMP, both, DOWN, bench=bench)
    (out,) = plan.left_out
    assert out.id == "gain"
    assert "scope" in out.reason
    assert "out.right" in out.reason


@pytest.mark.parametrize("to", ["-30 V", "0 V"])
def test_rails_are_raised_to_a_positive_voltage(planned: Callable[..., Plan], to: str) -> None:
    ramp = RAMP.replace('"rail_voltage"', f'"{to}"')
    message = refused(planned, PROTECT, LOADS, ramp, DOWN)
    assert "the rails would be raised to" in message


def test_what_follows_from_a_wrong_figure_is_not_told_as_well(
    planned: Callable[..., Plan], tmp_path: Path
) -> None:
    too_high = RAMP.replace('"rail_voltage"', '"1.3 * rail_voltage"')
    with pytest.raises(SeqrunError) as refused:
        planned(TRIP, PROTECT, LOADS, too_high, DOWN)
    assert "rails would be raised to 39 V" in str(refused.value)
    assert "over_voltage" not in str(refused.value) and "44.8" not in str(refused.value)
    wrong_load = bench_file(
        tmp_path, lambda t: re.sub(r'resistance = "8\.\d+', 'resistance = "2', t)
    )
    with pytest.raises(SeqrunError) as refused:
        planned(TRIP, PROTECT, LOADS, RAMP, POWER, DOWN, bench=wrong_load)
    assert "is 2 Ω" in str(refused.value) and "no step has measured" not in str(refused.value)


def test_one_fault_of_many_steps_is_one_line(planned: Callable[..., Plan], tmp_path: Path) -> None:
    small = bench_file(tmp_path, lambda t: t.replace('power = "100 W"', 'power = "0.5 W"'))
    steps = [f'[[step]]\nid = "t{n}"\ndo = "thd"\npower = "1 W"\n' for n in range(8)]
    with pytest.raises(SeqrunError) as refused:
        planned(TRIP, PROTECT, LOADS, RAMP, *steps, DOWN, bench=small)
    lines = str(refused.value).splitlines()
    assert sum("load 'left' is rated 0.5 W" in line for line in lines) == 1
    assert "t0, t1, t2, t3, t4 and 3 more" in str(refused.value)


def test_an_over_current_protection_below_what_a_healthy_unit_draws_is_refused(
    planned: Callable[..., Plan],
) -> None:
    low = PROTECT.replace("1.5 * supply_at_rated_power", "0.6 * supply_at_rated_power")
    assert planned(TRIP, low, LOADS, RAMP, DOWN)
    with pytest.raises(SeqrunError, match=r"power: an over-current protection .* would trip here"):
        planned(TRIP, low, LOADS, RAMP, POWER, DOWN)
    with pytest.raises(SeqrunError, match=r"bring_up: an over-current protection of 20 mA"):
        planned(TRIP, PROTECT.replace("1.5 * supply_at_rated_power", "20 mA"), LOADS, RAMP, DOWN)


def test_a_trip_that_the_supply_never_lets_act_is_told(planned: Callable[..., Plan]) -> None:
    ramp = RAMP + 'running_limit = "2.5 A"\n'
    (line,) = warned(planned(TRIP, PROTECT, LOADS, ramp, DOWN))
    assert "above 3 A never acts" in line and "at most 2.5 A" in line
    assert not warned(planned(TRIP.replace("3 A", "2.2 A"), PROTECT, LOADS, ramp, DOWN))


def test_no_more_is_promised_of_a_small_supply_than_the_unit_is_rated_for() -> None:
    assert "at most 40 W into each load" in instead(load_unit("demo-2x40"), 5.0)
