"""What a step has looked at for another one to judge, channel by channel."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeVar

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand

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


def told_of_each(
    step: Step,
    ctx: Context,
    measurand: Measurand,
    key: str,
    *,
    of: str,
    nothing: str,
    expected: str,
    note: str,
) -> Iterator[Yielded]:
    """What a step has seen to change at each output, by scope and generator, as another's readings.

    Args:
        key, of, nothing, expected: as of :func:`kept_of_each`. note: of each reading.

    Raises:
        NotMeasured: it has kept nothing at all.
    """
    kept = kept_of_each(
        ctx,
        key,
        Bounded,
        step.channels(ctx.view),
        of=of,
        where=step.id,
        nothing=nothing,
        expected=expected,
    )
    for channel, change in kept:
        if isinstance(change, str):
            yield step.not_measured(measurand, change, channel=channel)
            continue
        yield step.reading(
            measurand,
            change.value,
            channel=channel,
            bound=change.bound,
            instruments=(ctx.scope.name, ctx.generator.name),
            note=note,
        )
