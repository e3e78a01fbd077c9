"""What a run does around each of its steps: who is told, what may be read again, what counts."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import ClassVar

import pytest
from pytest_mock import MockerFixture
from uncertainties import ufloat

from seqrun.errors import NotMeasured
from seqrun.instruments.supply import DrivenSupply
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.needs import Hookup
from seqrun.record.table import LOCK_TIMEOUT_S
from seqrun.runner.again import AT_WORD, WRONG_CLIP
from seqrun.runner.earlier import Earlier
from seqrun.runner.engine import LOCKED_S, Engine
from seqrun.runner.events import BenchNow, Watcher
from seqrun.runner.opening import VirtualHands
from seqrun.steps.powering import PowerDown
from seqrun.steps.temperature import Temperature
from seqrun.values import Reading, Verdict

ROOM = '[[step]]\nid = "room"\ndo = "temperature"\nat = "sensor.ambient"\n'
SINK = '[[step]]\nid = "sink"\ndo = "temperature"\nat = "sensor.sink"\n'
DOWN = '[[step]]\nid = "discharge"\ndo = "power_down"\n'
WARM, HOT = 'limit = { at_most = "60 °C" }\n', 'limit = { at_least = "200 °C" }\n'
ENDS = "stop_if_failed = true\nstop_if_not_measured = true\n"

Done = Callable[..., Engine]


class Looking(VirtualHands):
    """Hands that look at a lead as often as they are asked to, until ``patience`` is over."""

    looks = True
    patience: ClassVar[int] = 1
    told: ClassVar[list[str]] = []

    def again(self, text: str) -> bool:
        self.told.append(text)
        return len(self.told) <= self.patience


@pytest.fixture
def looking() -> type[Looking]:
    Looking.told.clear()
    return Looking


def test_whoever_watches_sees_the_bench_as_each_step_finds_it(
    done: Done, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A step that waits for nothing and moves no lead shows it as well."""
    seen: list[str] = []

    class Page(Watcher):
        def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
            seen.append(f"{index} {step_id}")

        def bench(self, now: BenchNow) -> None:
            seen.append("live" if now.live else "off")

    engine = done(SINK + ROOM)
    monkeypatch.setattr(Temperature, "perform", lambda self, ctx: iter(()))
    engine.connect(*engine.plan.actions[0].needs.hookups)
    engine.watcher = Page()
    assert engine._one(0) == 1
    assert seen == ["0 sink", "off"]


# --- a reading that looks like a lead on a wrong place -------------------------------------------


def test_what_a_reading_was_that_would_end_the_run_is_told_to_whoever_may_have_slipped(
    done: Done, looking: type[Looking]
) -> None:
    """Its number, where there is one; that it was read again is on record."""
    engine = done(SINK + HOT + ENDS + ROOM, hands=looking)
    read = [j for j in engine.judged if j.quantity != "read_again"]
    assert [j.verdict for j in read] == [Verdict.FAIL], "the first no longer counts"
    assert len(looking.told) == 2
    for text in looking.told:
        assert re.match(r"LOOK  sink: 2\d\.\d\d? °C\n", text), text
    (marker,) = (j for j in engine.judged if j.quantity == "read_again")
    assert marker.note.startswith(WRONG_CLIP)
    assert engine.stopped_at == "sink"
    assert "room" not in {j.step for j in engine.judged}


@pytest.mark.parametrize("reads", ["a pass", "beside the limit", "of a charged unit"])
def test_nobody_is_asked_about_a_reading_that_ends_no_run(
    done: Done, looking: type[Looking], monkeypatch: pytest.MonkeyPatch, reads: str
) -> None:
    """A charged unit's leads are nothing to be seen to."""

    def perform(self: Temperature, ctx: Context) -> Iterator[Yielded]:
        if reads == "of a charged unit":
            monkeypatch.setattr(ctx, "_charged", True)
        if reads == "beside the limit":
            yield Yielded(Reading("note", "", None, note="nothing to see"), None, False)
        celsius = 900.0 if reads == "of a charged unit" else 20.0
        yield self.reading(self.judges[0], ufloat(celsius, 0.1))

    monkeypatch.setattr(Temperature, "perform", perform)
    done(SINK + WARM + ENDS, hands=looking)
    assert looking.told == []


