"""The plan: what is asked in the wrong order, of a supply or a unit that cannot, or of nobody."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from short_plans import DOWN, GAIN, LOADS, OFFSET, PROTECT, RAMP, TRIP

from seqrun.errors import BenchLacks, SeqrunError, UnitLacks
from seqrun.files.sequence.expand import expand_all
from seqrun.plan import leads
from seqrun.plan.actions import Plan
from seqrun.plan.build import build
from seqrun.plan.cautions import OFF
from seqrun.plan.contract import Step
from seqrun.plan.leaving_out import Chooser, NotOnThisBench
from seqrun.plan.measurand import Measurand
from seqrun.plan.needs import Hookup, Needs
from seqrun.plan.protection import DISCHARGED_V
from seqrun.plan.view import BenchView
from seqrun.runner.preparation import prepare

HOLD_UP = '[[step]]\nid = "up"\ndo = "hold_up"\nat = "rail.pos"\nuntil = "80 %"\n'


def test_a_step_that_switches_the_unit_off_leaves_nothing_powered_for_the_next_and_not_discharged(
    planned: Callable[..., Plan],
) -> None:
    planned(TRIP, PROTECT, RAMP, OFFSET, HOLD_UP, DOWN)
    with pytest.raises(SeqrunError, match="measures a powered unit, and nothing has powered it"):
        planned(TRIP, PROTECT, RAMP, HOLD_UP, OFFSET, DOWN)
    with pytest.raises(SeqrunError, match="is for a unit without power"):
        planned(TRIP, PROTECT, RAMP, HOLD_UP, LOADS, DOWN)


def test_a_plan_with_a_supply_by_hand_says_what_nothing_can_switch_off(
    planned: Callable[..., Plan],
) -> None:
    plan = planned(TRIP, PROTECT, RAMP, DOWN)
    entry = plan.view.bench.instrument["supply"].model_copy(update={"resource": "by hand"})
    instruments = {**plan.view.bench.instrument, "supply": entry}
    bench = plan.view.bench.model_copy(update={"instrument": instruments})
    view = BenchView(bench, plan.view.unit, plan.view.drivers)
    steps = expand_all(plan.sequence, view.unit)
    told = " ".join(build(plan.sequence, view, steps).warnings)
    assert "the trip on supply_current is blind" in told
    assert "neither a trip nor the end of the run switches it off" in told


@pytest.mark.parametrize(
    ("part", "words"),
    [
        (PROTECT.replace("1.15 * rail_voltage", "44.5 V"), "over-voltage protection of 44.5 V"),
        (PROTECT.replace("1.5 * supply_at_rated_power", "5.6 A"), "over-current protection of 5.6"),
        (RAMP.replace('"1 A"', '"5.1 A"'), "a current limit of 5.1 A"),
    ],
)
def test_a_supply_is_asked_for_nothing_that_it_cannot_be_set_to(
    planned: Callable[..., Plan], part: str, words: str
) -> None:
    """It goes to 40 V and 5 A, its protection to 44 V and 5.5 A."""
    parts = (PROTECT, part) if "ramp_supply" in part else (part, RAMP)
    with pytest.raises(SeqrunError) as refused:
        planned(TRIP, *parts, DOWN)
    assert words in str(refused.value)
    assert "is asked of supply" in str(refused.value)


@pytest.mark.parametrize("power", ["energises", "mains"])
def test_nothing_powers_a_unit_that_could_not_be_seen_discharged_afterwards(
    planned: Callable[..., Plan], power: str
) -> None:
    steps = {a.id: a.step for a in planned(TRIP, PROTECT, RAMP, OFFSET, DOWN).actions}

    def needs(step: Step) -> Needs:
        if step.id == "discharge":
            raise NotOnThisBench(Needs(safe=True), BenchLacks("the bench has no meter"))
        powers = step.id == "bring_up"
        return Needs(
            energises=powers and power == "energises",
            mains=powers and power == "mains",
            live=step.id.startswith("offset"),
        )

    chooser = Chooser(needs)
    chooser.go(steps.values())
    assert [step.id for step, _ in chooser.done] == ["protection"]
    left = {out.id: out.reason for out in chooser.left_out}
    why = "the unit could not be seen to be discharged afterwards: the bench has no meter"
    assert left["bring_up"] == why
    assert left["offset.left"] == f"nothing powers the unit: {why}"


@pytest.mark.parametrize("again", [False, True])
def test_no_rail_is_raised_where_its_supply_cannot_be_told_to_protect_it(
    planned: Callable[..., Plan], again: bool
) -> None:
    """One with its own mains has no such protection: it is not the supply that powers it."""
    steps = {a.id: a.step for a in planned(TRIP, PROTECT, RAMP, OFFSET, DOWN).actions}

    def needs(step: Step) -> Needs:
        if step.id == "protection":
            raise NotOnThisBench(Needs(protects=True), BenchLacks("the supply answers to nobody"))
        powers = step.id == "bring_up"
        return Needs(
            energises=powers and not again,
            mains=powers and again,
            live=step.id.startswith("offset"),
            safe=step.id == "discharge",
        )

    chooser = Chooser(needs)
    chooser.go(steps.values())
    left = {out.id: out.reason for out in chooser.left_out}
    if again:
        assert list(left) == ["protection"]
        return
    why = "the supply's own protection cannot be set: the supply answers to nobody"
    assert left["bring_up"] == why
    assert left["offset.left"] == left["discharge"] == f"nothing powers the unit: {why}"
    assert not any(needs.energises for _, needs in chooser.done)


def test_a_rail_may_be_touched_below_two_volts_and_the_caution_says_so() -> None:
    """By meter is common practice, two volts our own choice."""
    assert 0.5 <= DISCHARGED_V <= 2.0
    assert f"below {DISCHARGED_V:g} V by meter" in OFF


def test_a_plan_of_which_nothing_that_is_judged_is_left_powers_nothing(
    planned: Callable[..., Plan], without_generator: str
) -> None:
    """A role that is missing makes a hold that says so, and nothing is switched on for it."""
    plan = planned(TRIP, PROTECT, RAMP, GAIN, bench=without_generator)
    assert not plan.actions
    left = {out.id: out.reason for out in plan.left_out}
    assert left["gain"] == "the bench has no generator"
    assert left["bring_up"] == left["protection"] != left["gain"]
    steps = expand_all(plan.sequence, plan.view.unit)
    with pytest.raises(SeqrunError, match=r"gain: .*the bench has no generator"):
        build(plan.sequence, plan.view, steps, only_complete=True)
    assert planned(TRIP, PROTECT, RAMP, GAIN, OFFSET, bench=without_generator).actions


def test_a_unit_of_which_nothing_can_be_judged_is_refused(planned: Callable[..., Plan]) -> None:
    """No other bench could do it: another sequence is wanted, or another sheet."""
    share = (
        '[[step]]\nid = "d"\ndo = "device_current"\nat = "ballast.left.pos.upper.1"\n'
        'limit = { at_most = "1 A" }\n'
    )
    with pytest.raises(SeqrunError, match="none of the sequence's steps that have a limit"):
        planned(TRIP, PROTECT, RAMP, share, unit="demo-integrated")


@pytest.mark.parametrize("role", ["supply", "meter", "scope", "generator"])
def test_the_acceptance_is_planned_with_each_role_missing_and_says_what_it_cannot_do(
    role: str,
) -> None:
    plan, *_ = prepare("acceptance", f"demo:no_{role}", "demo-2x40")
    why = {out.reason for out in plan.left_out}
    assert f"the bench has no {role}" in why
    powered = any(action.needs.energises for action in plan.actions)
    assert powered == (role in ("scope", "generator"))


def test_a_lead_that_a_step_asks_for_is_looked_at_as_those_of_the_bench_file_are(
    planned: Callable[..., Plan],
) -> None:
    plan = planned(TRIP, PROTECT, RAMP, OFFSET, DOWN)
    assert not list(leads.problems(plan.view, plan.actions))
    asks = plan.actions[2]
    for terminal, node in (("scope.1.clip", "out.left"), ("generator.1", "out.left")):
        wrong = replace(asks, needs=replace(asks.needs, hookups=(Hookup(((terminal, node),), ""),)))
        (found,) = leads.problems(plan.view, [*plan.actions, wrong])
        assert found.where == asks.id
        assert node in found.found


SOAK = (
    '[[step]]\nid = "soak"\ndo = "soak"\nambient = "room"\nat_most = "10 min"\n'
    'limit = { at_most = "40 K" }\n'
)
ROOM = '[[step]]\nid = "room"\ndo = "temperature"\nat = "sensor.ambient"\n'


def test_a_step_that_names_another_by_its_id_goes_with_it(planned: Callable[..., Plan]) -> None:
    parts = (TRIP, PROTECT, RAMP, ROOM, SOAK, OFFSET, DOWN)
    assert planned(*parts).left_out == ()
    left = {o.id: o.reason for o in planned(*parts, bench="demo:two_wire_meter").left_out}
    assert "four wires" in left["room"] or "four-wire" in left["room"]
    steps = {a.id: a.step for a in planned(*parts).actions}

    def needs(step: Step) -> Needs:
        if step.id == "room":
            raise NotOnThisBench(Needs(), BenchLacks("no sensor is there"))
        return Needs()

    chooser = Chooser(needs)
    chooser.go(steps.values())
    assert {out.id: out.reason for out in chooser.left_out} == {
        "room": "no sensor is there",
        "soak": "it needs 'room', which is left out",
    }


def test_a_step_that_reads_nothing_is_not_done_by_a_name_of_its_own(
    planned: Callable[..., Plan],
) -> None:
    tell = '[[step]]\nid = "say"\ndo = "tell"\ntext = "hello"\n'
    plan = planned(TRIP, PROTECT, RAMP, tell, OFFSET, DOWN)
    say = next(a.step for a in plan.actions if a.id == "say")
    (made,) = say.nothing("nobody is there")
    assert (made.reading.quantity, made.reading.value) == ("step_done", None)
    assert made.reading.note == "nobody is there"
    offset = next(a.step for a in plan.actions if a.id == "offset.left")
    (undeclared,) = (a.step.judges[0] for a in plan.actions if a.id == "discharge")
    with pytest.raises(TypeError, match="which it has not declared"):
        offset.not_measured(undeclared, "for no reason")


@pytest.mark.parametrize("asked", ["needs", "leans_on"])
@pytest.mark.parametrize("raised", [ValueError("math domain error"), ZeroDivisionError()])
def test_figures_that_no_arithmetic_can_be_done_with_are_refused_with_their_keys(
    planned: Callable[..., Plan], monkeypatch: pytest.MonkeyPatch, asked: str, raised: Exception
) -> None:
    step = next(a.step for a in planned(TRIP, PROTECT, RAMP, OFFSET).actions if a.limit)

    def impossible(*_: object) -> Needs:
        raise raised

    monkeypatch.setattr(type(step), asked, impossible)
    with pytest.raises(SeqrunError) as refused:
        planned(TRIP, PROTECT, RAMP, OFFSET, DOWN)
    assert "'dc_voltage' cannot be worked out with its figures: " in str(refused.value)
    assert "offset.left" in str(refused.value)


@pytest.mark.parametrize(("watts", "needs_a_load"), [("0.1 W", False), ("0.12 W", True)])
def test_a_tenth_of_a_watt_may_go_into_a_load_that_nobody_has_measured(
    planned: Callable[..., Plan], watts: str, needs_a_load: bool
) -> None:
    hold = f'[[step]]\nid = "h"\ndo = "hold_power"\npower = "{watts}"\nfor = "10 s"\n'
    if not needs_a_load:
        assert planned(TRIP, PROTECT, RAMP, hold, OFFSET, DOWN).actions
        return
    with pytest.raises(SeqrunError, match="which no step has measured"):
        planned(TRIP, PROTECT, RAMP, hold, OFFSET, DOWN)
    planned(TRIP, PROTECT, LOADS, RAMP, hold, OFFSET, DOWN)


def test_a_limit_by_a_figure_that_the_sheet_does_not_tell_is_left_out_for_the_units_sake(
    planned: Callable[..., Plan], closed_sheet: Callable[[str], str]
) -> None:
    idle = (
        '[[step]]\nid = "idle"\ndo = "supply_current"\nlimit = { at_most = "9 * idle_current" }\n'
    )
    part = planned(TRIP, PROTECT, RAMP, idle, OFFSET, DOWN, unit=closed_sheet("unknown"))
    (out,) = part.left_out
    assert (out.id, out.of_unit) == ("idle", True)
    assert isinstance(out.error, UnitLacks)
    assert out.error.expected == "a figure for 'idle_current' in the unit sheet"


def test_a_quantity_is_called_by_its_title_or_else_by_its_name() -> None:
    words = ("What it is.", "How it is read.", "What fools it.")
    assert Measurand("dc_offset", "V", *words).title == "dc offset"
    assert Measurand("dc_offset", "V", *words, title="DC offset").title == "DC offset"
    for wrong in (("DC", "V", *words), ("dc", "furlong", *words), ("dc", "V", "What", *words[1:])):
        with pytest.raises(TypeError):
            Measurand(*wrong)
