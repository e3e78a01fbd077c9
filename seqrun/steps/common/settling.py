"""Waiting until a reading has settled, by the stated rule of :mod:`seqrun.measure.settle`."""

from __future__ import annotations

from collections.abc import Callable

from seqrun.errors import WaitedInVain
from seqrun.files.sequence.fields import Settle
from seqrun.measure.settle import LEAST_READINGS, moving, settling
from seqrun.plan.context import Context, Indication
from seqrun.quantity import render

LOOKS = 12  # readings within the time that it must keep, when the instrument is quick enough


def settle(ctx: Context, read: Callable[[], float], rule: Settle, unit: str, what: str) -> None:
    """Poll ``read`` until it has settled.

    An instrument that is too slow for the rule's number of readings in the time given is looked
    at for longer, never judged on fewer.

    Args:
        read: one reading in ``unit``.

    Raises:
        NotMeasured: it did not within ``rule.at_most``; the reason says how far it climbed or
            fell, when it did so all the while.
    """
    within = ctx.evaluate(rule.within, unit)
    times: list[float] = []
    values: list[float] = []
    course: list[tuple[float, float]] = []  # all of them, s and value

    def settled() -> bool | None:
        by_hand = ctx.by_hand_s
        values.append(read())
        if ctx.by_hand_s > by_hand:
            return True  # whoever typed it was asked to wait until it stood still
        times.append(ctx.clock.now())
        course.append((times[-1], values[-1]))
        seen = f"{what} {render(values[-1], unit, digits=3)}, settling"
        ctx.progress(seen, indication=Indication(what, values[-1], unit, judged=True))
        if len(times) < LEAST_READINGS:
            return None
        period = (times[-1] - times[0]) / (len(times) - 1)
        window = max(rule.hold, LEAST_READINGS * period)
        while len(times) > LEAST_READINGS and times[-1] - times[0] > 1.5 * window:
            del times[0], values[0]
        return True if settling(times, values, within=within, for_s=window).settled else None

    try:
        ctx.wait_until(
            settled,
            every_s=rule.hold / LOOKS,
            at_most_s=rule.at_most,
            what=f"{what} to settle within {render(within, unit, digits=3)}",
        )
    except WaitedInVain as vain:
        raise WaitedInVain(vain.found + _way(course, unit), expected=vain.expected) from None


def _way(course: list[tuple[float, float]], unit: str) -> str:
    """Where a reading went that would not settle; empty when it went nowhere plainly."""
    times, values = [t for t, _ in course], [v for _, v in course]
    change = moving(times, values)
    if not change:
        return ""
    far = render(abs(change), unit, digits=3)
    span = render(times[-1] - times[0], "s", digits=3)
    return f": it {'climbs' if change > 0.0 else 'falls'} all the while, by {far} in {span}"
