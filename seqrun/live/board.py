"""What the page shows, as the latest of it: written by the run, read by however many pages.

Nothing queues here. A change replaces what was there and wakes whoever watches; a page that is slow
or dead misses what lay between, and holds up nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from seqrun.plan.context import Indication, Key
from seqrun.report.shared.rows import Row
from seqrun.runner.events import BenchNow
from seqrun.runner.prompts import Asked
from seqrun.values import Disposition, Limit

#: the longest course of a number that is kept; then every other point goes
COURSE = 600
KEPT = 40  # notes and done steps that a page still shows
SPOKEN = 12  # announcements that are kept for a page that was away for a moment


@dataclass(frozen=True, slots=True)
class PutQuestion:
    """A question as it stands: ``id`` is new for each, and an answer must name it."""

    id: str
    asked: Asked
    said: tuple[str, ...] = ()  # what was told about the answer before


@dataclass(frozen=True, slots=True)
class Spoken:
    """Something that a screen reader says at once; numbered, so that it is said once."""

    number: int
    text: str
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class Done:
    """A step that is done, with what it read."""

    step: str
    rows: tuple[Row, ...]
    bench_s: float


@dataclass(frozen=True, slots=True)
class Scene:
    """All that a page shows at one moment. Times are bench time, s."""

    version: int = 0
    title: str = ""
    serial: str = ""
    model: str = ""
    cautions: tuple[str, ...] = ()
    simulated: bool = False
    run_id: str = ""
    steps: int = 0
    index: int = -1
    step: str = ""
    what: str = ""
    text: str = ""
    fraction: float | None = None
    planned_s: float = 0.0  # for this step and those after it, when it began
    after_s: float = 0.0  # for those after it
    begun_s: float = 0.0
    bench_s: float = 0.0
    number: Indication | None = None
    limit: Limit | None = None
    course: tuple[tuple[float, float], ...] = ()
    bench: BenchNow | None = None
    keys: tuple[Key, ...] = ()
    question: PutQuestion | None = None
    done: tuple[Done, ...] = ()
    counted: tuple[tuple[str, int], ...] = ()
    notes: tuple[str, ...] = ()
    stopping: str = ""
    confirmed: tuple[str, ...] = ()
    unconfirmed: tuple[str, ...] = ()
    safe: bool = False  # the safe state was entered
    disposition: Disposition | None = None
    reason: str = ""
    spoken: tuple[Spoken, ...] = ()

    @property
    def left_s(self) -> float:
        """Time left of the run: never less than that of the step and of those after it."""
        passed = max(self.bench_s - self.begun_s, 0.0)
        by_plan = max(self.planned_s - passed, 0.0)
        step = self.step_left_s
        return max(by_plan, self.after_s + (step or 0.0))

    @property
    def step_left_s(self) -> float | None:
        """Time left of the step by the share that is done; None where nobody can say."""
        passed, share = self.bench_s - self.begun_s, self.fraction
        if share is None or not 0.02 < share <= 1.0 or passed <= 0.0:
            return None
        return passed * (1.0 - share) / share


class Board:
    """The scene, and whoever wants to know that it changed."""

    def __init__(self, **first: Any) -> None:
        self._guard = threading.Lock()
        self._scene = Scene(**first)
        self._wakers: set[Callable[[], None]] = set()
        self._spoken = 0

    @property
    def scene(self) -> Scene:
        """The latest."""
        return self._scene

    def change(self, **what: Any) -> None:
        """Put something else in its place."""
        with self._guard:
            self._put(what)

    def also(self, field: str, *items: object, kept: int = KEPT, **what: Any) -> None:
        """Put items at the end of a list, of which the last ``kept`` stay."""
        with self._guard:
            listed: tuple[object, ...] = (*getattr(self._scene, field), *items)
            self._put({**what, field: listed[-kept:]})

    def course(self, number: Indication, limit: Limit | None, bench_s: float) -> None:
        """A number moved: the latest, and the course that it took within its step."""
        with self._guard:
            before = self._scene
            same = before.number is not None and before.number.name == number.name
            course = before.course if same else ()
            if not course or bench_s > course[-1][0]:
                course = (*course, (bench_s, number.value))
            if len(course) > COURSE:
                course = (*course[:-1:2], course[-1])
            self._put({"number": number, "limit": limit, "course": course, "bench_s": bench_s})

    def say(self, text: str, *, urgent: bool = False, **what: Any) -> None:
        """Announce something to whoever cannot see the page, with what changes."""
        with self._guard:
            self._spoken += 1
            spoken = (*self._scene.spoken, Spoken(self._spoken, text, urgent))
            self._put({**what, "spoken": spoken[-SPOKEN:]})

    def _put(self, what: dict[str, Any]) -> None:
        self._scene = replace(self._scene, version=self._scene.version + 1, **what)
        for wake in tuple(self._wakers):
            with suppress(Exception):  # a loop that is closed: nobody is there to be told
                wake()

    def watched_by(self, wake: Callable[[], None]) -> Callable[[], None]:
        """``wake`` is called at each change, in the thread that makes it; what is returned ends
        that."""
        with self._guard:
            self._wakers.add(wake)

        def over() -> None:
            with self._guard:
                self._wakers.discard(wake)

        return over


def counted(rows: Sequence[Row], before: Sequence[tuple[str, int]]) -> tuple[tuple[str, int], ...]:
    """How many readings had which verdict, so far."""
    found = dict(before)
    for row in rows:
        if row.verdict:
            found[row.verdict.value] = found.get(row.verdict.value, 0) + 1
    return tuple(found.items())
