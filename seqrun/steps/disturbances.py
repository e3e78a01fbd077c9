"""Steps that look for what disturbs a quiet point: hum, whine, random bursts."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import ClassVar, Literal

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.files.expression import VoltsExpression
from seqrun.measure.counts import surely_beyond
from seqrun.measure.lines import LEAST_PERIODS, Line, find_lines, hum, not_among, threshold
from seqrun.measure.noise import (
    FRAME_S,
    LEAST_FRAMES,
    burst_rate,
    find_bursts,
    noise_level,
    unseen_rate,
)
from seqrun.measure.pick_up import MAINS_BAND_HZ, beside_pick_up
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Seconds
from seqrun.steps.common.contact import BY_TONE
from seqrun.steps.common.faintest import WORDS, faintest_v, least_quiet, refuse_deaf, too_coarse
from seqrun.steps.common.forecasts import quiet_volts
from seqrun.steps.common.heard import Kept
from seqrun.steps.common.listening import Heard, Listening, listening_needs
from seqrun.values import Bound

SAME_LINE_BINS = 20.0  # this near to a line of the unit, one on ground is the same


HUM = Measurand(
    "hum",
    "V",
    what="The rms of all lines at multiples of the mains frequency, no signal.",
    how=(
        "The spectrum of a record of the point; the mains is found within 1 % and each "
        "multiple read with the noise under it taken out."
    ),
    fooled_by=(
        "The bench's own hum: earth loops through scope and generator. Compare with the input "
        "shorted at the socket, and with the generator's lead off."
    ),
    contact=BY_TONE,
)
HUM_LINE = Measurand(
    "hum_line",
    "V",
    what="One line of the hum; the note tells its frequency.",
    how="As hum. Shown, not judged.",
    fooled_by="50 Hz (60 Hz) points to loops and fields, its even multiples to the rectified "
    "supply.",
    contact=BY_TONE,
)
HUM_RECTIFIED_SHARE = Measurand(
    "hum_rectified_share",
    "%",
    title="share of even multiples in the hum",
    what=(
        "Share of the even multiples in the hum's power: near 100 % the reservoir or its "
        "regulator is suspect, near 0 % a ground loop."
    ),
    how="As hum, by the sum of squares. Shown, not judged.",
    fooled_by="Says nothing when the hum itself is buried in noise.",
)


class HumLines(Step):
    """Hum at a point with no signal: the mains and its multiples, line by line.

    The even multiples (100 Hz or 120 Hz and up) come from rectifiers and tired reservoir
    capacitors; the mains itself from ground loops and stray fields.
    """

    kind: ClassVar[str] = "hum"
    yields: ClassVar = (
        judged(HUM),
        shown(HUM_LINE, "several", each="line"),
        shown(HUM_RECTIFIED_SHARE),
    )

    at: str
    mains: Hertz = Field(default=50.0, description="50 Hz or 60 Hz")
    multiples: int = Field(default=10, ge=1, le=40)
    record_time: Seconds = Field(default=1.0, ge=0.2)
    sample_rate: Hertz = Field(default=20e3, gt=2000.0)

    def needs(self, view: BenchView) -> Needs:
        seconds = 2.0 * self.record_time + 0.8
        return listening_needs(view, self.at, seconds, LEAST_PERIODS / self.mains, self.sample_rate)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return quiet_volts(self, view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        listening = Listening(
            ctx, self.at, sample_rate_hz=self.sample_rate, seconds=self.record_time
        )
        listening.prove()
        heard = listening.hear()
        listening.prove(again=True)
        found = hum(
            heard.wave.volts,
            heard.rate_hz,
            mains_hz=self.mains,
            multiples=self.multiples,
            gain=heard.wave.gain,
            clipped=heard.wave.clipped,
        )
        total = beside_pick_up(found.total, found.mains_v, heard.pick_up_v(ctx.view))
        place, names = self.channel or self.at, (ctx.scope.name,)
        yield self.reading(
            HUM,
            total.value,
            bound=total.bound,
            note=f"{self.multiples} multiples of {found.mains_hz:.2f} Hz",
            channel=place,
            instruments=names,
        )
        for line in found.lines:
            if line.rms.bound is Bound.EXACT:
                level = line.rms
                if MAINS_BAND_HZ[0] <= line.frequency_hz <= MAINS_BAND_HZ[1]:
                    alone = float(level.value.nominal_value)
                    level = beside_pick_up(level, alone, heard.pick_up_v(ctx.view))
                yield self.reading(
                    HUM_LINE,
                    level.value,
                    bound=level.bound,
                    note=f"{line.frequency_hz:.1f} Hz",
                    judged=False,
                    channel=place,
                    instruments=names,
                )
        if found.total.bound is Bound.EXACT:
            yield self.plain(
                HUM_RECTIFIED_SHARE,
                100.0 * found.rectified_share,
                channel=place,
                instruments=names,
            )


WHINE = Measurand(
    "whine",
    "V",
    what=(
        "The strongest single line between two frequencies, no signal: as a rule the "
        "switching frequency of a supply, or its beat with another."
    ),
    how=(
        "The spectrum of a record; a line counts when noise alone would reach it once in a "
        "hundred records. 'At most' what would have stood out when nothing did."
    ),
    fooled_by=(
        "Lines above half the sample rate fold down; the bench's own switching supplies, "
        "displays and lamps: look once with the unit off."
    ),
    contact=BY_TONE,
)
WHINE_FREQUENCY = Measurand(
    "whine_frequency",
    "Hz",
    what="Where the strongest line lies.",
    how="As whine. Shown, not judged.",
    fooled_by="A line that moves with the sample rate is folded down from above: change the rate.",
)


class WhineLines(Step):
    """Lines that stand out of the noise at a point: the whine of a switching supply.

    The strongest is judged; where nothing stands out, it is at most what would have.
    """

    kind: ClassVar[str] = "whine"
    yields: ClassVar = (judged(WHINE), shown(WHINE_FREQUENCY))

    at: str
    low: Hertz = Field(default=1000.0, gt=0.0)
    high: Hertz = Field(default=100e3, gt=0.0)
    record_time: Seconds = Field(default=0.5, gt=0.0)
    shown: int = Field(default=3, ge=1, le=10)

    def needs(self, view: BenchView) -> Needs:
        return listening_needs(view, self.at, 2.0 * self.record_time + 0.7)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return quiet_volts(self, view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        listening = Listening(
            ctx, self.at, sample_rate_hz=2.5 * self.high, seconds=self.record_time
        )
        listening.prove()
        heard = listening.hear()
        listening.prove(again=True)
        top = min(self.high, 0.45 * heard.rate_hz)
        lines = self._of_the_unit(heard, top)
        place, names = self.channel or self.at, (ctx.scope.name,)
        if not lines:
            level = noise_level(
                heard.wave.volts, heard.rate_hz, band_hz=(self.low, top), gain=heard.wave.gain
            )
            bins = (top - self.low) / level.spectrum.bin_hz
            yield self.reading(
                WHINE,
                level.rms.value * math.sqrt(threshold(bins) / bins),
                bound=Bound.AT_MOST,
                channel=place,
                instruments=names,
                note="no line stands out of the noise",
            )
            return
        for number, line in enumerate(lines):
            yield self.reading(
                WHINE,
                line.rms.value,
                bound=line.rms.bound,
                channel=place,
                instruments=names,
                note=f"{line.frequency_hz:.1f} Hz",
                judged=number == 0,
            )
        yield self.plain(WHINE_FREQUENCY, lines[0].frequency_hz, channel=place, instruments=names)

    def _of_the_unit(self, heard: Heard, top_hz: float) -> tuple[Line, ...]:
        """The lines, less those that the probe on ground shows as well."""
        lines = find_lines(
            heard.wave.volts,
            heard.rate_hz,
            low_hz=self.low,
            high_hz=top_hz,
            gain=heard.wave.gain,
            most=self.shown,
            clipped=heard.wave.clipped,
        )
        if heard.own is None or not lines:
            return lines
        bench = find_lines(heard.own, heard.rate_hz, low_hz=self.low, high_hz=top_hz)
        return not_among(lines, bench, SAME_LINE_BINS / self.record_time)


BURST_RATE = Measurand(
    "burst_rate",
    "Hz",
    what="Random bursts of noise per second of watching (0.1 Hz is one in ten seconds).",
    how=(
        "Records of the output are cut into frames of 5 ms; a frame far louder than the quiet "
        "ones begins a burst. The count's own chance (Poisson) is in the uncertainty; with no "
        "burst at all the rate is 'at most' 3.8 divided by the time watched."
    ),
    fooled_by=(
        "Lamps switched, tools, a lead that moves. Bursts come when warm or tapped: watch long "
        "enough, and warm."
    ),
    contact=BY_TONE,
)
BURST_PEAK = Measurand(
    "burst_peak",
    "V",
    what="The largest magnitude within a burst.",
    how="The highest sample of the loudest burst while watching. Shown, not judged.",
    fooled_by="One click from outside is enough.",
)


class NoiseBursts(Step):
    """Watch a point for random bursts, and count them.

    A device that is about to fail crackles now and then; a short look misses it.
    """

    kind: ClassVar[str] = "noise_bursts"
    yields: ClassVar = (judged(BURST_RATE), shown(BURST_PEAK))

    at: str
    watch: Seconds = Field(default=60.0, gt=0.0)
    record_time: Seconds = Field(default=2.0, ge=0.5)
    sample_rate: Hertz = Field(default=50e3, gt=5000.0)
    trace: Literal["none", "levels"] = "levels"
    faintest: VoltsExpression | None = Field(None, description=WORDS)

    def leans_on(self, view: BenchView, others: Mapping[str, Step]) -> None:
        least = least_quiet(view, self.at)
        refuse_deaf(view, least, faintest_v(view, self.faintest), self.id)

    def needs(self, view: BenchView) -> Needs:
        seconds = 1.15 * self.watch + 0.5
        return listening_needs(view, self.at, seconds, LEAST_FRAMES * FRAME_S, self.sample_rate)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        # No burst at all is "at most" this; the count's own chance is in it.
        return Forecast(0.0, unseen_rate(self.watch), better="a longer watch")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        listening = Listening(
            ctx, self.at, sample_rate_hz=self.sample_rate, seconds=self.record_time
        )
        listening.prove()
        bursts, span, between, frame, peak, threshold = 0, 0.0, 0.0, 0.0, 0.0, 0.0
        merged = False
        begun = ctx.clock.now()
        kept = Kept()
        times: list[float] = []
        quiet: list[float] = []
        while span < self.watch:
            start = ctx.clock.now()
            heard = listening.count()
            kept.add(start, heard)
            # One that a burst drives beyond the range is counted like any other.
            found = find_bursts(heard.wave.volts, heard.rate_hz, step_v=heard.wave.lsb_v)
            bursts += len(found.starts_s)
            span += found.span_s
            between += found.quiet_s
            merged |= found.merged
            frame = found.frame_s
            peak = max((peak, *found.peaks_v))
            threshold = max(threshold, found.threshold_rms_v)
            times.append(ctx.clock.now() - begun)
            quiet.append(found.quiet_rms_v)
            ctx.progress(f"{bursts} bursts in {span:.0f} s", min(span / self.watch, 1.0))
        listening.prove(again=True)
        kept.leave(ctx, f"bursts-{self.id}", threshold)
        if self.trace == "levels":
            ctx.trace(f"quiet-{self.id}", {"time_s": times, "quiet_v": quiet})
        place, names = self.channel or self.at, (ctx.scope.name,)
        note = f"{bursts} in {span:.0f} s above {1e3 * threshold:.3g} mV rms for 5 ms"
        if merged and not bursts:
            raise NotMeasured(
                "bursts without end: the output is never quiet",
                expected="a quiet level that bursts stand out of",
                where=place,
            )
        wanted = faintest_v(ctx.view, self.faintest)
        deaf = threshold > wanted
        if deaf and not bursts:
            raise NotMeasured(
                too_coarse(threshold, wanted),
                expected="a threshold below the faintest burst that counts",
                where=place,
            )
        high = ctx.limit.high if ctx.limit is not None else None
        rate = surely_beyond(burst_rate(bursts, between, frame), bursts, high)
        yield self.reading(
            BURST_RATE,
            rate.value,
            # What was heard was there: fainter ones, or those within others, are more.
            bound=Bound.AT_LEAST if merged or deaf else rate.bound,
            note=note + ", which run into one another" * merged,
            channel=place,
            instruments=names,
        )
        if bursts:
            yield self.plain(BURST_PEAK, peak, channel=place, instruments=names)
