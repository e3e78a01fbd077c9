"""A short run on the simulated bench, for tests of the runner."""

from __future__ import annotations

from pathlib import Path

from seqrun.runner.events import Watcher
from seqrun.runner.hands import Hands
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts


def run(
    results: Path,
    sequence: str,
    *faults: str,
    bench: str = "demo",
    seed: int = 1,
    watcher: Watcher | None = None,
    hands: Hands | None = None,
    interrupts: Interrupts | None = None,
) -> Outcome:
    """From files to record."""
    plan, files = prepare(sequence, bench, None, faults=faults, seed=seed)
    options = Options("T-1", "", results)
    return execute(plan, files, hands, watcher or Watcher(), options, interrupts or Interrupts())


def releasing(sequence: str) -> str:
    """The same file, as one whose accept would release the unit."""
    path = Path(sequence)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("cautions =", "releases = true\ncautions =", 1), encoding="utf-8")
    return sequence
