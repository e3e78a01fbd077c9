"""The report in a terminal: 80 columns, with colour off, in a pipe, in plain ASCII."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_run import a_row, bad, good, judged
from rich.cells import cell_len

from seqrun.record import RunData
from seqrun.report.run.progress import Progress, clock, step_line
from seqrun.report.run.terminal import budget_table, run_summary
from seqrun.report.shared.rows import Row
from seqrun.report.shared.screen import plain
from seqrun.values import Disposition

Recorded = Callable[..., RunData]


class Screen(io.StringIO):
    """A terminal that a person watches."""

    def isatty(self) -> bool:
        return True


class Pipe(io.TextIOWrapper):
    """A pipe with an encoding of its own."""

    def __init__(self, encoding: str = "utf-8") -> None:
        super().__init__(io.BytesIO(), encoding=encoding)

    def getvalue(self) -> str:
        self.flush()
        buffer = self.buffer
        assert isinstance(buffer, io.BytesIO)
        return buffer.getvalue().decode(self.encoding)


@pytest.fixture
def rejected(recorded: Recorded) -> RunData:
    return recorded(bad(), Disposition.REJECT, "fail: offset.right 212 mV", simulated=True)


def shown(run: RunData, encoding: str = "utf-8") -> str:
    pipe = Pipe(encoding)
    run_summary(run, pipe)
    return pipe.getvalue()


def test_the_terminal_says_what_the_page_says(rejected: RunData) -> None:
    from seqrun.report.run.page import render_page

    text = " ".join(shown(rejected).split())
    page = render_page(rejected)
    for words in (
        "REJECT",
        "212.0 ± 1.1 mV: 162 mV above the limit of 50 mV",
        "Do not hand the unit out. Begin with DC offset, right (offset.right).",
        "SIMULATED",
    ):
        assert words in text
        assert words in page


def test_the_terminal_shows_the_cautions_as_the_page_does(rejected: RunData) -> None:
    told = " ".join(shown(rejected).split())
    assert rejected.facts["cautions"]
    assert all(" ".join(text.split()) in told for text in rejected.facts["cautions"])


def test_no_line_is_wider_than_80_columns(rejected: RunData) -> None:
    for text in (shown(rejected), shown(rejected, "ascii")):
        assert max(cell_len(line) for line in text.splitlines()) <= 80


def test_a_terminal_without_utf_8_gets_plain_ascii(rejected: RunData) -> None:
    text = shown(rejected, "ascii")
    assert "212.0 +- 1.1 mV" in text
    assert "?" not in text.replace("? not meas.", "").replace("? Output power", "")


def test_verdicts_are_words_in_plain_text(rejected: RunData) -> None:
    text = shown(rejected)
    for word in ("pass", "cond. pass", "cond. fail", "FAIL", "not meas."):
        assert word in text


def test_a_pipe_gets_no_escape_sequences(rejected: RunData) -> None:
    assert "\x1b" not in shown(rejected)


def test_no_color_leaves_no_colour_at_a_terminal(
    rejected: RunData, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    screen = Screen()
    run_summary(rejected, screen)
    colours = [f"\x1b[{n}m" for n in range(30, 50)] + ["\x1b[1;31m", "\x1b[1;33m", "\x1b[38;"]
    assert "REJECT" in screen.getvalue()
    assert not any(colour in screen.getvalue() for colour in colours)


def test_budgets_name_each_contribution_with_its_share(rejected: RunData) -> None:
    pipe = Pipe()
    budget_table(rejected, pipe)
    text = pipe.getvalue()
    assert "meter gain, DC voltage 1 V" in text
    assert "64.0 %" in text
    assert max(len(line) for line in text.splitlines()) <= 80


@settings(max_examples=25)
@given(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=90),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=200),
    st.booleans(),
)
def test_a_finished_step_is_one_line_of_at_most_80_columns(
    step: str, note: str, ascii_only: bool
) -> None:
    rows = [a_row(step, value=None, note=note), a_row(step)]
    line = step_line(step, rows, 4000.0, ascii_only).plain
    assert cell_len(line) <= 80
    assert len(line.splitlines()) == 1
    assert not ascii_only or line.isascii()


def test_a_finished_step_shows_its_worst_reading() -> None:
    rows = [Row.of(j) for j in (judged(), judged(value=0.212), judged())]
    line = step_line("offset", rows, 75.0, False).plain
    assert line.startswith("01:15 ✕ offset")
    assert "FAIL" in line
    assert "212.0 ± 1.0 mV" in line
    assert "(+2)" in line


def run_through(progress: Progress) -> None:
    progress.started("20260611-EX", 2, 600.0, True)
    progress.step_started(0, "bring_up", "ramp_supply", 600.0)
    progress.step_progress("stage 3 of 10: 9.0 V", 0.3, 6.0)
    progress.hookup("meter.hi on out.left", True, "virtual hands")
    progress.step_ended("bring_up", [], 20.0)
    progress.step_started(1, "offset.left", "dc_voltage", 580.0)
    progress.step_progress("out.left at 3.1 mV", None, 25.0)
    progress.step_ended("offset.left", [good()[1]], 30.0)


def test_a_pipe_gets_one_line_a_finished_step() -> None:
    pipe = Pipe()
    run_through(Progress(pipe))
    lines = pipe.getvalue().splitlines()
    assert len(lines) == 2
    assert "bring_up" in lines[0]
    assert "3.1 ± 1.0 mV" in lines[1]


def test_a_terminal_shows_step_value_bench_time_and_time_left(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    screen = Screen()
    progress = Progress(screen)
    progress.started("20260611-EX", 2, 600.0, True)
    progress.step_started(0, "bring_up", "ramp_supply", 600.0)
    progress.step_progress("stage 3 of 10: 9.0 V", 0.25, 30.0)
    view = progress._view().plain
    assert "step 1 of 2  bring_up  (ramp supply)" in view
    assert "stage 3 of 10: 9.0 V" in view
    assert "bench time 00:30" in view
    assert "left 09:30" in view
    assert "this step 01:30" in view
    assert "SIMULATED" in view
    assert max(len(line) for line in view.splitlines()) <= 80
    progress.ended(Disposition.ACCEPT, "all met", 2710.0, 5.2)
    assert "45:10 of virtual bench time in 5.2 s" in screen.getvalue()


def test_the_run_lasts_as_long_as_its_step_though_less_was_planned(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    progress = Progress(Screen())
    progress.started("20260611-EX", 2, 600.0, True)
    progress.step_started(0, "heat", "soak", 600.0)
    progress.step_progress("rise 12 K", 0.25, 300.0)
    view = progress._view().plain
    progress.close()
    assert "left 15:00, this step 15:00" in view


def test_a_bench_not_shown_to_be_off_is_told_even_in_a_pipe() -> None:
    pipe = Pipe()
    Progress(pipe).safe(["generator"], ["supply: no answer"])
    assert "SAFE STATE NOT CONFIRMED: supply: no answer" in pipe.getvalue()
    assert "Treat the unit as live" in " ".join(pipe.getvalue().split())


def test_a_question_when_nobody_is_there_is_an_end_of_file(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    with pytest.raises(EOFError):
        Progress(Pipe()).ask("Enter when done: ", lambda: None)


@pytest.mark.parametrize(("seconds", "text"), [(0, "00:00"), (59.6, "01:00"), (3661, "1:01:01")])
def test_time_is_written_as_a_clock(seconds: float, text: str) -> None:
    assert clock(seconds) == text


def test_our_own_signs_have_a_plain_spelling() -> None:
    assert plain("± 3 µV at 8 Ω, ≤ 40 °C") == "+- 3 uV at 8 ohm, <= 40 deg C"


def test_an_escape_sequence_in_an_instruments_answer_cannot_steer_the_terminal() -> None:
    pipe = Pipe()
    progress = Progress(pipe)
    progress.note("meter answered \x1b[2J\x1b]0;title\x07")
    progress.step_ended("a\x1b[31m", [judged(value=None, note="\x1b[2J")], 1.0)
    assert "\x1b" not in pipe.getvalue()
    assert "\x07" not in pipe.getvalue()


def test_while_an_answer_is_awaited_the_rest_is_looked_after(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    reading, writing = os.pipe()
    looks: list[int] = []

    def meanwhile() -> None:
        looks.append(1)
        if len(looks) == 2:
            os.write(writing, b"done\n")

    monkeypatch.setattr("seqrun.report.run.progress._ASK_S", 0.001)
    with os.fdopen(reading, encoding="utf-8") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        assert Progress(Pipe()).ask("Enter when done: ", meanwhile) == "done"
    os.close(writing)
    assert len(looks) >= 2
