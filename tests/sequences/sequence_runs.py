"""A whole run of a shipped sequence, and what may be asked of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from seqrun.record import load_run
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Judged, Reading, Verdict


class _Listener(Watcher):
    """Keeps what the person is told."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def note(self, text: str) -> None:
        self.told.append(text)


@dataclass(frozen=True)
class Done:
    """A run that is over: its outcome, and what was said while it went on."""

    outcome: Outcome
    told: tuple[str, ...]
    facts: dict[str, object]
    announced_s: float  # of bench time, before it began

    def ids(self, *verdicts: Verdict) -> set[str]:
        """Steps that came out so."""
        return {j.step for j in self.outcome.judged if j.verdict in verdicts}

    def readings(self, step: str, quantity: str | None = None) -> list[Reading]:
        return [
            j.reading
            for j in self.outcome.judged
            if j.step == step and quantity in (None, j.reading.quantity)
        ]

    def of(self, quantity: str) -> list[Judged]:
        return [j for j in self.outcome.judged if j.reading.quantity == quantity]

    def said(self, *words: str) -> bool:
        """Whether one of the notes holds all of these words."""
        return any(all(word in text for word in words) for text in self.told)


def run_of(sequence: str, faults: Sequence[str], unit: str | None, results: Path) -> Done:
    """The run, with its record in a folder."""
    plan, files = prepare(sequence, "demo", unit, faults=faults)
    watcher = _Listener()
    outcome = execute(plan, files, None, watcher, Options("T-1", "", results), Interrupts())
    facts = load_run(results, outcome.run_id).facts
    return Done(outcome, tuple(watcher.told), dict(facts), plan.seconds())
