"""Many pieces of work, one after another, over all cores, or over other machines."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from typing import Any, TypeVar

from seqrun.errors import UsageError

T = TypeVar("T")
TellProgress = Callable[[int, int], None]
W = TypeVar("W")
REACH_S = 10.0  # to wait for a scheduler that does not answer


def _untold(done: int, of: int) -> None:
    """Nobody asked how far it is."""


def cores() -> int:
    """How many this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


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
    found: list[list[T]] = [[] for _ in seeds]
    for count, (number, some) in enumerate(as_done(work, seeds, processes=processes), start=1):
        found[number] = some
        told(count, len(seeds))
    return [one for some in found for one in some]


def as_done(
    work: Callable[[W], T],
    pieces: Sequence[W],
    *,
    processes: int = 1,
    scheduler: str | None = None,
) -> Iterator[tuple[int, T]]:
    """(number, result) of each piece of work as it is done, in whatever order that is.

    Args:
        processes: how many at a time on this machine; of no meaning with a scheduler.
        scheduler: address of a Dask scheduler, such as ``tcp://192.0.2.10:8786``; its workers need
            the same version of this package.

    Raises:
        UsageError: no such scheduler, or what it takes to reach one is not installed.
    """
    if processes <= 1 and scheduler is None:
        yield from ((number, work(piece)) for number, piece in enumerate(pieces))
        return
    from joblib import Parallel, delayed

    with _over(processes, scheduler):
        run = Parallel(return_as="generator_unordered", batch_size=1)
        yield from run(delayed(_numbered)(work, n, piece) for n, piece in enumerate(pieces))


def _numbered(work: Callable[[W], T], number: int, piece: W) -> tuple[int, T]:
    return number, work(piece)


@contextmanager
def _over(processes: int, scheduler: str | None) -> Iterator[None]:
    from joblib import parallel_config

    with ExitStack() as stack:
        if scheduler is None:
            stack.enter_context(parallel_config(backend="loky", n_jobs=processes))
        else:
            stack.enter_context(_client(scheduler))
            stack.enter_context(parallel_config(backend="dask"))
        yield


def _client(address: str) -> AbstractContextManager[Any]:
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError(
            "a scheduler was named and Dask is not installed",
            where="--scheduler",
            hint="pip install 'seqrun[study]'",
        ) from error
    try:
        client: AbstractContextManager[Any] = Client(address, timeout=REACH_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"no scheduler answers at {address}: {str(error).splitlines()[0]}",
            expected="the address that 'dask scheduler' prints, such as tcp://192.0.2.10:8786",
            where="--scheduler",
        ) from error
    return client
