"""The plan: what it leaves out and why, which outputs of a supply count, what waits for what."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from short_plans import DOWN, GAIN, LOADS, OFFSET, PROTECT, RAMP, TRIP

from seqrun.errors import SeqrunError, UsageError
from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.fields import StepFields
from seqrun.plan import by_hand, protection
from seqrun.plan.actions import Plan
from seqrun.plan.build import build
from seqrun.plan.outlook import outlooks

# --- what is left out ----------------------------------------------------------------------------


def test_unless_asked_for_a_whole_one_a_plan_leaves_out_what_the_bench_lacks(
    planned: Callable[..., Plan], without_generator: str
) -> None:
    part = planned(TRIP, PROTECT, RAMP, OFFSET, GAIN, DOWN, bench=without_generator)
    assert [out.id for out in part.left_out] == ["gain"]
    steps = expand_all(part.sequence, part.view.unit)
    assert [out.id for out in build(part.sequence, part.view, steps).left_out] == ["gain"]
    with pytest.raises(UsageError, match="the bench has no generator"):
        build(part.sequence, part.view, steps, only_complete=True)


def test_what_comes_after_a_step_that_has_to_be_measured_goes_with_it(
    planned: Callable[..., Plan], without_generator: str
) -> None:
    must = GAIN + "stop_if_not_measured = true\n"
    part = planned(TRIP, PROTECT, RAMP, OFFSET, must, LOADS, DOWN, bench=without_generator)
    left = {out.id: out.reason for out in part.left_out}
    assert list(left) == ["gain", "loads"]
    assert left["loads"].startswith("'gain' is needed before it and is left out: ")
    assert "the bench has no generator" in left["loads"]
    assert "discharge" in [action.id for action in part.actions], "the way down is never left out"


def test_the_first_step_that_has_to_be_measured_is_the_one_named(
    planned: Callable[..., Plan], without_generator: str
) -> None:
    both = GAIN + "stop_if_not_measured = true\n"
    both += both.replace('id = "gain"', 'id = "again"')
    part = planned(TRIP, PROTECT, RAMP, OFFSET, both, LOADS, DOWN, bench=without_generator)
    (loads,) = (out.reason for out in part.left_out if out.id == "loads")
    assert loads.startswith("'gain' is needed")


# --- supplies ------------------------------------------------------------------------------------

TWO_OUTPUTS = """
[supply]
outputs = 2
volts = ["40 V", "{second} V"]
amperes = ["5 A", "{amperes} A"]
"""


def supply(folder: Path, second: float = 40.0, amperes: float = 5.0) -> str:
    """The generic supply with two outputs, the second of them a smaller one."""
    text = (Path("drivers") / "generic-supply.toml").read_text(encoding="utf-8")
    start = text.index("[supply]")
    end = text.index("\n[", start)
    own = TWO_OUTPUTS.format(second=second, amperes=amperes)
    path = folder / "supply.toml"
    path.write_text(text[:start] + own.strip() + "\n" + text[end:], encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("second", "amperes", "found"),
    [(29.0, 5.0, "which goes to 29 V"), (40.0, 0.5, "500 mA"), (40.0, 5.0, "")],
)
def test_the_weakest_output_that_feeds_a_rail_counts(
    planned: Callable[..., Plan],
    bench: Callable[..., str],
    tmp_path: Path,
    second: float,
    amperes: float,
    found: str,
) -> None:
    driver = supply(tmp_path, second, amperes)
    file = bench(('driver = "generic-supply"', f'driver = "{driver}"'))
    parts = (TRIP, PROTECT, RAMP, DOWN)
    if not found:
        assert planned(*parts, bench=file).actions
        return
    with pytest.raises(SeqrunError) as refused:
        planned(*parts, bench=file)
    assert found in str(refused.value)
    assert ("with this supply" in (refused.value.hint or "")) is (found == "500 mA")


@pytest.mark.parametrize(("times", "right"), [(1.0, True), (1.004, True), (1.007, False)])
def test_rails_are_raised_to_what_the_sheet_says_but_for_what_a_setting_rounds(
    planned: Callable[..., Plan], times: float, right: bool
) -> None:
    ramp = RAMP.replace('"rail_voltage"', f'"{times:g} * rail_voltage"')
    if right:
        assert planned(TRIP, PROTECT, ramp, DOWN).actions
        return
    with pytest.raises(UsageError, match="above the unit's rated 30 V"):
        planned(TRIP, PROTECT, ramp, DOWN)


def test_a_supply_too_small_is_told_beside_a_rail_that_it_does_not_feed(
    planned: Callable[..., Plan], bench: Callable[..., str], tmp_path: Path
) -> None:
    driver = supply(tmp_path, 20.0)
    lead = '[[lead]]\nfrom = "supply.2.neg"\nto = "rail.neg"\n\n'
    file = bench(('driver = "generic-supply"', f'driver = "{driver}"'), (lead, ""))
    with pytest.raises(SeqrunError) as refused:
        planned(TRIP, PROTECT, RAMP, DOWN, bench=file)
    assert "rail.neg" in str(refused.value) and "which goes to 20 V" in str(refused.value)


def test_a_supply_without_its_own_protection_is_told_beforehand(
    planned: Callable[..., Plan],
) -> None:
    plain = planned(TRIP, PROTECT, RAMP, DOWN, bench="demo:plain_supply")
    lines = protection.told(plain.sequence, plain.view, plain.actions)
    assert lines and all("stay at the bench" in line for line in lines)
    assert "rail.pos and rail.neg" in lines[0] and "the trips on supply current" in lines[0]
    good = planned(TRIP, PROTECT, RAMP, DOWN)
    assert protection.told(good.sequence, good.view, good.actions) == []
    assert protection.told(plain.sequence, plain.view, ()) == []


# --- the view and the plan -----------------------------------------------------------------------


def test_the_sensor_of_a_point_is_the_one_that_is_there(
    planned: Callable[..., Plan], bench: Callable[..., str]
) -> None:
    ambient = 'point = "sensor.ambient"\nkind = "Pt100"\nclass = "B"'
    file = bench((ambient, ambient.replace('"B"', '"A"')))
    view = planned(TRIP, PROTECT, RAMP, DOWN, bench=file).view
    assert view.sensor("sensor.ambient").tolerance_class == "A"
    assert view.sensor("sensor.sink").tolerance_class == "B"
    with pytest.raises(SeqrunError, match=r"no sensor at 'sensor\.driver'"):
        view.sensor("sensor.driver")


def test_what_is_left_of_a_plan_takes_what_its_steps_take(planned: Callable[..., Plan]) -> None:
    plan = planned(TRIP, PROTECT, RAMP, OFFSET, DOWN)
    assert plan.seconds(1) == plan.seconds() - plan.actions[0].needs.seconds


def test_leads_that_stay_and_leads_that_move_are_all_the_leads(
    planned: Callable[..., Plan],
) -> None:
    plan = planned(TRIP, PROTECT, RAMP, OFFSET, DOWN)
    assert {"meter.hi", "meter.lo"} & set(plan.moving)
    assert "supply.1.pos" in plan.standing
    assert not set(plan.moving) & set(plan.standing)
    assert all(len(nodes) > 1 for nodes in plan.moving.values())
    # a lead that no bench file fixes, asked for at one place only, stays there too
    asked = {lead for hookup in plan.hookups for lead in hookup.leads}
    assert set(plan.moving) | set(plan.standing) == {t for t, _ in asked} | set(plan.view.fixed)


def test_a_trip_that_hands_would_have_to_read_is_asleep_and_warned_of(
    planned: Callable[..., Plan],
) -> None:
    plan = planned(TRIP, PROTECT, RAMP, DOWN)
    assert by_hand.asleep(plan.view, plan.sequence.trip) == set()
    assert list(by_hand.warnings(plan.view, plan.sequence.trip)) == []


# --- what waits for another step -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "left"),
    [("not measured", False), ("measured", True), ("passed", True), ("failed", True)],
)
def test_a_step_that_waits_for_one_that_is_left_out_goes_with_it_unless_that_is_what_it_is_for(
    planned: Callable[..., Plan], without_generator: str, state: str, left: bool
) -> None:
    waits = OFFSET + f'only_if = "gain {state}"\n'
    part = planned(TRIP, PROTECT, RAMP, GAIN, waits, DOWN, bench=without_generator)
    reasons = {out.id: out.reason for out in part.left_out}
    assert ("offset.left" in reasons) is left
    if left:
        assert reasons["offset.left"] == "it waits for 'gain', which is left out"


def test_a_plan_that_never_powers_the_unit_needs_neither_trip_nor_discharge(
    planned: Callable[..., Plan],
) -> None:
    assert planned(LOADS).warnings == ()
    powered = " ".join(planned(PROTECT, RAMP).warnings)
    assert "no trip on supply_current" in powered
    assert 'no step with do = "power_down"' in powered


def test_a_reason_in_the_sequence_stands_beside_what_is_warned_of(
    planned: Callable[..., Plan],
) -> None:
    said = 'no_discharge = "it goes on in the next sequence"\n'
    told = " ".join(planned(said, TRIP, PROTECT, RAMP).warnings)
    assert "(as the sequence has it: it goes on in the next sequence)" in told
    assert "no_current_trip" not in told
    assert 'state why in the sequence: no_discharge = "..."' not in told
    plain = " ".join(planned(TRIP, PROTECT, RAMP).warnings)
    assert 'state why in the sequence: no_discharge = "..."' in plain


@pytest.mark.parametrize(
    ("limit", "written"),
    [
        ('at_most = "40 mV"', "40 mV"),
        ('at_least = "-40 mV"', "-40 mV"),
        ('between = ["-50 mV", "0.1 V"]', "-50 mV to 0.1 V"),
    ],
)
def test_an_outlook_shows_the_limit_as_it_is_written(
    planned: Callable[..., Plan], limit: str, written: str
) -> None:
    step = OFFSET.replace('between = ["-50 mV", "50 mV"]', limit)
    found = outlooks(planned(TRIP, PROTECT, RAMP, step, DOWN))
    assert [o.written for o in found if o.step == "offset.left"] == [written]


IDLE = """
[[step]]
id = "cold.{ballast}"
each = "ballast"
do = "device_current"
at = "ballast.{ballast}"
limit = { at_most = "50 mA" }
"""


@pytest.mark.parametrize(
    ("waits", "of_unit"),
    [
        ('"cold.* measured"', True),
        ('"gain measured"', False),
        ('["cold.* measured", "gain measured"]', False),
    ],
)
def test_a_step_is_left_out_for_the_units_sake_only_when_the_bench_lacks_nothing_for_it(
    planned: Callable[..., Plan],
    without_generator: str,
    closed_sheet: Callable[[str], str],
    waits: str,
    of_unit: bool,
) -> None:
    step = OFFSET + f"only_if = {waits}\n"
    part = planned(TRIP, PROTECT, RAMP, IDLE, GAIN, step, DOWN, bench=without_generator,
                   unit=closed_sheet("20 mA"))  # fmt: skip
    left = {out.id: out.of_unit for out in part.left_out}
    assert left["cold.left.upper.1"] is True
    assert left["gain"] is False
    assert left["offset.left"] is of_unit


def test_what_the_unit_gives_no_access_to_is_told_apart_by_whether_anything_would_be_judged(
    planned: Callable[..., Plan], closed_sheet: Callable[[str], str]
) -> None:
    shown = IDLE.replace('limit = { at_most = "50 mA" }\n', "").replace("cold.", "seen.")
    part = planned(TRIP, PROTECT, RAMP, IDLE, shown, OFFSET, DOWN, unit=closed_sheet("20 mA"))
    assert part.shown_no_access
    assert {name.partition(".")[0] for name in part.shown_no_access} == {"seen"}
    assert {name.partition(".")[0] for name in part.stood_in} == {"cold"}


def test_what_is_no_step_cannot_be_planned(planned: Callable[..., Plan]) -> None:
    plan = planned(TRIP, PROTECT, RAMP, DOWN)
    with pytest.raises(TypeError, match="'gain' is no kind of step that can be planned"):
        build(plan.sequence, plan.view, [StepFields(id="gain", do="gain")])


def test_leads_that_are_there_already_are_no_hookup_and_those_that_have_moved_are_one_again(
    planned: Callable[..., Plan],
) -> None:
    def at(name: str, channel: str) -> str:
        return f'[[step]]\nid = "{name}"\ndo = "dc_voltage"\nat = "out.{channel}"\n'

    steps = at("a", "left") + at("b", "left") + at("c", "right") + at("d", "left")
    made = planned(TRIP, PROTECT, RAMP, steps, DOWN).hookups_for
    read = [[action.id for action in actions if action.id in "abcd"] for _, actions in made]
    assert [ids for ids in read if ids] == [["a", "b"], ["c"], ["d"]]
