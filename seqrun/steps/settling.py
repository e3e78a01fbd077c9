"""Waiting until a reading has settled, by the stated rule of :mod:`seqrun.measure.settle`."""

from __future__ import annotations

from collections.abc import Callable

from seqrun.files.fields import Settle
from seqrun.measure.settle import settling
from seqrun.quantity import render
from seqrun.steps.base import Context

LOOKS = 12  # readings within the time that it must keep, when the instrument is quick enough


def settle(ctx: Context, read: Callable[[], float], rule: Settle, unit: str, what: str) -> None:
    """Poll ``read`` until it has settled.

    Args:
        read: one reading in ``unit``.

    Raises:
        NotMeasured: it did not within ``rule.at_most``.
    """
    within = ctx.evaluate(rule.within, unit)
    start = ctx.clock.now()
    times: list[float] = []
    values: list[float] = []

    def settled() -> bool | None:
        values.append(read())
        times.append(ctx.clock.now() - start)
        ctx.progress(f"{what} {render(values[-1], unit, digits=3)}, settling")
        while times[-1] - times[0] > 1.5 * rule.hold and len(times) > 4:
            del times[0], values[0]
        return True if settling(times, values, within=within, for_s=rule.hold).settled else None

    ctx.wait_until(
        settled,
        every_s=rule.hold / LOOKS,
        at_most_s=rule.at_most,
        what=f"{what} to settle within {render(within, unit, digits=3)}",
    )
