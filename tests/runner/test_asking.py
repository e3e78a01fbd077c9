"""Hookups are asked for in words, one at a time, and only when a lead has to move."""

from __future__ import annotations

import itertools
import os
import sys
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from seqrun.errors import Interrupted, NotMeasured
from seqrun.plan.needs import Hookup
from seqrun.plan.standing import screen, standing_leads
from seqrun.runner.hands import Assumed, Operator
from seqrun.runner.lead_drawing import drawn
from seqrun.runner.preparation import prepare
from seqrun.runner.typed import discard_typed

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


def test_a_question_mark_shows_what_goes_where_as_a_drawing_in_plain_letters() -> None:
    person = Person("?", "")
    Operator(person.ask, person.heard.append).connect(ACROSS, live=False)
    text, told, why = person.heard[1:]
    assert text == "HOOKUP  meter: red to out.left" and told.startswith("+--")
    red, black = (line for line in told.splitlines() if ">o" in line)
    assert red.startswith("| red (HI) ") and red.endswith("o out.left |")
    assert black.startswith("| black (LO) ") and black.endswith("o ground   |")
    assert "The next reading is taken there" in why


@pytest.mark.parametrize(("rows", "shown"), [("60", True), ("24", False)])
def test_standing_leads_are_drawn_where_they_are_confirmed_as_far_as_one_screen_holds_them(
    monkeypatch: pytest.MonkeyPatch, rows: str, shown: bool
) -> None:
    """Where it does not, ? draws them."""
    monkeypatch.setenv("LINES", rows)
    plan, _ = prepare("acceptance", "demo", None)
    person = Person("?", "")
    operator = Operator(person.ask, person.heard.append)
    operator.acknowledge(screen(plan), leads=standing_leads(plan))
    drawing = drawn(standing_leads(plan))
    assert person.heard[0] == screen(plan)
    assert person.heard.count(drawing) == 1 + shown  # at ? in any case
    assert "output 2 - " in drawing
    names = [line.strip("| ").split()[0] for line in drawing.splitlines() if ">o" not in line]
    assert names.count("scope") == 1  # its tips and its clips stand together


@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                ["meter.hi", "scope.1", "supply.2.sense_neg", "x" * 70, "générateur.1"]
            ),
            st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=60),
        ),
        max_size=12,
    )
)
@example([("x" * 70, "n" * 60)])
def test_every_drawing_fits_a_terminal_of_80_columns_and_is_ascii(
    leads: list[tuple[str, str]],
) -> None:
    lines = drawn(leads).splitlines()
    assert len({len(line) for line in lines}) <= 1  # a frame: every line as long as the others
    assert all(line.isascii() and len(line) <= 78 for line in lines)
    assert sum(">o" in line for line in lines) >= len(leads)


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


def test_yes_takes_a_standing_lead_as_made_and_no_lead_as_moved() -> None:
    said: list[str] = []
    hands = Assumed(said.append, {"meter.hi": "out.left", "meter.lo": "ground"})
    hands.connect(ACROSS, live=False)
    assert said
    with pytest.raises(NotMeasured, match="put on rail"):
        hands.connect(Hookup((("meter.hi", "rail.pos"),), "meter to the rail"), live=False)
    with pytest.raises(NotMeasured, match="scope"):
        hands.connect(Hookup((("scope.3", "out.left"),), "a probe"), live=False)
    with pytest.raises(NotMeasured, match="set"):
        hands.turn("volume", "up", False, "turn it up")


def test_a_lead_that_moves_in_the_course_of_the_plan_is_not_standing() -> None:
    plan, _ = prepare("acceptance", "demo", None)
    assert "meter.hi" in plan.moving
    assert "meter.hi" not in plan.standing
    assert plan.standing["supply.1.pos"] == "rail.pos"


def test_what_was_typed_before_a_question_is_thrown_away_before_it_is_shown() -> None:
    order: list[str] = []
    person = Person("", "hm", "")
    hands = Operator(person.ask, order.append, lambda: order.append("fresh"))
    hands.connect(ACROSS, live=True)
    hands.acknowledge("CAUTION")
    assert [text[:7] for text in order] == [
        "fresh", "THE UNI", "HOOKUP ", "fresh", "CAUTION", "fresh", "'hm' is",
    ]  # fmt: skip


def test_nor_does_it_answer_why_something_is_skipped_or_whether_a_lead_was_put_right() -> None:
    order: list[str] = []

    def person(*answers: str) -> Operator:
        rest = list(answers)
        order.clear()
        return Operator(
            lambda prompt: order.append("asked") or rest.pop(0),  # type: ignore[func-returns-value]
            lambda text: order.append("said"),
            lambda: order.append("fresh"),
        )

    with pytest.raises(NotMeasured, match="no such lead"):
        person("s", "", "no such lead").connect(ACROSS, live=False)
    assert order[-4:] == ["fresh", "asked", "fresh", "asked"], "each time that it is asked"
    assert person("?", "k").again("LOOK") is False
    assert order == ["fresh", "said", "asked", "fresh", "said", "asked"]


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is POSIX")
def test_keys_typed_ahead_at_a_terminal_are_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    import pty
    import select

    keyboard, terminal = pty.openpty()
    with os.fdopen(keyboard, "wb", buffering=0) as keys, os.fdopen(terminal) as screen:
        monkeypatch.setattr("sys.stdin", screen)
        keys.write(b"\n" * 12)
        assert select.select([screen], [], [], 5.0)[0]
        discard_typed()
        assert not select.select([screen], [], [], 0.05)[0]
        keys.write(b"q\n")
        assert screen.readline() == "q\n"


def test_a_terminal_that_breaks_while_it_asks_ends_the_run() -> None:
    def broken(_: str) -> str:
        raise OSError(5, "Input/output error")

    with pytest.raises(Interrupted):
        Operator(broken, lambda _: None).connect(ACROSS, live=False)


def test_pulling_the_mains_plug_cannot_be_skipped() -> None:
    person = Person("s", "no time", "")
    Operator(person.ask, person.heard.append).turn("mains", "off", live=True)
    assert person.answers == []  # "s" and the reason were answers that mean nothing; Enter was one
    assert not any("s to skip" in text for text in person.heard)


def test_a_knob_may_be_left_as_it_is_with_a_reason() -> None:
    person = Person("s", "it is broken off")
    with pytest.raises(NotMeasured, match="broken off"):
        Operator(person.ask, person.heard.append).turn("volume", "full", live=False)
