"""What the runner tells whoever watches: one method an event, all optional to override."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import ParamSpec

from seqrun.errors import Interrupted
from seqrun.plan.context import Indication, Key
from seqrun.values import Disposition, Judged, Limit

P = ParamSpec("P")


@dataclass(frozen=True, slots=True)
class Near:
    """How near a trip is: what was read just now, and the threshold, in its unit."""

    quantity: str
    unit: str
    values: tuple[float, ...]
    above: float | None
    below: float | None
    why: str


@dataclass(frozen=True, slots=True)
class BenchNow:
    """The bench as it is: ``live`` while the unit is powered, ``charged`` until it was seen to be
    discharged; ``leads``: terminal -> node; the trips that are watched just now."""

    live: bool
    charged: bool
    leads: Mapping[str, str]
    trips: tuple[Near, ...] = ()


class Watcher:
    """Watches a run. The base does nothing, so a watcher overrides what it shows."""

    def started(self, run_id: str, steps: int, seconds: float, simulated: bool) -> None:
        """The run has an id; ``steps`` to do, about ``seconds`` of bench time."""

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        """A step begins; ``seconds`` of bench time are left for it and those after it."""

    def step_progress(self, text: str, fraction: float | None, bench_s: float) -> None:
        """Something moved within the step; ``bench_s`` is bench time since the run began."""

    def step_shows(self, indication: Indication, limit: Limit | None, bench_s: float) -> None:
        """A number of the step moved; with the limit that it will be held against, if any."""

    def keys(self, keys: Sequence[Key]) -> None:
        """These keys may be pressed from now on; none when it is over."""

    def bench(self, now: BenchNow) -> None:
        """The bench has changed, or the trips were looked at."""

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        """A step is done, with what it read."""

    def hookup(self, words: str, live: bool, by: str) -> None:
        """A hookup was made, by "operator", "switch" or "virtual hands"."""

    def note(self, text: str) -> None:
        """Something the person should know."""

    def safe(self, confirmed: Sequence[str], unconfirmed: Sequence[str]) -> None:
        """The safe state was entered."""

    def ended(self, disposition: Disposition, reason: str, bench_s: float, wall_s: float) -> None:
        """The run is over and on record."""

    def catch_up(self, within_s: float) -> None:
        """Wait at most so many seconds until all of it is shown.

        Raises:
            OSError, ValueError: it can show nothing any more.
        """


class Guarded(Watcher):
    """Hands every event on to a watcher until that cannot show them any more.

    A terminal that is gone, a pipe that nobody reads and a full device take nothing from the run
    but its watcher: it goes on to its safe state and its end on record.
    """

    def __init__(self, watcher: Watcher) -> None:
        self._to = watcher
        self.lost = ""

    def check(self) -> None:
        """Raise when the watcher is lost.

        Raises:
            Interrupted: a run that nobody can follow ends.
        """
        self.catch_up(0.0)
        if self.lost:
            raise Interrupted(self.reason)

    @property
    def reason(self) -> str:
        """Why the run ends, in words."""
        return f"nobody can read the output any more: {self.lost}"

    def _pass(self, event: Callable[P, None], *args: P.args, **kwargs: P.kwargs) -> None:
        if self.lost:
            return
        try:
            event(*args, **kwargs)
        except (OSError, ValueError) as error:  # ValueError: a stream that is closed
            self.lost = str(error) or type(error).__name__

    def started(self, run_id: str, steps: int, seconds: float, simulated: bool) -> None:
        self._pass(self._to.started, run_id, steps, seconds, simulated)

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        self._pass(self._to.step_started, index, step_id, what, seconds)

    def step_progress(self, text: str, fraction: float | None, bench_s: float) -> None:
        self._pass(self._to.step_progress, text, fraction, bench_s)

    def step_shows(self, indication: Indication, limit: Limit | None, bench_s: float) -> None:
        self._pass(self._to.step_shows, indication, limit, bench_s)

    def keys(self, keys: Sequence[Key]) -> None:
        self._pass(self._to.keys, keys)

    def bench(self, now: BenchNow) -> None:
        self._pass(self._to.bench, now)

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        self._pass(self._to.step_ended, step_id, judged, bench_s)

    def hookup(self, words: str, live: bool, by: str) -> None:
        self._pass(self._to.hookup, words, live, by)

    def note(self, text: str) -> None:
        self._pass(self._to.note, text)

    def safe(self, confirmed: Sequence[str], unconfirmed: Sequence[str]) -> None:
        self._pass(self._to.safe, confirmed, unconfirmed)

    def ended(self, disposition: Disposition, reason: str, bench_s: float, wall_s: float) -> None:
        self._pass(self._to.ended, disposition, reason, bench_s, wall_s)

    def catch_up(self, within_s: float) -> None:
        self._pass(self._to.catch_up, within_s)
