"""What the runner tells whoever watches: one method an event, all optional to override."""

from __future__ import annotations

from collections.abc import Sequence

from seqrun.values import Disposition, Judged


class Watcher:
    """Watches a run. The base does nothing, so a watcher overrides what it shows."""

    def started(self, run_id: str, steps: int, seconds: float, simulated: bool) -> None:
        """The run has an id; ``steps`` to do, about ``seconds`` of bench time."""

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        """A step begins; ``seconds`` of bench time are left for it and those after it."""

    def step_progress(self, text: str, fraction: float | None, bench_s: float) -> None:
        """Something moved within the step; ``bench_s`` is bench time since the run began."""

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
