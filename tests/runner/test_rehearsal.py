"""A rehearsal asks for everything as on the day, keys too, and the simulated bench follows."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from pytest_mock import MockerFixture
from short_runs import run

from seqrun.errors import Interrupted, UsageError
from seqrun.instruments.link import MessageLog
from seqrun.plan.context import Press
from seqrun.record import load_run
from seqrun.runner.hands import Operator
from seqrun.runner.opening import BenchFiles, OpenBench, open_bench
from seqrun.runner.preparation import prepare
from seqrun.runner.presses import Presses
from seqrun.runner.rehearsal import PacedClock, Rehearsal
from seqrun.values import Disposition

HUNT = """
[[step]]
id = "hunt"
do = "noise_hunt"
at = "out.left"
mode = "operator"
watch = "20 s"
"""


class Person:
    """Somebody who answers each prompt with Enter, and presses keys one after another."""

    def __init__(self, keys: str = "") -> None:
        self.heard: list[str] = []
        self._keys = list(keys)

    def ask(self, prompt: str) -> str:
        self.heard.append(prompt)
        return ""

    @contextmanager
    def presses(self) -> Iterator[Presses]:
        yield lambda: [Press(self._keys.pop(0), 0.0)] if self._keys else []

    def rehearsal(self) -> Rehearsal:
        operator = Operator(self.ask, self.heard.append, lambda: None, self.presses)
        return Rehearsal(operator, self.heard.append)


def test_every_lead_is_asked_for_and_then_moved_by_virtual_hands(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    person, path = Person(), short_sequence()
    outcome = run(tmp_path / "r", path, hands=person.rehearsal())
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    assert person.heard[0].startswith("CAUTIONS")
    assert person.heard[1] == "Enter when read, ? what for, q to end the run: "
    plan, _ = prepare(path, "demo", None)
    asked = [text for text in person.heard if text.startswith("HOOKUP")]
    assert {f"HOOKUP  {hookup.words}" for hookup in plan.hookups} <= set(asked)
    assert any("POWERED" in text for text in person.heard)
    as_usual = run(tmp_path / "u", path)
    assert [j.verdict for j in outcome.judged] == [j.verdict for j in as_usual.judged]


def test_a_bench_without_virtual_hands_is_not_rehearsed_on(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture
) -> None:
    def real(files: BenchFiles, log: MessageLog) -> OpenBench:
        return replace(open_bench(files, log), control=None)

    mocker.patch("seqrun.runner.run.open_bench", real)
    with pytest.raises(UsageError, match="--rehearse asks a person"):
        run(tmp_path / "r", short_sequence(), hands=Person().rehearsal())


def test_the_keys_of_a_hunt_are_pressed_as_on_the_day(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    """Nothing is cut short: q ends the watch long before its 20 s."""
    outcome = run(tmp_path / "r", short_sequence(HUNT), hands=Person("2tq").rehearsal())
    facts = load_run(tmp_path / "r", outcome.run_id).facts
    assert [label for label, _, _ in facts["marks"]["hunt"]] == ["tap part 2"]


class Virtual:
    """A clock that jumps."""

    virtual = True

    def __init__(self) -> None:
        self.at = 100.0

    def now(self) -> float:
        return self.at

    def wait(self, seconds: float) -> float:
        self.at += seconds
        return self.at


def test_while_keys_are_pressed_bench_and_wall_go_together() -> None:
    bench, wall = Virtual(), [0.0]

    def sleep(seconds: float) -> None:
        wall[0] += seconds

    clock = PacedClock(bench, lambda: None, lambda: wall[0], sleep)
    clock.wait(60.0)
    assert wall[0] == 0.0  # soaks jump
    with clock.paced():
        clock.wait(5.0)
        assert wall[0] == pytest.approx(5.0)
        bench.at += 2.0  # an instrument took its time
        clock.now()
        assert wall[0] == pytest.approx(7.0)
        wall[0] += 3.0  # the person thought
        assert clock.now() == pytest.approx(170.0)
        assert bench.at - 160.0 == pytest.approx(wall[0])
    clock.wait(60.0)
    assert wall[0] == pytest.approx(10.0)


def test_a_wait_beside_the_wall_can_be_interrupted() -> None:
    def interrupted() -> None:
        raise Interrupted("Ctrl-C")

    clock = PacedClock(Virtual(), interrupted, lambda: 0.0, lambda _: None)
    with clock.paced(), pytest.raises(Interrupted):
        clock.wait(3600.0)