def test_nobody_is_asked_about_what_could_not_be_read_again(
    done: Done, looking: type[Looking], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bringing the unit down is done once, whatever it reads."""

    def perform(self: PowerDown, ctx: Context) -> Iterator[Yielded]:
        yield self.reading(self.judges[0], ufloat(9.0, 0.1))

    monkeypatch.setattr(PowerDown, "perform", perform)
    engine = done(DOWN + 'limit = { at_most = "2 V" }\n' + ENDS, hands=looking)
    assert looking.told == []
    assert [j.verdict for j in engine.judged] == [Verdict.FAIL]


# --- what counts after it was read again ---------------------------------------------------------


def test_what_was_set_aside_is_asked_about_no_more_and_told_once(done: Done) -> None:
    engine = done(SINK + HOT)
    (action,), was = engine.plan.actions, list(engine.judged)
    engine._charged = True
    engine._set_aside(action, AT_WORD)
    assert engine._verdicts["sink"] == [Verdict.NONE], "what waits for it waits again"
    engine.judged += was
    engine._set_aside(action, AT_WORD)
    assert len(engine.against) == 1
    assert "comes and goes" in engine.against[0]
    assert [j.value for j in engine.judged] == [1.0, 1.0], "each marker counts what it set aside"
    assert engine.notes == [f"sink: {AT_WORD}"] * 2


def test_a_pass_of_a_powered_unit_may_be_read_again_and_of_another_step_nothing_is_set_aside(
    done: Done,
) -> None:
    engine = done(SINK + WARM + ROOM + HOT)
    engine._charged = True
    engine._set_aside(engine.plan.actions[0], AT_WORD)
    assert engine.against == []
    assert [(j.step, j.quantity) for j in engine.judged] == [
        ("room", "ambient_temperature"),
        ("sink", "read_again"),
    ]


def test_leads_of_what_is_read_again_are_asked_for_once_more_and_those_that_stand_are_not(
    done: Done,
) -> None:
    engine = done(SINK + ROOM)
    room, standing = engine.plan.actions[1], ("supply.1.pos", "rail.pos")
    moved = {terminal for hookup in room.needs.hookups for terminal in hookup.terminals}
    assert moved <= engine.where.keys()
    both = (*room.needs.hookups, Hookup((standing,), "the supply"))
    engine._set_aside(replace(room, needs=replace(room.needs, hookups=both)), AT_WORD)
    assert not moved & engine.where.keys()
    assert standing in engine.where.items()


# --- what a step may be done on ------------------------------------------------------------------


def _does(engine: Engine, **needs: bool) -> str:
    """What the only step of the run says on record when it needs this; nothing: it was done."""
    action = engine.plan.actions[0]
    engine.judged.clear()
    engine._do(replace(action, needs=replace(action.needs, hookups=(), **needs)))
    return "".join(j.note for j in engine.judged if j.verdict is Verdict.NOT_MEASURED)


def test_a_step_for_a_dead_unit_is_done_on_no_charged_one_and_one_for_a_live_one_on_no_dark_one(
    done: Done, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = done(SINK + WARM)
    assert _does(engine, dead=True) == ""
    assert _does(engine, live=True) == "the rails were not seen to come up"
    engine._charged = True
    assert _does(engine, dead=True) == "the unit was not seen to be discharged"
    assert _does(engine) == ""


@pytest.mark.parametrize("powers", ["energises", "mains", ""])
def test_a_step_that_powers_the_unit_has_it_up_when_it_ends(
    done: Done, monkeypatch: pytest.MonkeyPatch, powers: str
) -> None:
    engine = done(ROOM)
    monkeypatch.setattr(Temperature, "perform", lambda self, ctx: iter(()))
    _does(engine, **({powers: True} if powers else {}))
    assert engine.seen_up is bool(powers)
    _does(engine)
    assert engine.seen_up is bool(powers), "and it stays up"


def test_after_a_step_that_reads_a_powered_unit_nothing_is_measured_and_nothing_observed(
    done: Done, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = done(ROOM)
    engine.seen_up = True
    at_work: list[bool] = []

    def perform(self: Temperature, ctx: Context) -> Iterator[Yielded]:
        at_work.append(engine._measures)
        engine.observe("supply_current", 1.0)
        assert engine.observed("supply_current") == 1.0
        yield from ()

    monkeypatch.setattr(Temperature, "perform", perform)
    _does(engine, live=True)
    assert at_work == [True]
    assert not engine._measures
    assert engine.observed("supply_current") is None


def test_a_pause_before_a_unit_was_seen_to_be_discharged_counts_against_a_charged_one(
    done: Done, mocker: MockerFixture
) -> None:
    """It is asked once more before the unit counts as discharged."""
    engine = done(DOWN)
    mocker.patch.object(type(engine.clock), "virtual", False)
    mocker.patch.object(engine.pulse, "gap", return_value=25.0)
    mocker.patch.object(PowerDown, "perform", lambda self, ctx: iter(()))
    engine._charged = True
    _does(engine)
    assert len(engine.against) == 1
    assert not engine.charged


@pytest.mark.parametrize("live", [True, False])
def test_a_reading_at_which_the_supply_limits_is_none_though_nothing_was_waited_for(
    done: Done, mocker: MockerFixture, live: bool
) -> None:
    engine = done(ROOM)
    engine.live, engine._measures = live, True
    mocker.patch.object(DrivenSupply, "constant_current", return_value=True)
    mocker.patch.object(DrivenSupply, "current_raw", return_value=0.1)
    found = engine._unless_limited(Yielded(Reading("gain", "dB", 29.0), ufloat(29.0, 0.1), True))
    assert (found.value is None) is live
    assert found.judged
    assert found.reading.note.startswith("the bench supply limits at 100 mA") is live


def test_a_rail_has_to_stay_near_what_it_was_when_the_unit_was_powered_and_no_later(
    done: Done, mocker: MockerFixture
) -> None:
    engine = done(ROOM)
    volts = mocker.patch.object(DrivenSupply, "voltage", return_value=ufloat(30.0, 0.01))
    _does(engine, energises=True)
    assert engine._limiting._at_first == dict.fromkeys(engine.view.fed_rails, 30.0)
    volts.return_value = ufloat(15.0, 0.01)
    _does(engine)
    assert engine._limiting._at_first == dict.fromkeys(engine.view.fed_rails, 30.0)


def test_a_step_begins_with_every_probe_at_home_and_no_word_of_a_limit_before_it(
    done: Done,
) -> None:
    engine = done(ROOM)
    home = engine.view.fixed["scope.1"]
    engine.connect(Hookup((("scope.1", "rail.pos"),), "probe to the rail"))
    engine._limiting.told = "the bench supply limits at 1 A"
    assert _does(engine) == ""
    assert engine.where["scope.1"] == home
    assert engine._limiting.told == ""


def test_after_a_fail_that_ends_the_measuring_the_unit_is_brought_down_however_much_was_left(
    done: Done,
) -> None:
    for between in ("", ROOM, ROOM + ROOM.replace('"room"', '"again"')):
        engine = done(SINK + HOT + ENDS + between + DOWN)
        assert [j.step for j in engine.judged][:1] == ["sink"]
        assert {j.step for j in engine.judged} == {"sink", "discharge"}


def test_what_is_left_out_and_reads_nothing_makes_no_row_and_is_missed_with_its_reason(
    done: Done, mocker: MockerFixture
) -> None:
    two_wires = '[[step]]\nid = "loads"\ndo = "load_resistance"\nlimit = { at_most = "9 Ω" }\n'
    mocker.patch.object(Temperature, "quantities", ())
    engine = done(two_wires + SINK, bench="demo:two_wire_meter")
    assert {j.step for j in engine.judged} == {"loads"}
    assert any(note.startswith("left out") and "sink" in note for note in engine.notes)
    with pytest.raises(NotMeasured, match="'sink' has no reading: the meter has no command"):
        engine.measured("sink")


@pytest.mark.parametrize("limits", [1, 2])
def test_every_rail_is_looked_at_for_a_supply_that_limits_or_has_let_go(
    done: Done, mocker: MockerFixture, limits: int
) -> None:
    engine = done(ROOM)
    rail = {output: rail for rail, output in engine.view.fed_rails.items()}[limits]
    mocker.patch.object(DrivenSupply, "constant_current", lambda supply, n: n == limits)
    engine._limiting.look(engine.supply)
    assert f"{rail} is at" in engine._limiting.told
    volts = mocker.patch.object(DrivenSupply, "voltage", return_value=ufloat(30.0, 0.01))
    mocker.patch.object(DrivenSupply, "enabled", return_value=True)
    engine._limiting.came_up(engine.supply)
    for share, fell in ((0.91, False), (0.89, True)):
        sagged = {n: ufloat(30.0 * (share if n == limits else 1.0), 0.01) for n in (1, 2)}
        volts.side_effect = sagged.__getitem__
        assert engine._limiting.fell(engine.supply).startswith(f"{rail} is at") is fell


def test_of_several_readings_of_a_name_one_that_is_missing_is_missed() -> None:
    """A mean of those that were made would be passed off as that of all."""
    earlier, right = Earlier(), Reading("gain", "dB", 29.0)
    earlier.add("gain.left", right, ufloat(29.0, 0.1))
    assert len(earlier.measured("gain")) == 1
    earlier.lost("gain.right", "no tone")
    with pytest.raises(NotMeasured, match="'gain' has no reading: no tone"):
        earlier.measured("gain")
    assert len(earlier.measured("gain.left")) == 1
    with pytest.raises(NotMeasured, match="it was not reached"):
        earlier.measured("balance")


@pytest.mark.parametrize("charged", [True, False])
def test_with_power_on_nothing_waits_for_another_program_s_lock_for_long(
    done: Done, mocker: MockerFixture, charged: bool
) -> None:
    engine = done(ROOM)
    written = mocker.patch.object(type(engine.record), "reading")
    engine._charged = charged
    engine._on_record(engine.judged[0])
    patience = written.call_args.kwargs["patience"]
    assert patience.seconds == (LOCKED_S if charged else LOCK_TIMEOUT_S)
    assert LOCKED_S < LOCK_TIMEOUT_S


def test_what_a_resumed_run_keeps_of_a_step_is_on_record_with_its_facts(
    done: Done, mocker: MockerFixture
) -> None:
    engine = done(ROOM + SINK)
    rows, engine.judged, engine.facts = engine.judged, [], {"fits": {"soak": {"tau_s": 600.0}}}
    engine.reached.clear()
    engine.resumed = mocker.Mock()
    engine.resumed.take_over.return_value = {"fits": {"room": {"tau_s": 1.0}}, "x": {"room": 2}}
    engine._index = 0
    assert engine._keep_rows(engine.plan.actions[0], rows[:1]) == 1
    assert engine.judged == rows[:1]
    assert engine.facts == {
        "fits": {"soak": {"tau_s": 600.0}, "room": {"tau_s": 1.0}},
        "x": {"room": 2},
    }
    assert (engine.reached, engine._last_read) == ({"room"}, None)
