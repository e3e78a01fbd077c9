"""Many benches, one after another or over several processes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

T = TypeVar("T")
TellProgress = Callable[[int, int], None]
CHUNK = 4  # benches that a process takes at a time


def _untold(done: int, of: int) -> None:
    """Nobody asked how far it is."""


def each(
    work: Callable[[int], list[T]],
    seeds: Sequence[int],
    *,
    processes: int = 1,
    told: TellProgress = _untold,
) -> list[T]:
    """What ``work`` gives for each seed, joined in the order of the seeds.

    Args:
        work: a function that processes can be given (of a module, or a partial of one).
        told: called with how many are done, and of how many.
    """
    found: list[T] = []
    with _mapped(processes) as over:
        for count, some in enumerate(over(work, seeds), start=1):
            found += some
            told(count, len(seeds))
    return found


@contextmanager
def _mapped(
    processes: int,
) -> Iterator[Callable[[Callable[[int], list[T]], Sequence[int]], Iterator[list[T]]]]:
    if processes <= 1:
        yield lambda work, seeds: map(work, seeds)
        return
    with ProcessPoolExecutor(processes) as pool:
        yield lambda work, seeds: pool.map(work, seeds, chunksize=CHUNK)
