"""The generator's leads on the unit's inputs, and the selector that chooses among them."""

from __future__ import annotations

from seqrun.plan.context import Context
from seqrun.plan.needs import Hookup
from seqrun.plan.view import BenchView


def generator_to(view: BenchView, channel: str, name: str) -> Hookup:
    """The generator's lead of a channel moved to one of its inputs ("" : where it is fixed)."""
    point = view.point(f"in.{channel}.{name}" if name else f"in.{channel}")
    terminal = view.generator_lead(channel)[1]
    return Hookup(((terminal, point.hot),), f"generator {terminal} to {point.hot} - {point.words}")


def turned(ctx: Context, control: str, position: str, words: str = "") -> None:
    """Have a control turned, and wait out the time for which the unit mutes its output when the
    input is changed (``input_mute`` of its sheet).

    Raises:
        NotMeasured: the unit has no such control or position.
    """
    ctx.turn(control, position, words)
    mute = ctx.view.unit.input_mute if control == "input" else 0.0
    if mute > 0.0:
        heard = ctx.clock.now() + mute
        ctx.wait_until(
            lambda: ctx.clock.now() >= heard or None,
            every_s=min(mute, 0.5),
            at_most_s=2.0 * mute + 1.0,
            what="the unit's muting after a change of input",
        )
