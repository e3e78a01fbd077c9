"""Which steps a run does, which it leaves, and when it ends: without any power."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from seqrun.errors import (
    InstrumentRefused,
    InstrumentSilent,
    Interrupted,
    NotMeasured,
    SeqrunError,
    UsageError,
    WrongInstrument,
)
from seqrun.instruments.meter import DrivenMeter
from seqrun.judge import dispose
from seqrun.plan.actions import Action
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.runner.engine import Engine
from seqrun.runner.events import Watcher
from seqrun.steps.temperature import Temperature
from seqrun.values import Disposition, Judged, Verdict

ROOM = '[[step]]\nid = "room"\ndo = "temperature"\nat = "sensor.ambient"\n'
SINK = '[[step]]\nid = "sink"\ndo = "temperature"\nat = "sensor.sink"\n'
WARM, HOT = 'limit = { at_most = "60 °C" }\n', 'limit = { at_least = "200 °C" }\n'

Done = Callable[..., Engine]


def verdicts(engine: Engine) -> dict[str, Verdict]:
    return {judged.step: judged.verdict for judged in engine.judged}


def disposition(engine: Engine) -> Disposition:
    return dispose(engine.judged, "guarded", None, engine.unreached)[0]


@pytest.mark.parametrize("state", ["passed", "measured", "failed", "not measured"])
def test_a_step_that_waits_for_a_pass_that_never_came_is_missing_and_one_for_the_bad_case_is_not(
    done: Done, state: str
) -> None:
    """A reading without a limit is measured, and neither passed nor failed."""
    engine = done(ROOM + SINK + WARM + f'only_if = "room {state}"\n' + SINK.replace(
        '"sink"', '"other"') + WARM)  # fmt: skip
    assert ("sink" in verdicts(engine)) is (state == "measured")
    assert engine.unreached == (["sink"] if state == "passed" else [])
    assert disposition(engine) is (Disposition.HOLD if state == "passed" else Disposition.ACCEPT)


def test_a_step_for_the_bad_case_is_not_needed_when_nothing_was_bad_whatever_else_it_waits_for(
    done: Done,
) -> None:
    waits = 'only_if = ["room failed", "hot passed"]\n'
    hot = SINK.replace('"sink"', '"hot"') + HOT
    engine = done(ROOM + WARM + hot + SINK + WARM + waits)
    assert "sink" not in verdicts(engine)
    assert engine.unreached == []


def test_whoever_watches_is_told_what_each_step_has_read_as_it_ends(
    done: Done, monkeypatch: pytest.MonkeyPatch
) -> None:
    ended: list[tuple[str, list[Verdict], float]] = []

    def step_ended(self: Watcher, step_id: str, judged: list[Judged], elapsed: float) -> None:
        ended.append((step_id, [j.verdict for j in judged], elapsed))

    monkeypatch.setattr(Watcher, "step_ended", step_ended)
    done(SINK + WARM + ROOM + HOT)
    assert [step for step, _, _ in ended] == ["sink", "room"]
    assert [found for _, found, _ in ended] == [[Verdict.PASS], [Verdict.FAIL]]
    assert 0.0 < ended[0][2] < ended[1][2]


@pytest.mark.parametrize(
    ("key", "limit", "ends"),
    [
        ("stop_if_failed = true\n", HOT, True),
        ("stop_if_failed = true\n", WARM, False),
        ("stop_if_not_measured = true\n", HOT, False),
        ("", HOT, False),
    ],
)
def test_a_fail_ends_the_measuring_where_its_step_says_so(
    done: Done, key: str, limit: str, ends: bool
) -> None:
    engine = done(SINK + limit + key + ROOM + WARM)
    assert (engine.stopped_at == "sink") is ends
    assert ("room" in verdicts(engine)) is not ends
    assert engine.unreached == (["room"] if ends else [])


@pytest.mark.parametrize(("key", "ends"), [("stop_if_not_measured = true\n", True), ("", False)])
def test_so_does_a_reading_that_could_not_be_made(
    done: Done, monkeypatch: pytest.MonkeyPatch, key: str, ends: bool
) -> None:
    def silent(self: DrivenMeter, repeats: int = 1) -> float:
        raise NotMeasured("overload")

    monkeypatch.setattr(DrivenMeter, "read", silent)
    engine = done(SINK + WARM + key + ROOM + WARM)
    assert verdicts(engine)["sink"] is Verdict.NOT_MEASURED
    assert (engine.stopped_at == "sink") is ends
    assert disposition(engine) is Disposition.HOLD


def test_what_is_left_out_is_on_record_as_not_measured_before_anything_is_done(
    done: Done,
) -> None:
    loads = '[[step]]\nid = "loads"\ndo = "load_resistance"\nlimit = { at_most = "9 Ω" }\n'
    engine = done(loads + SINK + WARM, bench="demo:two_wire_meter")
    assert [out.id for out in engine.plan.left_out] == ["sink"]
    assert engine.judged[0].step == "sink"
    assert engine.judged[0].verdict is Verdict.NOT_MEASURED
    assert engine.judged[0].note == engine.plan.left_out[0].reason
    with pytest.raises(NotMeasured, match="'sink' has no reading: the meter has no command"):
        engine.measured("sink")
    assert verdicts(engine)["loads"] is Verdict.PASS
    assert disposition(engine) is Disposition.HOLD


def test_an_interruption_comes_between_two_steps(
    done: Done, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[str] = []

    def do(self: Engine, action: Action) -> None:
        begun.append(action.id)

    def check() -> None:
        if begun:
            raise Interrupted("Ctrl-C")

    monkeypatch.setattr(Engine, "_do", do)
    with pytest.raises(Interrupted):
        done(ROOM + SINK, check)
    assert begun == ["room"]


def test_a_step_that_made_no_reading_for_its_limit_is_not_measured(
    done: Done, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Temperature, "perform", lambda self, ctx: iter(()))
    engine = done(SINK + WARM)
    (missing,) = engine.judged
    assert missing.verdict is Verdict.NOT_MEASURED
    assert missing.note == "the step made no reading that its limit applies to"
    with pytest.raises(NotMeasured, match="'sink' has no reading: the step made no reading"):
        engine.measured("sink")
    assert done(SINK).judged == []


def test_what_is_set_aside_to_be_read_again_leaves_neither_value_nor_time(done: Done) -> None:
    engine = done(SINK + HOT + "stop_if_failed = true\n")
    assert engine.done_at("sink") >= 0.0
    engine._set_aside(engine.plan.actions[0], "at the operator's word")
    for asked in (engine.done_at, engine.measured):
        with pytest.raises(NotMeasured):
            asked("sink")
    assert engine.stopped_at == ""
    assert engine.unreached == ["sink"]
    assert [judged.quantity for judged in engine.judged] == ["read_again"]
    assert engine.against == [], "a unit without power may be read again"
    assert engine.notes == ["sink: at the operator's word"]


@pytest.mark.parametrize(
    ("trouble", "ends"),
    [
        (UsageError("no range of the meter holds it"), False),
        (InstrumentRefused("-222, out of range", where="meter TCPIP0::1"), False),
        (InstrumentRefused("-222, out of range", where="scope TCPIP0::1"), False),
        (InstrumentRefused("-222, out of range", where="supply TCPIP0::1"), True),
        (InstrumentRefused("-222, out of range", where="generator TCPIP0::1"), True),
        (InstrumentRefused("-222, out of range"), True),
        (InstrumentSilent("no answer", where="meter TCPIP0::1"), True),
        (WrongInstrument("another one", where="meter TCPIP0::1"), True),
    ],
)
def test_a_meter_that_cannot_do_it_leaves_a_step_out_and_whatever_is_lost_ends_the_run(
    done: Done, monkeypatch: pytest.MonkeyPatch, trouble: SeqrunError, ends: bool
) -> None:
    def perform(self: Temperature, ctx: Context) -> Iterator[Yielded]:
        if self.id == "sink":
            raise trouble
        return iter(())

    monkeypatch.setattr(Temperature, "perform", perform)
    if ends:
        with pytest.raises(type(trouble)):
            done(SINK + WARM + ROOM + WARM)
        return
    engine = done(SINK + WARM + ROOM + WARM)
    assert engine.judged[0].note == trouble.found
    assert set(verdicts(engine).values()) == {Verdict.NOT_MEASURED}
    assert list(verdicts(engine)) == ["sink", "room"]


POWER = """
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "1.5 * supply_at_rated_power"
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
stages = 2
healthy_current = "5 * supply_idle"
[[step]]
id = "offset"
do = "dc_voltage"
at = "out.left"
"""


def test_a_unit_counts_as_powered_from_the_step_that_powered_it_and_no_later_one(
    done: Done,
) -> None:
    engine = done(POWER)
    assert (engine.live, engine.charged, engine.seen_up) == (True, True, True)
    assert engine.powered_at == pytest.approx(engine.done_at("bring_up"), abs=0.05)
    assert engine.powered_at < engine.done_at("offset") - 0.5
    before = engine.powered_at - engine.rails_up.nominal_value
    assert 0.0 < before < 20.0, "its rails came up within that step"
