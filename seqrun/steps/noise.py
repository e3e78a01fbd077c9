"""Steps that listen to a point without drive: noise and signal-to-noise."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import ClassVar

import numpy as np
from pydantic import Field

from seqrun.files.expression import VoltsExpression
from seqrun.measure.noise import (
    NoiseLevel,
    level_of_records,
    signal_to_noise_db,
    with_the_end,
)
from seqrun.measure.pick_up import beside_pick_up
from seqrun.measure.weighting import BAND_HZ, Weighting
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Seconds
from seqrun.steps.common.contact import BY_TONE
from seqrun.steps.common.forecasts import BETTER_SCOPE, decibels, quiet_volts, scope_share
from seqrun.steps.common.heard import Kept
from seqrun.steps.common.listening import Listening, listening_needs
from seqrun.steps.distortion import FILTERED_RATE_HZ
from seqrun.values import Bound, exactly

WORDS = {
    Weighting.UNWEIGHTED: "22 Hz to 22 kHz",
    Weighting.A: "A-weighted 22 Hz to 22 kHz",
    Weighting.CCIR_468: "CCIR-468-weighted 22 Hz to 22 kHz, rms",
}
_NOISE_HOW = (
    "Generator off, loads on. The scope takes records of the output on its smallest range; their "
    "spectrum is summed over the band and weighted. A spare probe on ground tells the scope's own "
    "noise, which is taken out; what lies within it is 'at most'."
)
_NOISE_FOOLED = (
    "Hum from a ground loop of scope and generator, an open input that picks up fields, a probe "
    "clip on a long lead, a relay that has not closed (silence looks perfect)."
)


NOISE = Measurand(
    "noise",
    "V",
    what="The rms voltage at the output with no signal, 22 Hz to 22 kHz, unweighted.",
    how=_NOISE_HOW,
    fooled_by=_NOISE_FOOLED,
    contact=BY_TONE,
)
NOISE_A_WEIGHTED = Measurand(
    "noise_a_weighted",
    "V",
    title="noise, A-weighted",
    what=(
        "Output noise weighted as a quiet ear hears it (A curve, IEC 61672-1), 22 Hz to 22 kHz: "
        "hum counts less."
    ),
    how=_NOISE_HOW,
    fooled_by=_NOISE_FOOLED,
    contact=BY_TONE,
)
NOISE_CCIR_468 = Measurand(
    "noise_ccir_468",
    "V",
    title="noise, CCIR-468-weighted",
    what=(
        "Output noise weighted by the annoyance curve of ITU-R BS.468 (peak near 6 kHz), 0 dB "
        "at 1 kHz, read as rms: hiss counts more."
    ),
    how=_NOISE_HOW,
    fooled_by=_NOISE_FOOLED + " Meters with the standard's quasi-peak rectifier read higher.",
    contact=BY_TONE,
)
NOISE_PEAK = Measurand(
    "noise_peak",
    "V",
    what="The highest instantaneous voltage seen at the output while it was watched, no signal.",
    how="The largest sample of all records of the noise step; shown, not judged.",
    fooled_by="One mains click or a lead that moved makes the highest peak.",
)
OF_WEIGHTING = {
    Weighting.UNWEIGHTED: NOISE,
    Weighting.A: NOISE_A_WEIGHTED,
    Weighting.CCIR_468: NOISE_CCIR_468,
}


class OutputNoise(Step):
    """Noise at an output with no signal, and the highest peak while watching.

    Steady noise is averaged over all records. Random bursts from a failing device come and go: a
    record that stands out of the others by more than chance counts by itself.
    """

    kind: ClassVar[str] = "output_noise"
    yields: ClassVar = (
        judged(NOISE),
        judged(NOISE_A_WEIGHTED),
        judged(NOISE_CCIR_468),
        shown(NOISE_PEAK),
    )

    at: str
    weighting: Weighting = Weighting.UNWEIGHTED
    records: int = Field(default=10, ge=1, le=1000)
    record_time: Seconds = Field(default=0.5, gt=0.0)
    sample_rate: Hertz = Field(default=100e3, ge=50e3)

    @property
    def judges(self) -> tuple[Measurand, ...]:
        return (OF_WEIGHTING[self.weighting],)

    def needs(self, view: BenchView) -> Needs:
        seconds = self.records * self.record_time + 0.2
        return listening_needs(
            view, self.at, seconds, 1.0 / BAND_HZ[0], self.sample_rate, FILTERED_RATE_HZ
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return quiet_volts(self, view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        listening = Listening(
            ctx, self.at, sample_rate_hz=self.sample_rate, seconds=self.record_time
        )
        listening.prove()
        found: list[NoiseLevel] = []
        highest = 0.0
        kept = Kept()
        for number in range(1, self.records + 1):
            begun = ctx.clock.now()
            heard = listening.hear()
            kept.add(begun, heard)
            highest = max(highest, float(np.abs(heard.wave.volts).max()))
            found.append(heard.noise(self.weighting))
            ctx.progress(
                f"{1e3 * float(found[-1].rms.value.nominal_value):.3f} mV", number / self.records
            )
        listening.prove(again=True)
        kept.leave(ctx, f"noise-{self.id}")
        level, stands_out = level_of_records([one.rms for one in found])
        mains_v = math.sqrt(math.fsum(one.mains_v**2 for one in found) / len(found))
        level = beside_pick_up(level, mains_v, heard.pick_up_v(ctx.view, self.weighting))
        level = with_the_end(level, heard.rate_hz)
        of = f"{len(found)} records"
        which = f"the loudest of {of}, which stands out" if stands_out else f"mean of {of}"
        yield self.reading(
            self.judges[0],
            level.value,
            channel=self.channel,
            bound=level.bound,
            instruments=(ctx.scope.name,),
            note=f"{WORDS[self.weighting]}, {which}",
        )
        yield self.plain(NOISE_PEAK, highest, channel=self.channel, instruments=(ctx.scope.name,))


SIGNAL_TO_NOISE = Measurand(
    "signal_to_noise",
    "dB",
    what=(
        "How far the noise lies below the rated output voltage, in the weighting of the noise "
        "reading that it is made from (IEC 60268-3)."
    ),
    how=(
        "20 lg of rated voltage over the noise of an earlier output_noise step; 'at least' "
        "when that noise was within the scope's own."
    ),
    fooled_by=(
        "Figures of different weighting or reference (rated power, 1 W) are not the same "
        "figure: compare like with like."
    ),
    contact="That of the noise reading that it is made from.",
)


class SignalToNoise(Step):
    """Signal-to-noise ratio: the rated (or stated) output over an earlier noise reading.

    The weighting is that of the noise step that ``of`` names.
    """

    kind: ClassVar[str] = "signal_to_noise"
    yields: ClassVar = (judged(SIGNAL_TO_NOISE, "several", each="channel"),)

    of: str
    signal: VoltsExpression | None = Field(None, description="output, V rms; rated_voltage if none")

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        volts = view.unit.rated_voltage / 1e4
        return decibels(scope_share(view, volts), 80.0, BETTER_SCOPE)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        unit = ctx.view.unit
        signal = ctx.evaluate(self.signal, "V") if self.signal else unit.rated_voltage
        for reading, noise in ctx.measured(self.of):
            ratio = signal_to_noise_db(exactly(signal), noise)
            buried = reading.bound is Bound.AT_MOST
            yield self.reading(
                SIGNAL_TO_NOISE,
                ratio,
                channel=reading.channel,
                bound=Bound.AT_LEAST if buried else Bound.EXACT,
                instruments=reading.instruments,
                note=f"re {signal:.4g} V, {reading.note.partition(',')[0]}",
            )
