"""An answer belongs to one question: not to an earlier one, not twice, and only what was asked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import NotMeasured
from seqrun.instruments.desk import Question
from seqrun.live.asking import PRESSES, Answers, Refused
from seqrun.live.board import COURSE, Board
from seqrun.plan.context import Indication, Key
from seqrun.plan.needs import Hookup
from seqrun.runner.hands import Operator

ACROSS = Hookup((("meter.hi", "out.left"), ("meter.lo", "ground")), "meter: red to out.left")
VOLTS = Question("meter", "set DC volts, read it", "V", (0.06, 6.0, 60.0), likely=40.0)


class Somebody:
    """Answers each question at the page as soon as it stands there."""

    def __init__(self, *answers: str) -> None:
        self.board = Board()
        self.answers = Answers(self.board, lambda: True)
        self.left = list(answers)
        self.ids: list[str] = []
        self.texts: list[str] = []

    def ask(self, line: str) -> str:
        with self.answers.asking(line) as given:
            put = self.board.scene.question
            assert put is not None and given() is None
            self.ids.append(put.id)
            self.texts.append(" / ".join([*put.said, put.asked.text]))
            self.answers.answer(put.id, self.left.pop(0))
            found = given()
            assert found is not None
            return found

    @property
    def operator(self) -> Operator:
        return Operator(self.ask, self.answers.said, lambda: None, self.answers.presses)


def test_a_terminals_drawing_is_not_put_beside_the_pages_own(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("LINES", "60")
    person = Somebody("")
    person.operator.acknowledge("STANDING LEADS\n  meter.hi on out.left", leads=ACROSS.leads)
    assert person.texts == ["STANDING LEADS\n  meter.hi on out.left"]


def test_what_was_answered_before_the_question_stands_does_not_count() -> None:
    person = Somebody("", "")
    person.operator.connect(ACROSS, live=False)
    with pytest.raises(Refused, match="over"):
        person.answers.answer(person.ids[0], "")  # the id of the one before
    with person.answers.asking("again? ") as given:
        with pytest.raises(Refused, match="over"):
            person.answers.answer(person.ids[0], "")
        assert given() is None


def test_a_question_is_answered_once() -> None:
    board = Board()
    answers = Answers(board, lambda: True)
    with answers.asking("which? ") as given:
        put = board.scene.question
        assert put is not None
        answers.answer(put.id, "the first")
        with pytest.raises(Refused):
            answers.answer(put.id, "the second")
        assert given() == "the first"
    assert board.scene.question is None


@given(st.text(max_size=300))
def test_only_what_is_offered_answers_a_question_with_keys(text: str) -> None:
    board = Board()
    answers = Answers(board, lambda: True)

    def ask(line: str) -> str:
        with answers.asking(line) as given:
            put = board.scene.question
            assert put is not None
            if text not in [key.key for key in put.asked.keys]:
                with pytest.raises(Refused):
                    answers.answer(put.id, text)
                assert given() is None
            return ""

    Operator(ask, answers.said, lambda: None).connect(ACROSS, live=False)


@given(st.text(max_size=300))
def test_whatever_is_typed_reaches_the_run_as_one_line_or_not_at_all(text: str) -> None:
    board = Board()
    answers = Answers(board, lambda: True)
    with answers.asking("why? ") as given:
        put = board.scene.question
        assert put is not None
        try:
            answers.answer(put.id, text)
        except Refused:
            assert given() is None
        else:
            assert given() == text and len(text.splitlines()) == 1 and text.isprintable()


def test_a_number_is_typed_doubted_and_kept_at_the_page() -> None:
    person = Somebody("no idea", "55 V", "4.1 mV on 60 mV", "")
    typed = person.operator.read_by_hand(VOLTS)
    assert typed.value == pytest.approx(4.1e-3) and typed.range == pytest.approx(0.06)
    assert "no idea" in person.texts[1]  # what was wrong stands beside the question asked anew
    assert "LOOK AGAIN" in person.texts[2]


def test_a_lead_that_is_skipped_at_the_page_asks_why() -> None:
    person = Somebody("s", "the clip is broken")
    with pytest.raises(NotMeasured, match="the clip is broken"):
        person.operator.connect(ACROSS, live=True)


def test_keys_count_only_while_they_are_offered_and_cannot_pile_up() -> None:
    board = Board()
    answers = Answers(board, lambda: True)
    with pytest.raises(Refused):
        answers.press("t")
    board.change(keys=(Key("t", "tap"),))
    answers.press("t")
    with pytest.raises(Refused):
        answers.press("q")
    with answers.presses() as pressed:  # what was pressed before it began is gone
        assert pressed() == []
        answers.press("t")
        (press,) = pressed()
        assert press.key == "t" and press.ago_s >= 0.0
        assert pressed() == []
        for _ in range(PRESSES):
            answers.press("t")
        with pytest.raises(Refused):
            answers.press("t")


def test_with_nobody_at_page_or_terminal_there_are_no_keys() -> None:
    answers = Answers(Board(), lambda: False)
    with pytest.raises(NotMeasured), answers.presses():
        pass


def test_the_course_of_a_long_soak_stays_short_and_keeps_its_ends() -> None:
    board = Board()
    for second in range(10 * COURSE):
        board.course(Indication("rise", 0.01 * second, "K"), None, float(second))
    course = board.scene.course
    assert len(course) <= COURSE + 1
    assert course[0][0] == 0.0 and course[-1] == (10 * COURSE - 1.0, 0.01 * (10 * COURSE - 1))
    assert [t for t, _ in course] == sorted({t for t, _ in course})
