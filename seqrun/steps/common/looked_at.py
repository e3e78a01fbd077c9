"""What a step has looked at for another one to judge, channel by channel."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeVar

from seqrun.errors import NotMeasured
from seqrun.plan.context import Context

T = TypeVar("T")
SWITCHED_ON = 'a switching_thump step with when = "on", done before this one, and a generator'


def kept_of_each(
    ctx: Context,
    key: str,
    kind: type[T],
    channels: Iterable[str],
    *,
    of: str,
    where: str,
    nothing: str,
    expected: str,
) -> Iterator[tuple[str, T | str]]:
    """Each channel with what a step has kept of it, or why it has kept nothing.

    Args:
        key: under which it is kept: for each channel a ``kind``, or the reason in words.
        of, where: ids of that step, and of the one that asks. nothing: in words, what that step has
            not done. expected: such a step as it should have been.

    Raises:
        NotMeasured: it has kept nothing at all.
    """
    kept = ctx.kept(key)
    if not isinstance(kept, dict):
        raise NotMeasured(f"'{of}' has {nothing}", expected=expected, where=where)
    for channel in channels:
        one = kept.get(channel, f"'{of}' has not looked at it")
        yield channel, one if isinstance(one, kind) else str(one)
