"""The self-check of instruments that do not do what they are told: each says what came instead."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.errors import InstrumentRefused, NoResult
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.instruments.interpreter import Call
from seqrun.instruments.selfcheck import (
    SENT_ONLY,
    Check,
    Tap,
    Trial,
    _paths,
    _switch,
    handshake,
    self_check,
)
from seqrun.values import normal


def wrong(instrument: Any) -> dict[str, Check]:
    """What a self-check finds that is not as it should be."""
    tap = Tap()
    instrument._link.listen(tap)
    return {one.operation: one for one in self_check(instrument, tap) if not one.ok}


@pytest.fixture
def supply(bench: Any) -> Any:
    """One with nothing on its terminals, as a self-check wants it."""
    for terminal in ("1.pos", "1.neg", "2.pos", "2.neg"):
        bench.demo.world.disconnect(f"supply.{terminal}")
    return bench.supply


@pytest.fixture
def arriving_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """What has not come by now does not come."""
    monkeypatch.setattr("seqrun.instruments.selfcheck.RISE_S", 0.0)


@pytest.mark.usefixtures("arriving_at_once")
@pytest.mark.parametrize(
    ("what", "answer", "ok"),
    [
        ("voltage", 1.81, True),  # 2 V were set: a tenth is allowed
        ("voltage", 1.79, False),
        ("voltage", 2.21, False),
        ("current", 0.09, True),  # nothing is connected: less than the limit that was set
        ("current", 0.11, False),
        ("current", -0.11, False),
        ("over_voltage_protection", 5.2, True),  # 5 V were set: a twentieth is allowed
        ("over_voltage_protection", 5.3, False),
        ("over_current_protection", 0.52, True),
        ("over_current_protection", 0.47, False),
        ("enabled", False, False),  # it was switched on
        ("constant_current", True, False),
        ("protection_tripped", True, False),
    ],
)
def test_a_supply_that_is_elsewhere_than_it_was_set_is_told_output_by_output(
    supply: Any, monkeypatch: pytest.MonkeyPatch, what: str, answer: Any, ok: bool
) -> None:
    told = answer if isinstance(answer, bool) else normal(answer, 0.01, "read-back")
    monkeypatch.setattr(supply, what, lambda *_: told)
    found = wrong(supply)
    assert list(found) == ([] if ok else [f"{what} 1", f"{what} 2"])


def test_a_supply_that_stays_on_is_told(supply: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supply, "enabled", lambda *_: True)
    assert list(wrong(supply)) == ["enabled"]


def test_an_output_that_takes_a_moment_is_waited_for(
    supply: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    volts = iter([0.0, 1.0, 2.0, 2.0])
    monkeypatch.setattr(supply, "voltage", lambda _: normal(next(volts), 0.01, "read-back"))
    assert wrong(supply) == {}


def test_what_an_instrument_refuses_is_told_with_what_to_do_next(
    bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(*_: Any, **__: Any) -> Any:
        raise InstrumentRefused("error -222", hint="see its manual")

    monkeypatch.setattr(bench.generator, "square", refuses)
    found = wrong(bench.generator)
    assert list(found) == ["square 1", "square 2"]
    assert (found["square 1"].taken, found["square 1"].hint) == ("error -222", "see its manual")
    monkeypatch.setattr(bench.meter, "configure", refuses)
    found = wrong(bench.meter)
    assert all(name.startswith("configure_") for name in found)  # what it would read is of before


def test_a_generator_that_is_on_when_it_should_be_off_and_off_when_on(
    bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench.generator, "enabled", lambda *_: True)
    tap = Tap()
    bench.generator._link.listen(tap)
    tried = [(one.operation, one.ok) for one in self_check(bench.generator, tap)]
    assert [ok for name, ok in tried if name == "enabled 1"] == [True, False]
    monkeypatch.setattr(bench.generator, "enabled", lambda *_: False)
    tried = [(one.operation, one.ok) for one in self_check(bench.generator, tap)]
    assert [ok for name, ok in tried if name == "enabled 1"] == [False, True]


def test_overload_and_a_missing_edge_are_right_answers_and_a_refusal_is_not() -> None:
    trial = Trial("meter", Tap())

    def raises(problem: Exception) -> Callable[[], Any]:
        def ask() -> Any:
            raise problem

        return ask

    trial.may_have_none("read", raises(NoResult("the meter reports overload")))
    trial.may_have_none("read", raises(InstrumentRefused("error -113", hint="look it up")))
    good, bad = trial.checks
    assert (good.ok, good.taken) == (True, "not measured: the meter reports overload")
    assert (bad.ok, bad.taken, bad.hint) == (False, "error -113", "look it up")


@pytest.mark.parametrize(
    ("words", "paths"),
    [
        (
            {"path": {"a in.left": "101", "b in.right": "102"}},
            [("a", "in.left"), ("b", "in.right")],
        ),
        (
            {"terminal": {"t1": "1", "t2": "2", "t3": "3"}, "node": {"n1": "1", "n2": "2"}},
            [("t1", "n1"), ("t2", "n2"), ("t3", "n1")],  # each row and each column once
        ),
        ({"terminal": {"t1": "1"}}, []),
        ({"node": {"n1": "1"}}, []),
        ({}, []),
    ],
)
def test_each_relay_of_a_switch_is_tried_once(
    words: dict[str, dict[str, str]], paths: list[tuple[str, str]]
) -> None:
    class Moved:
        driver = load_driver(find("driver", "generic-switch")).changed(words=words)

        def __init__(self) -> None:
            self.told: list[tuple[str, ...]] = []

        def connect(self, *path: str) -> None:
            self.told.append(path)

        def disconnect(self, *path: str) -> None:
            self.told.append(path)

    switch: Any = Moved()
    assert _paths(switch) == paths
    trial = Trial("switch", Tap())
    _switch(trial, switch)
    assert switch.told == [part for path in paths for part in (path, path[:1])]
    if paths:
        assert [one.ok for one in trial.checks] == [True] * (2 * len(paths))
    else:
        (left_out,) = trial.checks
        assert (left_out.operation, left_out.ok) == ("connect", None)
        assert "names no relay" in left_out.taken


# --- what a check is ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("taken", "ok", "only"),
    [
        (SENT_ONLY, True, True),
        (SENT_ONLY, False, False),
        ("done", True, False),
        (SENT_ONLY, None, False),
    ],
)
def test_what_nothing_came_back_to_has_to_be_seen(taken: str, ok: bool | None, only: bool) -> None:
    assert Check("supply", "enable", ("OUTP ON",), (), taken, ok).only_sent is only


@pytest.mark.parametrize(
    ("result", "shown"),
    [(True, "true"), (False, "false"), (1.23456789, "1.23457"), ("1;0", "1;0"), (None, "done")],
)
def test_a_result_is_given_back_and_shown_in_a_few_characters(result: Any, shown: str) -> None:
    tap = Tap()
    trial = Trial("supply", tap)

    def asked() -> Any:
        for way, text in ((">", "A"), (">", "B?"), ("<", "1"), ("<", "2")):
            tap("supply", way, text)
        return result

    assert trial.do("it", lambda found: found is result, asked) is result
    (check,) = trial.checks
    assert (check.sent, check.came) == (("A", "B?"), ("1", "2"))
    assert (check.taken, check.ok) == (shown, True)
    assert trial.do("it", lambda _: False, asked) is result
    assert trial.checks[-1].ok is False


@pytest.mark.parametrize(
    ("mode", "entries", "taken"),
    [
        ("none", [], "this instrument has none"),
        ("appended", [], "empty"),
        ("appended", ['-113,"a"', '-222,"b"'], '-113,"a"; -222,"b"'),
    ],
)
def test_a_handshake_tells_what_the_error_queue_holds(
    bench: Any, mode: str, entries: list[str], taken: str
) -> None:
    link = bench.supply._link
    link.manners = link.manners.model_copy(update={"error_check": mode})
    link.errors = lambda: entries
    first = handshake("supply", bench.supply.driver, link, Tap())[0]
    assert (first.operation, first.taken, first.ok) == (
        "error queue", taken, None if mode == "none" else True,
    )  # fmt: skip


@pytest.mark.parametrize("answer", [float("nan"), float("inf")])
def test_a_read_back_that_is_no_number_is_not_well(
    bench: Any, monkeypatch: pytest.MonkeyPatch, answer: float
) -> None:
    real = Call.number

    def number(self: Call, *given: Any, **values: Any) -> float:
        real(self, *given, **values)
        return answer

    link, driver = bench.supply._link, bench.supply.driver
    tried = handshake("supply", driver, link, Tap())
    assert all(one.ok for one in tried)
    monkeypatch.setattr(Call, "number", number)
    tried = handshake("supply", driver, link, Tap())
    assert [one.operation for one in tried if not one.ok] == [
        "voltage 1", "current 1", "voltage 2", "current 2",
    ]  # fmt: skip


def test_each_way_of_a_scope_and_each_wave_of_a_generator_is_tried_with_what_it_says(
    bench: Any, mocker: Any
) -> None:
    acquire = mocker.spy(type(bench.scope), "acquire")
    assert wrong(bench.scope) == {}
    ways = [call.kwargs for call in acquire.call_args_list]
    assert {way["points"] for way in ways} == {1000}
    assert [way.get("coupling", "DC") for way in ways] == [*["DC"] * 4, "AC", *["DC"] * 3]
    assert [way.get("averages", 1) for way in ways] == [*[1] * 5, 4, 1, 1]
    assert [way.get("high_resolution", False) for way in ways] == [*[False] * 6, True, False]
    assert [way.get("trigger") for way in ways] == [*[None] * 7, 1]
    assert [call.args[1] for call in acquire.call_args_list] == [
        {n: 0.5} for n in (1, 2, 3, 4, 1, 1, 1, 1)
    ]
    waves = {
        name: mocker.spy(type(bench.generator), name) for name in ("sine", "two_tone", "burst")
    }
    assert wrong(bench.generator) == {}
    given = {
        name: [call.args[1:] for call in spied.call_args_list] for name, spied in waves.items()
    }
    assert given["sine"][:2] == [(1, 1000.0, 0.1), (1, 1000.0, 0.2)]
    assert given["two_tone"] == [(n, 60.0, 0.1, 7000.0, 0.025) for n in (1, 2)]
    assert given["burst"] == [(n, 1000.0, 0.1, 10, 0.1) for n in (1, 2)]
    read = mocker.spy(type(bench.meter), "read")
    assert wrong(bench.meter) == {}
    assert [call.args[1] for call in read.call_args_list] == [1, 3] * 5
