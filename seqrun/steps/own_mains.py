"""The unit powered from its own mains plug by an operator who watches: through a series lamp, a
variac, or straight.

For benches without a supply. Nothing here limits the current but the lamp and the fuses, and
nothing can switch the unit off but the hand at the plug: every ending of the run says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import ClassVar, Literal

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.instruments.by_hand import SURE
from seqrun.plan.context import MAINS, PLUG_OUT, Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.values import COVERAGE_FACTOR, rectangular

Through = Literal["series lamp", "variac", "isolating transformer"]
MAINS_CAUTION = (
    "MAINS  This puts the unit on the mains. Mains work follows local codes and is for people who "
    "are licensed for it; if that is not you, press q. An isolating transformer feeds the unit, a "
    "residual-current device and a fuse of the unit's rating protect the socket, the cover is on "
    "or nobody reaches over an open primary, and the switch is where your hand is."
)
_SETS = {
    "series lamp": (
        "an incandescent lamp of 40 W to 100 W in series with the unit's live conductor, in a "
        "closed holder (common practice); no loads, no loudspeakers. Plug in, look at the lamp"
    ),
    "variac": (
        "a variable transformer after the isolating transformer, at zero; no loads, no "
        "loudspeakers. Plug in and raise it over a minute, an eye on its ammeter; back to zero at "
        "the first surprise"
    ),
    "isolating transformer": (
        "without lamp or variac: the unit's full mains voltage. Only after it has passed with one "
        "of them"
    ),
}
_HEALTHY = {
    "series lamp": (
        "does the lamp still glow brightly after five seconds? Healthy: a flash while the "
        "reservoirs charge, then dark or a faint glow. Shorted: it stays bright - PULL THE PLUG, "
        "then answer y"
    ),
    "variac": (
        "does the ammeter climb with the voltage to far above the unit's idle? Healthy: it stays "
        "low all the way. Shorted: it climbs within the first tenth - BACK TO ZERO, then answer y"
    ),
    "isolating transformer": (
        "does it hum loudly, smell, smoke or blow a fuse? Healthy: none of it. If so - PULL THE "
        "PLUG, then answer y"
    ),
}


OVERLOAD_SEEN = Measurand(
    "overload_seen",
    "",
    what=(
        "Whether the unit draws far too much at first power, as the operator sees it: 1 for a lamp "
        "that stays bright, an ammeter that climbs, a hum or smoke; 0 for none of it."
    ),
    how="On its own mains plug, through a lamp, a variac or straight; the operator watches.",
    fooled_by=(
        "A lamp of far too many watts stays dark when one device is shorted; one of far too few "
        "glows with a healthy class A stage. A toroid's inrush flashes the lamp: count five "
        "seconds."
    ),
    contact="No lead is on the unit: the operator sees the lamp or the ammeter.",
)


class OwnMains(Step):
    """First power from the unit's own mains plug, through a series lamp or a variac, watched.

    The operator is told what to build, what a healthy and a shorted unit look like, and answers
    what was seen; a unit that draws too much is unplugged there and then.
    """

    kind: ClassVar[str] = "own_mains"
    yields: ClassVar = (judged(OVERLOAD_SEEN),)

    stop_if_failed: bool = Field(
        True, description="true: a unit that was unplugged is not measured further"
    )
    through: Through = Field(description='"series lamp", "variac" or "isolating transformer"')

    def needs(self, view: BenchView) -> Needs:
        first = view.unit.rail_names[0]
        return Needs(
            roles=frozenset({"meter"}),
            hookups=(view.meter_across(first),),
            seconds=60.0,
            dead=True,
            mains=True,
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return Forecast(0.0, COVERAGE_FACTOR * SURE / math.sqrt(3.0))

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        ctx.acknowledge(MAINS_CAUTION)
        ctx.turn(MAINS, "on", _SETS[self.through])
        try:
            overloaded = ctx.see(f"{self.through}: {_HEALTHY[self.through]}")
        except NotMeasured:
            ctx.turn(MAINS, "off", PLUG_OUT)
            raise
        if overloaded:
            ctx.turn(MAINS, "off", PLUG_OUT)
        seen = rectangular(float(overloaded), SURE, "doubt of a look by eye")
        note = f"{self.through}, as seen"
        yield self.reading(OVERLOAD_SEEN, seen, note=note)
