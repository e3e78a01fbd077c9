"""What the dice of the simulated bench decide is decided by its seed, and by nothing else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from acceptance_runs import Done, run


def told(done: Done) -> list[tuple[object, ...]]:
    """Everything that was read, to the last bit, with what came of it."""
    return [
        (j.step, j.channel, j.quantity, j.value, j.expanded_uncertainty, j.bound, j.verdict, j.note)
        for j in done.outcome.judged
    ]


def exchanged(done: Done) -> list[list[str]]:
    """Every message to and from the instruments, without the wall time before it."""
    log = (done.outcome.folder / "messages.log").read_text(encoding="utf-8")
    return [line.split(maxsplit=1)[1:] for line in log.splitlines()]


def test_two_runs_of_one_seed_are_alike_to_the_last_bit(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    sequence = short_sequence()
    one, two = (run(tmp_path / name, sequence=sequence, seed=7) for name in ("one", "two"))
    assert len(told(one)) >= 8
    assert told(one) == told(two)
    assert exchanged(one) == exchanged(two)
