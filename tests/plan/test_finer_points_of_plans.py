"""The plan: what it leaves out and why, which outputs of a supply count, what it may be asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

import demo_sim
from seqrun.errors import BenchLacks, SeqrunError, UnitLacks, UsageError
from seqrun.files.sequence.expand import expand_all
from seqrun.files.unit.sheet import load_unit
from seqrun.plan import by_hand, leads, protection
from seqrun.plan.actions import HOOKUP_SECONDS, Plan
from seqrun.plan.build import build
from seqrun.plan.contract import Step
from seqrun.plan.leaving_out import Chooser, NotOnThisBench
from seqrun.plan.measurand import Measurand
from seqrun.plan.needs import Hookup, Needs
from seqrun.plan.outlook import outlooks
from seqrun.plan.view import BenchView
from seqrun.runner.preparation import prepare

HEAD = 'title = "T"\nrevision = "A"\n'
TRIP = '[[trip]]\nquantity = "supply_current"\nabove = "3 A"\n'
PROTECT = """
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "1.5 * supply_at_rated_power"
"""
LOADS = '[[step]]\nid = "loads"\ndo = "load_resistance"\n'
RAMP = """
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
healthy_current = "3 * supply_idle"
running_limit = "1 A"
"""
OFFSET = """
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
"""
GAIN = '[[step]]\nid = "gain"\ndo = "gain"\nlimit = { between = ["28 dB", "30 dB"] }\n'
DOWN = '[[step]]\nid = "discharge"\ndo = "power_down"\nlimit = { at_most = "2 V" }\n'
NO_GENERATOR = (
    '[instrument.generator]\nresource = "TCPIP0::generator.demo::INSTR"\n'
    'driver = "generic-generator"\nserial = "GE0001"\ncalibrated = 2026-03-03\n'
)


@pytest.fixture
def planned(tmp_path: Path) -> Callable[..., Plan]:
    def plan(*parts: str, bench: str = "demo", unit: str = "demo-2x40") -> Plan:
        path = tmp_path / "sequence.toml"
        path.write_text(HEAD + "".join(parts), encoding="utf-8")
        return prepare(str(path), bench, unit)[0]

    return plan


@pytest.fixture
def bench(tmp_path: Path) -> Callable[..., str]:
    def write(*changes: tuple[str, str]) -> str:
        unit = "demo-2x40"
        text = demo_sim.open_bench(load_unit(unit).plain(), unit_sheet=unit).bench_toml()
        for was, becomes in changes:
            assert was in text
            text = text.replace(was, becomes)
        path = tmp_path / "bench.toml"
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write


@pytest.fixture
def without_generator(bench: Callable[..., str]) -> str:
    leads = "".join(
        f'[[lead]]\nfrom = "generator.{n}"\nto = "in.{channel}"\n\n'
        for n, channel in ((1, "left"), (2, "right"))
    )
    return bench((NO_GENERATOR, ""), (leads, ""))


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


def test_hands_take_their_time_for_each_hookup(planned: Callable[..., Plan]) -> None:
    plan = planned(TRIP, PROTECT, RAMP, OFFSET, DOWN)
    assert len(plan.hookups) >= 2
    assert plan.seconds(by_hand=True) == plan.seconds() + HOOKUP_SECONDS * len(plan.hookups)
    assert plan.seconds(1) == plan.seconds() - plan.actions[0].needs.seconds


def test_leads_that_stay_and_leads_that_move_are_all_the_leads(
    planned: Callable[..., Plan],
) -> None:
    plan = planned(TRIP, PROTECT, RAMP, OFFSET, DOWN)
    assert {"meter.hi", "meter.lo"} & set(plan.moving)
    assert "supply.1.pos" in plan.standing
    assert not set(plan.moving) & set(plan.standing)
    assert all(len(nodes) > 1 for nodes in plan.moving.values())


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


CLOSED = """
model = "Closed 2x40"
channels = ["left", "right"]
topology = "single_ended"
rails = "split"
rail_voltage = "30 V"
rated_power = "40 W"
rated_load = "8 Ω"
gain = "29 dB"
output_devices = 2
ballast = "not accessible"
idle_current = "20 mA"
supply_idle = "110 mA"
sink_rise_limit = "40 K"
"""
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
    planned: Callable[..., Plan], without_generator: str, tmp_path: Path, waits: str, of_unit: bool
) -> None:
    sheet = tmp_path / "closed.toml"
    sheet.write_text(CLOSED, encoding="utf-8")
    step = OFFSET + f"only_if = {waits}\n"
    part = planned(TRIP, PROTECT, RAMP, IDLE, GAIN, step, DOWN, bench=without_generator,
                   unit=str(sheet))  # fmt: skip
    left = {out.id: out.of_unit for out in part.left_out}
    assert left["cold.left.upper.1"] is True
    assert left["gain"] is False
    assert left["offset.left"] is of_unit


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


def test_a_plan_of_which_nothing_that_is_judged_is_left_is_refused(
    planned: Callable[..., Plan], without_generator: str
) -> None:
    with pytest.raises(SeqrunError) as refused:
        planned(TRIP, PROTECT, RAMP, GAIN, bench=without_generator)
    assert "can do none of the sequence's steps that have a limit" in str(refused.value)
    assert "left out: gain: the bench has no generator" in str(refused.value)
    planned(TRIP, PROTECT, RAMP, GAIN, OFFSET, bench=without_generator)


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
    assert "'dc_voltage' cannot be done with its figures: " in str(refused.value)
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
    planned: Callable[..., Plan], tmp_path: Path
) -> None:
    sheet = tmp_path / "closed.toml"
    sheet.write_text(CLOSED.replace('"20 mA"', '"unknown"'), encoding="utf-8")
    idle = (
        '[[step]]\nid = "idle"\ndo = "supply_current"\nlimit = { at_most = "9 * idle_current" }\n'
    )
    part = planned(TRIP, PROTECT, RAMP, idle, OFFSET, DOWN, unit=str(sheet))
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
