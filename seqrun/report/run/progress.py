"""Live progress of a run: what is being done, what it waits for, the last value, the time left.

A person at a terminal sees finished steps scroll by above a few lines that move. In a pipe there
is one line for each finished step, and what somebody must know in any case: notes, and instruments
whose safe state could not be confirmed.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TextIO

from seqrun.report.shared.asking import echo
from seqrun.report.shared.cleaned import shown
from seqrun.report.shared.rows import Row
from seqrun.report.shared.screen import STYLES, WIDTH, clean, console, is_ascii, plain
from seqrun.report.shared.verdicts import DISPOSITION_MARKS, LIVE, MARKS, worst_first
from seqrun.runner.events import Watcher
from seqrun.runner.typed import line_of
from seqrun.values import Disposition, Judged, Verdict

if TYPE_CHECKING:
    from rich.text import Text

#: seconds of wall time between two redraws; drawing must cost little beside measuring
_REDRAW_S = 0.12
#: seconds between two looks at the trips while the operator is asked, and at another keyboard
_ASK_S, _ELSEWHERE_S = 1.0, 0.1


class Progress(Watcher):
    """Shows a run as it goes.

    Args:
        file: where to; standard output by default.
        live: False: one line for each finished step even at a terminal.
    """

    def __init__(self, file: TextIO | None = None, *, live: bool = True) -> None:
        self._console = console(file)
        self._ascii = is_ascii(self._console)
        self._moving = live and self._console.is_terminal
        self._live: Any = None
        self._drawn = 0.0
        self._steps, self._index = 0, 0
        self._step, self._what, self._text = "", "", ""
        self._fraction: float | None = None
        self._left_s, self._begun_s, self._bench_s = 0.0, 0.0, 0.0
        self._simulated = False

    # --- events ------------------------------------------------------------------------------

    def started(self, run_id: str, steps: int, seconds: float, simulated: bool) -> None:
        self._steps, self._left_s, self._simulated = steps, seconds, simulated
        if self._moving:
            where = "SIMULATED bench, " if simulated else ""
            self._line(f"run {run_id}: {where}{steps} steps, about {clock(seconds)} of bench time")

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        self._index, self._step, self._what = index, step_id, what.replace("_", " ")
        self._left_s, self._begun_s = seconds, self._bench_s
        self._text, self._fraction = "", None
        self._draw(now=False)

    def step_progress(self, text: str, fraction: float | None, bench_s: float) -> None:
        self._text, self._bench_s = text, bench_s
        self._fraction = fraction
        self._draw(now=False)

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        self._bench_s = bench_s
        self._line(step_line(step_id, [Row.of(j) for j in judged], bench_s, self._ascii))

    def hookup(self, words: str, live: bool, by: str) -> None:
        if self._moving:
            self._line(f"  hookup ({by}): {words}")

    def note(self, text: str) -> None:
        self._line(f"! {text}", "bold")

    def safe(self, confirmed: Sequence[str], unconfirmed: Sequence[str]) -> None:
        self._stop()
        if unconfirmed:
            names = "; ".join(unconfirmed)
            self._line(f"! SAFE STATE NOT CONFIRMED: {names}. {LIVE}", "bold red")
        elif self._moving:
            self._line("safe state confirmed: " + ", ".join(confirmed))

    def ended(self, disposition: Disposition, reason: str, bench_s: float, wall_s: float) -> None:
        self._stop()
        mark = DISPOSITION_MARKS[disposition]
        shape = mark.ascii if self._ascii else mark.shape
        self._line(f"{shape} {disposition.value.upper()}: {reason}", "bold")
        virtual = self._simulated and bench_s > 1.5 * wall_s
        spent = f" of virtual bench time in {wall_s:.1f} s" if virtual else " of bench time"
        self._line(f"{clock(bench_s)}{spent}")

    def catch_up(self, within_s: float) -> None:
        shown(self._console.file, within_s)

    def close(self) -> None:
        """Leave the terminal as it was found; for ways out on which no ending was told."""
        self._stop()

    # --- talking to the person ---------------------------------------------------------------

    def say(self, text: str) -> None:
        """Show a text, of one line or several, without disturbing what moves."""
        for line in text.splitlines() or [""]:
            self._line(line)

    def ask(
        self,
        prompt: str,
        meanwhile: Callable[[], None],
        elsewhere: Callable[[], str | None] | None = None,
    ) -> str:
        """Ask the person at the terminal; what moves stands still meanwhile. Nothing that is typed
        there before the question is seen answers it.

        Args:
            meanwhile: called each second until the answer is there; what it raises ends the
                asking.
            elsewhere: another keyboard: its answer, or None as long as it has none.

        Raises:
            EOFError: there is nobody.
        """
        self._stop()
        try:
            with line_of(echo) as line:
                print(plain(prompt) if self._ascii else prompt, end="", flush=True)
                look = time.monotonic() + _ASK_S
                seen = shown(sys.stdout, _ASK_S)
                every_s = _ASK_S if elsewhere is None else _ELSEWHERE_S
                while not seen or (answer := line.typed(min(every_s, _until(look)))) is None:
                    if elsewhere is not None and (given := elsewhere()) is not None:
                        print(f"(at the page) {given}", flush=True)
                        return given
                    if not _until(look):
                        meanwhile()
                        look = time.monotonic() + _ASK_S
                    if not seen and (seen := shown(sys.stdout, min(every_s, _until(look)))):
                        line.discard()
                return answer
        finally:
            self._draw(now=True)

    # --- drawing -----------------------------------------------------------------------------

    def _line(self, text: str | Text, style: str = "") -> None:
        from rich.text import Text

        if isinstance(text, str):
            text = Text(plain(text) if self._ascii else clean(text), style)
        # a pipe gets whole lines: whoever reads them wraps them
        self._console.print(text, soft_wrap=not self._console.is_terminal)

    def _draw(self, *, now: bool) -> None:
        if not self._moving:
            return
        moment = time.monotonic()
        if not now and moment - self._drawn < _REDRAW_S:
            return
        if not shown(self._console.file, 0.0):
            return  # the lines come first: what moves is of no use later
        if self._live is None:
            from rich.live import Live

            self._live = Live(console=self._console, auto_refresh=False, transient=True)
            self._live.start()
        self._live.update(self._view(), refresh=True)
        self._drawn = moment

    def _stop(self) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def _view(self) -> Text:
        from rich.text import Text

        width = self._console.width
        say = plain if self._ascii else clean
        title = f"step {self._index + 1} of {self._steps}  {self._step}  ({self._what})"
        spent = self._bench_s - self._begun_s
        total = max(self._left_s - spent, 0.0)
        share, step = self._fraction, ""
        if share is not None and 0.02 < share <= 1.0 and spent > 0.0:
            left = spent * (1.0 - share) / share
            total = max(total, left)  # the run lasts as long as its step, whatever was planned
            step = f", this step {clock(left)}"
        times = f"bench time {clock(self._bench_s)}   left {clock(total)}{step}"
        view = Text(no_wrap=True, overflow="ellipsis")
        view.append(_cut(say(title), width) + "\n", "bold")
        view.append(_cut(say(f"  {self._text or 'working'}"), width) + "\n")
        view.append(_cut(f"  {bar(share, self._ascii)}  {times}", width), "dim")
        if self._simulated:
            view.append("\n  SIMULATED", "reverse")
        return view


def _until(moment: float) -> float:
    return max(moment - time.monotonic(), 0.0)


def step_line(step_id: str, rows: Sequence[Row], bench_s: float, ascii_only: bool) -> Text:
    """One finished step in one line of at most 80 columns, its worst reading spelt out."""
    from rich.text import Text

    against = worst_first(rows)
    limited = [row for row in rows if row.verdict is Verdict.PASS]
    row = next(iter([*against, *limited, *rows]), None)
    verdict = row.verdict if row is not None else Verdict.NONE
    mark = MARKS[verdict]
    say = plain if ascii_only else clean
    line = Text(f"{clock(bench_s)} ")
    line.append(f"{mark.ascii if ascii_only else mark.shape} ", STYLES[verdict])
    line.append(_filled(say(step_id), 24) + " ")
    if row is None:
        line.append("done")
        return line
    word = mark.short or "on record"
    more = f" (+{len(rows) - 1})" if len(rows) > 1 else ""
    room = WIDTH - line.cell_len - 12
    said = row.note or "not measured" if row.value is None else row.shown
    if row.value is not None and row.has_limit:
        said += f", {row.limit_short}"
    line.append(f"{word:<11}", STYLES[verdict])
    line.append(_cut(say(said + more), room))
    return line


def bar(share: float | None, ascii_only: bool, width: int = 20) -> str:
    """A share of one as a bar; dots when it is not known."""
    full, empty = ("#", ".") if ascii_only else ("━", "·")
    if share is None:
        return empty * width
    done = round(min(max(share, 0.0), 1.0) * width)
    return full * done + empty * (width - done)


def clock(seconds: float) -> str:
    """Seconds as ``12:30`` or ``1:02:30``."""
    whole = round(max(seconds, 0.0))
    hours, rest = divmod(whole, 3600)
    return (
        f"{hours}:{rest // 60:02d}:{rest % 60:02d}"
        if hours
        else f"{rest // 60:02d}:{rest % 60:02d}"
    )


def _cut(text: str, room: int) -> str:
    """One line of at most ``room`` columns; wide characters count as two."""
    from rich.cells import cell_len, set_cell_size

    line = text.replace("\n", " ")
    if cell_len(line) <= room:
        return line
    return set_cell_size(line, max(room - 3, 0)).rstrip() + "..."


def _filled(text: str, room: int) -> str:
    from rich.cells import set_cell_size

    return set_cell_size(_cut(text, room), room)
