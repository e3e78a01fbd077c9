"""How even a response is that an earlier step has swept: lifts and cuts inside the band."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.measure.transfer import frequency_response
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs, Unforecast
from seqrun.plan.view import BenchView
from seqrun.steps.response import (
    FLATNESS,
    REFERENCE_HZ,
    Band,
    Swept,
    ends_of,
    flatness_forecast,
    key_of,
)


class Flatness(Step):
    """The flatness of an earlier sweep: it takes no time of its own.

    A corner says where a band ends, not that a part of it is lifted or lost.
    """

    kind: ClassVar[str] = "flatness"
    yields: ClassVar = (judged(FLATNESS, "channel"),)

    of: str = Field(description="id of a frequency_response, lower_corner or upper_corner step")
    band: Band | None = Field(
        None, description='judged over, as ["20 Hz", "20 kHz"]; left out: as rated'
    )

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast | Unforecast:
        return flatness_forecast(view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        swept = ctx.kept(key_of(self.of))
        if not isinstance(swept, Swept):
            raise NotMeasured(
                f"'{self.of}' has swept nothing",
                expected="a step that sweeps the response, done before this one",
                where=self.id,
            )
        band = ends_of(self.band, ctx.view.unit)
        for channel in self.channels(ctx.view):
            found = frequency_response(
                swept.frequencies,
                swept.gains[channel],
                reference_hz=REFERENCE_HZ,
                band_hz=band,
            )
            low, high = (max(band[0], swept.frequencies[0]), band[1])
            yield self.reading(
                FLATNESS,
                found.flatness_db,
                channel=channel,
                instruments=(ctx.scope.name, ctx.generator.name),
                note=f"{low:g} Hz to {min(high, swept.frequencies[-1]):g} Hz re 1 kHz",
            )
