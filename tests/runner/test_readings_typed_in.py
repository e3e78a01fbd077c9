"""What an operator types is a reading that the instrument can have shown, or it is asked again."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import Interrupted, NotMeasured
from seqrun.instruments.desk import Impossible, Question, Typed
from seqrun.quantity import render
from seqrun.runner.hands import Assumed, Operator

VOLTS = Question("meter", "meter: DC volts", "V", (0.06, 0.6, 6.0, 60.0, 600.0))
OHMS = Question("meter", "meter: ohms", "Ω", (600.0, 6e3), signed=False)
LAMP = Question("", "does the lamp stay bright?", "")


def _asked(question: Question, *typed: str) -> tuple[Typed, list[str], list[str]]:
    """What is taken of what is typed, the texts shown, and what happened in order."""
    answers, shown, order = list(typed), list[str](), list[str]()

    def ask(prompt: str) -> str:
        order.append("ask")
        shown.append(prompt)
        return answers.pop(0)

    def fresh() -> None:
        order.append("fresh")

    taken = Operator(ask, shown.append, fresh).read_by_hand(question)
    assert not answers, answers
    return taken, shown, order


def test_a_reading_is_kept_once_it_was_seen_again() -> None:
    taken, shown, _ = _asked(VOLTS, "31.2 mV", "")
    assert taken == Typed(pytest.approx(0.0312))
    assert any("31.2 mV: Enter to keep it" in text for text in shown)


def test_a_reading_is_corrected_until_it_is_kept() -> None:
    taken, _, _ = _asked(VOLTS, "312 V", "31.2 mV", "-31.2 mV on 60 mV", "")
    assert taken == Typed(pytest.approx(-0.0312), 0.06)


@pytest.mark.parametrize(
    ("question", "wrong", "why"),
    [
        (VOLTS, "31.2", "no unit"),
        (VOLTS, "31.2 mA", "a current"),
        (VOLTS, "31,2 mV", "comma"),
        (VOLTS, "1.2 kV", "more than its largest range"),
        (VOLTS, "1.2 V on 600 mV", "more than that range"),
        (VOLTS, "1.2 V on 20 V", "no range of 20 V"),
        (VOLTS, "nan V", "number"),
        (OHMS, "-3 Ω", "below zero"),
        (LAMP, "perhaps", "neither yes nor no"),
        (Question("t", "sink", "°C"), "-300 °C", "colder"),
        (Question("t", "sink", "°C"), "31 K", "a temperature"),
    ],
)
def test_what_cannot_be_is_asked_again(question: Question, wrong: str, why: str) -> None:
    right = {"V": "1 mV", "Ω": "3 Ω", "": "n", "°C": "31 °C"}[question.unit]
    _, shown, _ = _asked(question, wrong, right, "")
    assert any(why in text for text in shown), shown


def test_the_question_is_shown_again_and_explained() -> None:
    _, shown, _ = _asked(VOLTS, "?", "r", "", "1 V", "")
    assert sum(text.startswith("READ  ") for text in shown) == 3
    assert any("q ends the run" in text and "60 mV" in text for text in shown)


def test_more_than_the_unit_can_have_is_looked_at_again() -> None:
    likely = replace(VOLTS, likely=78.0)
    _, shown, _ = _asked(likely, "312 V", "31.2 V", "")
    assert [text for text in shown if text.startswith("LOOK AGAIN")] == [
        "LOOK AGAIN  312 V is more than 78 V, which nothing here should exceed."
    ]


@pytest.mark.parametrize("typed", [("q",), ("1 V", "q")])
def test_q_ends_the_run(typed: tuple[str, ...]) -> None:
    with pytest.raises(Interrupted):
        _asked(VOLTS, *typed)


@pytest.mark.parametrize("typed", ["-", "OL", "0.L", "overload"])
def test_what_cannot_be_read_is_not_measured(typed: str) -> None:
    with pytest.raises(NotMeasured):
        _asked(VOLTS, typed)


def test_keys_typed_ahead_answer_no_prompt() -> None:
    _, _, order = _asked(VOLTS, "1.2", "1 V", "")
    assert order == ["fresh", "ask"] * 3


def test_nobody_reads_with_yes() -> None:
    with pytest.raises(NotMeasured):
        Assumed(lambda _: None, {}).read_by_hand(VOLTS)


def test_a_terminal_that_closes_ends_the_run() -> None:
    def gone(_: str) -> str:
        raise EOFError

    with pytest.raises(Interrupted):
        Operator(gone, lambda _: None).read_by_hand(VOLTS)


@given(st.integers(-599_000_000, 599_000_000))
def test_what_is_shown_is_read_as_it_is_written(microvolts: int) -> None:
    value = microvolts / 1e6
    shown = render(value, "V", digits=9)
    assert VOLTS.understand(shown).value == pytest.approx(value, rel=1e-6, abs=1e-11)


@given(st.text(max_size=40))
def test_whatever_is_typed_is_taken_or_refused(text: str) -> None:
    check: Callable[[str], Typed] = VOLTS.understand
    with suppress(Impossible, NotMeasured):
        assert abs(check(text).value) <= 600.0
