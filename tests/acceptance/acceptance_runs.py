"""One whole acceptance on a simulated bench, for tests."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from seqrun.record import RunData, load_run
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts


@dataclass(frozen=True)
class Done:
    """A run that is over."""

    outcome: Outcome
    record: RunData

    def steps(self, *verdicts: str) -> set[str]:
        """Ids of the steps, up to the first dot, that came out so."""
        return {
            judged.step.partition(".")[0]
            for judged in self.outcome.judged
            if judged.verdict.value in verdicts
        }


def run(
    results: Path,
    *faults: str,
    bench: str = "demo",
    unit: str | None = None,
    seed: int = 1,
    sequence: str = "acceptance",
    watcher: Watcher | None = None,
) -> Done:
    """One run from files to record."""
    plan, files = prepare(sequence, bench, unit, faults=faults, seed=seed)
    outcome = execute(
        plan, files, None, watcher or Watcher(), Options("TEST-1", "", results), Interrupts()
    )
    return Done(outcome, load_run(results, outcome.run_id))
