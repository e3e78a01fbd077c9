"""Whether a stage stays stable with a small capacitor across its output, where its sheet allows."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from seqrun.errors import UsageError
from seqrun.files.expression import WattsExpression
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Hookup, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import render
from seqrun.steps.at_peak import StraySignal
from seqrun.steps.common.drive import Drive

ROOM = 3.0  # for an oscillation as large as the tone, and more
ENDS = ("capacitor.1", "capacitor.2")

STRAY_CAPACITIVE = Measurand(
    "stray_capacitive",
    "V",
    title="stray signal into a capacitor",
    what=(
        "The largest rms, over 20 µs, of what lies above 200 kHz at an output with its load and a "
        "small capacitor across it: a stage whose output coil or damping has gone oscillates."
    ),
    how="As the stray signal at power, at a small power.",
    fooled_by=(
        "A capacitor that is not on the terminals: nothing in the reading tells it. Leads of a "
        "hand's length between capacitor and terminals damp what it should bring out."
    ),
    contact="The driven tone through the probe; for the capacitor, the word of whoever put it on.",
)


class StrayIntoCapacitor(StraySignal):
    """Anything far above the audio band once a small capacitor stands across the output too.

    Only for a unit whose sheet says how large it may be (``load_capacitor``). The capacitor goes on
    with no signal, and comes off again before the next step.
    """

    kind: ClassVar[str] = "stray_into_capacitor"
    yields: ClassVar = (judged(STRAY_CAPACITIVE),)

    quantity: ClassVar[Measurand] = STRAY_CAPACITIVE
    power: WattsExpression | None = Field(
        None, description="into the load; 1 W, or a tenth of rated_power if that is less"
    )

    def planned_watts(self, view: BenchView) -> float:
        if self.power is not None:
            return super().planned_watts(view)
        return min(1.0, 0.1 * view.unit.rated_power)

    def needs(self, view: BenchView) -> Needs:
        largest = view.unit.load_capacitor
        if largest is None or not self.channel:
            raise UsageError(
                f"the sheet of {view.unit.model} allows no capacitor across its outputs"
                if largest is None
                else f"'{self.id}' is for all channels at once: there is one capacitor",
                expected='each = "channel", and a unit sheet that says load_capacitor = "100 nF"',
                where=self.id,
                hint='if_unit_has = "a capacitor allowed across its outputs" leaves it out for '
                "others",
            )
        point = view.point(f"out.{self.channel}")
        across = Hookup(
            tuple(zip(ENDS, (point.hot, point.cold), strict=True)),
            f"capacitor of at most {render(largest, 'F')}, discharged and rated for the rails, on "
            f"short leads across out.{self.channel}, beside the load: it comes off again. A stage "
            "that oscillates gets hot at once",
        )
        needs = super().needs(view)
        return replace(needs, hookups=(*needs.hookups, across), acts=len(ENDS))

    def play(self, drive: Drive, watts: float) -> float | None:
        """By the gain of the sheet: what oscillates is not driven until a power is met."""
        level = drive.level_for(self.channel, watts)
        drive.set({self.channel: level})
        return ROOM * math.sqrt(2.0) * level * drive.gain[self.channel]

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        try:
            yield from super().perform(ctx)
        finally:
            ctx.disconnect(ENDS[0], f"the capacitor across out.{self.channel}, one end")
            ctx.disconnect(ENDS[1], "its other end")
