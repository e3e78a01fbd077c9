"""How far a tone control lifts and lowers a frequency."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure import transfer
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Watts
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.forecasts import BETTER_SCOPE, decibels, scope_share
from seqrun.steps.common.tone import fundamental, seen

TONE_BOOST = Measurand(
    "tone_boost",
    "dB",
    what="How much a tone control lifts at its full setting, against the middle.",
    how=(
        "A sine at the control's frequency (bass 100 Hz, treble 10 kHz); the output at full, "
        "middle and least setting."
    ),
    fooled_by=(
        "The lifted level must not clip: take a small power. A detent that is not the "
        "electrical middle."
    ),
)
TONE_CUT = Measurand(
    "tone_cut",
    "dB",
    what=(
        "How much a tone control cuts at its least setting, against the middle, as a positive "
        "number."
    ),
    how="As tone_boost.",
    fooled_by="As tone_boost.",
)


class ToneRange(AtPower):
    """How far a tone control lifts and cuts at one frequency, against its middle position.

    100 Hz for bass and 10 kHz for treble are usual.
    """

    kind: ClassVar[str] = "tone_range"
    yields: ClassVar = (
        judged(TONE_BOOST, "several", each="channel"),
        judged(TONE_CUT, "several", each="channel"),
    )

    control: str = Field(description='the control that is turned, such as "bass"')
    frequency: Hertz = Field(default=100.0, gt=0.0)
    full: str = "max"
    middle: str = "mid"
    least: str = "min"
    headroom: Watts | None = Field(None, gt=0.0, description="most that the lifted level may give")

    def needs(self, view: BenchView) -> Needs:
        # A lift of 15 dB is thirty times the power.
        times = 30.0 if self.headroom is None else self.headroom / self.planned_watts(view)
        return replace(self.needs_at_power(view, 6.0, times), acts=4)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return decibels(math.sqrt(2.0) * scope_share(view, 1.0), 10.0, BETTER_SCOPE)

    def planned_watts(self, view: BenchView) -> float:
        if self.power is None:
            return view.unit.rated_power / 40.0
        return super().planned_watts(view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        drive = Drive(ctx, self.frequency, self.channels(ctx.view))
        levels: dict[str, dict[str, UFloat]] = {c: {} for c in drive.channels}
        try:
            for position in (self.middle, self.full, self.least):
                ctx.turn(self.control, position)
                if position == self.middle:
                    drive.to_power(self.watts(ctx))
                elif position == self.full:
                    drive.gain = {c: 6.0 * g for c, g in drive.gain.items()}
                for channel, wave in seen(drive).items():
                    if wave.clipped:
                        raise NotMeasured(
                            f"{self.control} at {position} lifts by more than 15 dB",
                            where=f"out.{channel}",
                        )
                    levels[channel][position] = fundamental(wave, self.frequency)
            ctx.turn(self.control, self.middle)
        finally:
            drive.stop()
        for channel, at in levels.items():
            found = transfer.tone_range(at[self.full], at[self.middle], at[self.least])
            for quantity, value in ((TONE_BOOST, found.boost_db), (TONE_CUT, -found.cut_db)):
                yield self.reading(
                    quantity,
                    value,
                    channel=channel,
                    instruments=(ctx.scope.name,),
                    note=f"{self.control}, {self.frequency:g} Hz",
                )
