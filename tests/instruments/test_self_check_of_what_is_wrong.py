"""The self-check of instruments that do not do what they are told: each says what came instead."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.errors import InstrumentRefused, NoResult
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.instruments.selfcheck import Check, Tap, Trial, _paths, _switch, self_check
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
