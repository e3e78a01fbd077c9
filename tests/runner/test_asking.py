"""Hookups are asked for in words, one at a time, and only when a lead has to move."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from seqrun.errors import Interrupted, NotMeasured
from seqrun.plan.needs import Hookup
from seqrun.runner.hands import Assumed, Operator
from seqrun.runner.preparation import prepare

ACROSS = Hookup((("meter.hi", "out.left"), ("meter.lo", "ground")), "meter: red to out.left")


class Person:
    """Somebody at the terminal who types what was planned."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.heard: list[str] = []

    def ask(self, prompt: str) -> str:
        if not self.answers:
            raise EOFError
        return self.answers.pop(0)


def test_the_operator_is_told_what_goes_where_and_waited_for() -> None:
    person = Person("")
    Operator(person.ask, person.heard.append).connect(ACROSS, live=False)
    assert person.heard == ["HOOKUP  meter: red to out.left"]


def test_on_a_live_unit_the_warning_comes_before_the_hookup() -> None:
    person = Person("")
    Operator(person.ask, person.heard.append).connect(ACROSS, live=True)
    assert "POWERED" in person.heard[0]
    assert person.heard[1].startswith("HOOKUP")


def test_an_answer_that_means_nothing_is_asked_again() -> None:
    person = Person("what?", "")
    Operator(person.ask, person.heard.append).connect(ACROSS, live=False)
    assert len(person.heard) == 2


@pytest.mark.parametrize("answers", [("q",), ("x", "Q"), ()])
def test_q_or_a_closed_terminal_ends_the_run(answers: tuple[str, ...]) -> None:
    person = Person(*answers)
    with pytest.raises(Interrupted):
        Operator(person.ask, person.heard.append).connect(ACROSS, live=False)


def test_a_hookup_that_is_there_already_is_not_asked_for_again() -> None:
    plan, _ = prepare("acceptance", "demo", None)
    words = [hookup.words for hookup in plan.hookups]
    assert all(a != b for a, b in itertools.pairwise(words))


def test_a_scope_clip_on_an_output_is_refused(tmp_path: Path) -> None:
    import demo_sim
    from seqrun.errors import SeqrunError

    text = demo_sim.open_bench(unit_sheet="demo-2x40").bench_toml()
    bench = tmp_path / "bench.toml"
    clip = 'from = "scope.1.clip"\nto = "ground"'
    assert clip in text
    bench.write_text(text.replace(clip, clip.replace("ground", "out.left")), encoding="utf-8")
    with pytest.raises(SeqrunError, match="clip"):
        prepare("acceptance", str(bench), None)


def test_a_load_that_is_too_small_for_the_power_is_refused(tmp_path: Path) -> None:
    import demo_sim
    from seqrun.errors import UsageError

    text = demo_sim.open_bench(unit_sheet="demo-2x40").bench_toml()
    assert 'power = "100 W"' in text
    bench = tmp_path / "bench.toml"
    bench.write_text(text.replace('power = "100 W"', 'power = "25 W"'), encoding="utf-8")
    with pytest.raises(UsageError, match="25 W"):
        prepare("acceptance", str(bench), None)


def test_yes_does_not_take_a_lead_as_moved() -> None:
    said: list[str] = []
    hands = Assumed(said.append)
    hands.connect(ACROSS, live=False)
    with pytest.raises(NotMeasured, match="move"):
        hands.connect(Hookup((("meter.hi", "rail.pos"),), "meter to the rail"), live=False)
    with pytest.raises(NotMeasured, match="set"):
        hands.turn("volume", "up", False, "turn it up")
