"""One more watcher: what the terminal is told goes to the board as well."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from seqrun.live.board import Board, Done, counted
from seqrun.plan.context import Indication, Key
from seqrun.report.shared.rows import Row
from seqrun.report.shared.verdicts import LIVE, worst_first
from seqrun.runner.events import BenchNow, Watcher
from seqrun.values import Disposition, Judged, Limit, Verdict


class Both(Watcher):
    """Tells a watcher first, then the board.

    What is wrong with the first is its own affair (see :class:`~seqrun.runner.events.Guarded`);
    what is wrong with the board ends the page and nothing else.

    Args:
        after: planned bench time of the steps after the one with this index, s.
    """

    def __init__(self, first: Watcher, board: Board, after: Callable[[int], float]) -> None:
        self._first, self._board, self._after = first, board, after
        self.lost = ""  # why the page shows nothing any more

    def _show(self, show: Callable[..., Any], *args: Any, **kwargs: Any) -> None:
        if self.lost:
            return
        try:
            show(*args, **kwargs)
        except Exception as error:  # a mistake of the page's own takes nothing from the run
            self.lost = f"{type(error).__name__}: {error}"

    def started(self, run_id: str, steps: int, seconds: float, simulated: bool) -> None:
        self._first.started(run_id, steps, seconds, simulated)
        self._show(
            self._board.say,
            "The run has begun.",
            run_id=run_id,
            steps=steps,
            planned_s=seconds,
            after_s=seconds,
            simulated=simulated,
        )

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        self._first.step_started(index, step_id, what, seconds)
        self._show(
            self._board.change,
            index=index,
            step=step_id,
            what=what.replace("_", " "),
            text="",
            fraction=None,
            planned_s=seconds,
            after_s=self._after(index),
            begun_s=self._board.scene.bench_s,
            number=None,
            limit=None,
            course=(),
        )

    def step_progress(self, text: str, fraction: float | None, bench_s: float) -> None:
        self._first.step_progress(text, fraction, bench_s)
        self._show(self._board.change, text=text, fraction=fraction, bench_s=bench_s)

    def step_shows(self, indication: Indication, limit: Limit | None, bench_s: float) -> None:
        self._first.step_shows(indication, limit, bench_s)
        self._show(self._board.course, indication, limit, bench_s)

    def keys(self, keys: Sequence[Key]) -> None:
        self._first.keys(keys)
        self._show(self._board.change, keys=tuple(keys))

    def bench(self, now: BenchNow) -> None:
        self._first.bench(now)
        self._show(self._board.change, bench=now)

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        self._first.step_ended(step_id, judged, bench_s)
        self._show(self._ended_step, step_id, judged, bench_s)

    def _ended_step(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        rows = tuple(Row.of(one) for one in judged)
        known = counted(rows, self._board.scene.counted)
        self._board.also("done", Done(step_id, rows, bench_s), counted=known, bench_s=bench_s)
        worst = next(iter(worst_first(rows)), None)
        if worst is not None and worst.verdict is not Verdict.PASS:
            self._board.say(worst.sentence)

    def hookup(self, words: str, live: bool, by: str) -> None:
        self._first.hookup(words, live, by)

    def note(self, text: str) -> None:
        self._first.note(text)
        self._show(self._board.also, "notes", text)
        self._show(self._board.say, text)

    def safe(self, confirmed: Sequence[str], unconfirmed: Sequence[str]) -> None:
        self._first.safe(confirmed, unconfirmed)
        told = "Safe state confirmed."
        if unconfirmed:
            told = f"Safe state not confirmed: {'; '.join(unconfirmed)}. {LIVE}"
        self._show(
            self._board.say,
            told,
            urgent=bool(unconfirmed),
            safe=True,
            confirmed=tuple(confirmed),
            unconfirmed=tuple(unconfirmed),
            keys=(),
        )

    def ended(self, disposition: Disposition, reason: str, bench_s: float, wall_s: float) -> None:
        self._first.ended(disposition, reason, bench_s, wall_s)
        self._show(
            self._board.say,
            f"The run is over: {disposition.value}. {reason}",
            urgent=True,
            disposition=disposition,
            reason=reason,
            bench_s=bench_s,
            question=None,
            keys=(),
        )

    def catch_up(self, within_s: float) -> None:
        self._first.catch_up(within_s)
