"""Noise at an output with no signal: levels, signal-to-noise, random bursts.

Definitions: unweighted is the rms from 22 Hz to 22 kHz with sharp edges; A-weighted after
IEC 61672-1 within the same band (the curve itself goes on: white noise up to 100 kHz would read
0.26 dB more); CCIR-468 the rms of noise through the network of ITU-R BS.468-4 with 0 dB at 1 kHz,
likewise (the quasi-peak rectifier of that recommendation is not part of it).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, umath

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded, above_noise
from seqrun.measure.counts import CHANCE, most_events
from seqrun.measure.lines import hum_wave
from seqrun.measure.pick_up import mains_rms
from seqrun.measure.sinefit import check_record
from seqrun.measure.spectrum import Spectrum, noise_about, noise_scatter, power_spectrum
from seqrun.measure.uncertain import variable
from seqrun.measure.weighting import BAND_HZ, Weighting, power_weights
from seqrun.measure.windows import HANN
from seqrun.values import COVERAGE_FACTOR, Bound, budget_of, exactly, rectangular

#: part of half its sample rate that a sound interface passes whole (common practice)
FILTER_PASSES = 0.9

Array = NDArray[np.float64]
LEAST_FRAMES = 50  # that a threshold of bursts is made from
FRAME_S = 0.005  # shorter than the bursts looked for
LEAST_BINS = 20
STATISTICS = "statistics of the noise"
#: a record this many standard deviations above the others is no chance among a thousand
STANDS_OUT = 4.5
LEAST_LOUDER, MOST_LOUDER = 2.0, 10.0  # a burst's frame against a quiet one, rms
HUM_SHARE = 0.1  # of a record's mean square: less of it neither makes bursts nor hides them
#: share of the frames that are the quietest, and what their mean square may become when steady hum
#: is taken out: no more (our own choice, with room for chance)
QUIETEST, NO_LOUDER = 0.05, 1.2
#: the middle frame against the quietest twentieth, rms: beyond it the middle is in bursts; where
#: none stands out of them hum, whose quarter periods differ by less, has to be told from that, too
MERGED, NEVER_QUIET = 2.0, 8.0


@dataclass(frozen=True, slots=True)
class NoiseLevel:
    """rms of a noise record in a band and weighting, V, and the spectrum behind it; ``mains_v`` is
    the part of it that stands out at the mains frequency."""

    rms: Bounded
    weighting: Weighting
    spectrum: Spectrum
    mains_v: float = 0.0


def noise_level(
    volts: Array,
    sample_rate_hz: float,
    *,
    weighting: Weighting = Weighting.UNWEIGHTED,
    band_hz: tuple[float, float] = BAND_HZ,
    gain: UFloat | None = None,
    floor: UFloat | float | None = None,
    clipped: bool = False,
) -> NoiseLevel:
    """Noise level of one record.

    Contributions: ``statistics of the noise`` (for noise of even density over M bins a relative
    1/(2√M), here from the bins themselves, so that hum lines count as what they are), the vertical
    gain, and the instrument's own noise.

    Args:
        volts: samples, shape (points,), V.
        sample_rate_hz: samples per second.
        weighting, band_hz: which noise.
        gain: vertical gain of mean 1.
        floor: the scope's own rms in the same band and weighting, V (float: data-sheet limit).
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: clipped; sample rate below twice the band; record too short for its lower end.
    """
    check_record(volts, sample_rate_hz, None, clipped)
    if sample_rate_hz < 2.0 * band_hz[1]:
        raise NotMeasured(
            f"a sample rate of {sample_rate_hz:g} Hz",
            expected=f"at least {2.0 * band_hz[1]:g} Hz for noise up to {band_hz[1]:g} Hz",
        )
    spectrum = power_spectrum(volts, sample_rate_hz, HANN)
    if spectrum.bin_hz > band_hz[0]:
        raise NotMeasured(
            f"a record of {volts.size / sample_rate_hz:.3g} s",
            expected=f"at least {1.0 / band_hz[0]:.3g} s for noise from {band_hz[0]:g} Hz",
        )
    band = spectrum.bins(*band_hz)
    if band.stop - band.start < LEAST_BINS:
        raise NotMeasured("too few bins in the band", expected="a longer record")
    power = spectrum.power[band]
    typical, lines = noise_about(power, spectrum.window.half_lobe_bins)
    if weighting is not Weighting.UNWEIGHTED:
        at = np.arange(band.start, band.stop, dtype=np.float64) * spectrum.bin_hz
        weights = power_weights(weighting, at)
        power, typical = power * weights, typical * weights
    square = float(power.sum())
    if not square > 0.0:
        raise NotMeasured("a flat record", expected="noise", hint="is the probe on?")
    root = math.sqrt(square)
    u_square = noise_scatter(power, typical, lines, spectrum.spread)
    measured = variable(root, u_square / (2.0 * root), STATISTICS)
    scaled = measured * gain if gain is not None else measured
    mains_v = mains_rms(power, lines, spectrum.bin_hz, band.start)
    return NoiseLevel(above_noise(scaled, floor), weighting, spectrum, mains_v)


def signal_to_noise_db(signal_rms: UFloat, noise_rms: UFloat) -> UFloat:
    """Signal-to-noise ratio, dB: rms of the rated (or stated) output over rms of the noise in the
    stated weighting (IEC 60268-3). "At least" when the noise is at_most.

    Raises:
        NotMeasured: signal or noise not above zero.
    """
    if not (signal_rms.nominal_value > 0.0 and noise_rms.nominal_value > 0.0):
        raise NotMeasured("no signal or no noise", expected="both above zero")
    return 20.0 * umath.log10(signal_rms / noise_rms)


@dataclass(frozen=True, slots=True)
class Bursts:
    """Bursts found in a record.

    ``starts_s`` and ``lengths_s`` are on the record's time axis; ``peaks_v`` the largest
    magnitude of each; ``quiet_rms_v`` the rms between them; ``expected_by_chance`` how many of the
    frames steady noise would have set off. ``merged``: bursts fill so much of the record that
    its middle is no quiet level, so that the smaller ones were not seen: there are at least these.
    """

    starts_s: tuple[float, ...]
    lengths_s: tuple[float, ...]
    peaks_v: tuple[float, ...]
    quiet_rms_v: float
    threshold_rms_v: float
    expected_by_chance: float
    span_s: float
    frame_s: float
    merged: bool

    @property
    def quiet_s(self) -> float:
        """The time between bursts, s: only then can another be seen to begin."""
        return self.span_s - math.fsum(self.lengths_s)


def _least_square(volts: Array, square: Array, step_v: float) -> float:
    """The mean square below which frames are alike, V²: that of a record between two codes of the
    converter, which a signal of no size at all may sit between (half a step, rms). Where the step
    is not told and whole frames stand on one code, that of its rounding (step²/12)."""
    if step_v > 0.0:
        return (0.5 * step_v) ** 2
    if square.all():
        return 1e-300
    steps = np.diff(np.unique(volts))
    return max(float(steps.min()) ** 2 / 12.0, 1e-300) if steps.size else 1e-300


def find_bursts(
    volts: Array,
    sample_rate_hz: float,
    *,
    frame_s: float = FRAME_S,
    false_alarms: float = 0.01,
    step_v: float = 0.0,
    clipped: bool = False,
) -> Bursts:
    """Random bursts in the noise of an output.

    The record is cut into frames; a frame whose rms exceeds a threshold belongs to a burst, and
    neighbouring ones are one burst. The threshold is put where steady noise of the same quiet
    level and of the record's own frame-to-frame spread would exceed it ``false_alarms`` times in
    the whole record, within two to ten times the quiet rms. Quiet level and spread come from median
    and quartiles of the logarithm of the frames' mean squares, which bursts do not move while they
    fill less than a quarter of the record. (Robust statistics and extreme values; any textbook.)
    Steady hum is taken out first: its quarter periods are as different as bursts are. Hum that
    comes and goes is a burst.
    Frames between two codes of the converter count as quiet ones: what is no louder than twice that
    cannot be told from its steps.

    Args:
        volts: samples, shape (points,), V; slow drifts are taken out frame by frame.
        sample_rate_hz: samples per second.
        frame_s: length of a frame: shorter than the bursts looked for.
        false_alarms: expected number of frames set off by chance in the whole record.
        step_v: of the converter, V at the tip; 0: not known.

    Raises:
        NotMeasured: clipped, or fewer than fifty frames.
    """
    check_record(volts, sample_rate_hz, None, clipped)
    each = max(round(frame_s * sample_rate_hz), 8)
    count = volts.size // each
    if count < LEAST_FRAMES:
        raise NotMeasured(
            f"{count} frames of noise", expected=f"at least {LEAST_FRAMES}: a longer record"
        )
    frames, square = _frames(volts, count, each)
    hum = hum_wave(volts, sample_rate_hz, least_share=HUM_SHARE)
    if hum is not None:
        # Hum that comes and goes is a burst itself: taken out, it would be put where it was quiet.
        steady, less = _frames(volts - hum, count, each)
        if np.quantile(less, QUIETEST) <= NO_LOUDER * np.quantile(square, QUIETEST):
            frames, square = steady, less
    level = np.log(np.maximum(square, _least_square(volts, square, step_v)))
    middle = float(np.median(level))
    lowest, lower = np.quantile(level, (QUIETEST, 0.25)).tolist()
    # Upper spread from the lower half: bursts are only ever above.
    spread = (middle - lower) / 0.6745
    above = _quantile(1.0 - false_alarms / count) * max(spread, 1e-9) * 1.15
    limit = math.exp(middle + min(above, 2.0 * math.log(MOST_LOUDER)))
    # Hum makes frames of two kinds and bursts without end make a spread of any size: whatever the
    # statistics say, a burst is at least twice as loud as what is quiet, and ten times is one.
    typical = math.exp(middle)
    limit = min(max(limit, LEAST_LOUDER**2 * typical), MOST_LOUDER**2 * typical)
    loud = square > limit
    edges = np.flatnonzero(np.diff(np.concatenate([[False], loud, [False]]).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    peaks = [float(np.abs(frames[a:b]).max()) for a, b in zip(starts, stops, strict=True)]
    step = each / sample_rate_hz
    quiet = square[~loud]
    uneven = math.exp(0.5 * (middle - lowest))
    return Bursts(
        tuple((starts * step).tolist()),
        tuple(((stops - starts) * step).tolist()),
        tuple(peaks),
        math.sqrt(float(quiet.mean())) if quiet.size else math.nan,
        math.sqrt(limit),
        false_alarms,
        count * step,
        step,
        uneven > (MERGED if starts.size else NEVER_QUIET),
    )


def _frames(volts: Array, count: int, each: int) -> tuple[Array, Array]:
    """A record in frames, each without its mean, and their mean squares."""
    frames = volts[: count * each].reshape(count, each)
    frames = frames - frames.mean(axis=1, keepdims=True)
    return frames, np.einsum("ij,ij->i", frames, frames) / each


def _quantile(probability: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf(probability)


def burst_rate(bursts: int, quiet_s: float, frame_s: float) -> Bounded:
    """Rate of random events by how often one begins, 1/s, with the count's own chance.

    One that begins while another lasts is not seen, so that the time which counts is that without
    (the live time of a counter); and two within one frame are one. Of N quiet frames the share
    n/N is then followed by a loud one with the chance 1 - exp(-rate · frame) of a Poisson process.

    Args:
        bursts: beginnings that were seen.
        quiet_s: time watched less that within bursts, s. frame_s: length of a frame, s.

    Returns:
        The rate; with none at all, at most :func:`unseen_rate`; where no quiet time is left, at
        least one in each of its frames.

    Raises:
        NotMeasured: nothing was watched.
    """
    if bursts == 0 and not quiet_s > 0.0:
        raise NotMeasured("no time was watched", expected="some time with hands off")
    if bursts == 0:
        return Bounded(exactly(unseen_rate(quiet_s)), Bound.AT_MOST)
    frames = quiet_s / frame_s
    if bursts >= frames:
        return Bounded(exactly(1.0 / frame_s), Bound.AT_LEAST)
    share = bursts / frames
    rate = -math.log1p(-share) / frame_s
    u = math.sqrt(share / (1.0 - share) / frames) / frame_s
    # Of few the chance leans upwards: value + U reaches the exact bound of the count.
    most = most_events(bursts) * rate / bursts
    u = max(u, (most - rate) / COVERAGE_FACTOR)
    return Bounded(variable(rate, u, CHANCE), Bound.EXACT)


def unseen_rate(seconds: float) -> float:
    """The rate that no event in a time leaves possible at 97.7 %, 1/s: exp(-3.78) = 2.3 %, as sure
    as value + U of a normal distribution, one side (Poisson)."""
    return most_events(0) / seconds


def level_of_records(levels: Sequence[Bounded]) -> tuple[Bounded, bool]:
    """One level of many records: their mean square, or the loudest when it stands out.

    The spread about the middle is judged by the median, which a few loud records do not move. What
    records differ by beyond the statistics of each is ``scatter between the records``.

    Returns:
        The level, and whether it is the loudest alone.
    """
    values = np.array([float(one.value.nominal_value) for one in levels])
    loudest = int(values.argmax())
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    if len(levels) > 4 and values[loudest] > middle + STANDS_OUT * max(spread, 0.01 * middle):
        return levels[loudest], True
    square = exactly(0.0)
    for one in levels:
        square = square + one.value * one.value / len(levels)
    known = float(np.mean([_statistics(one) ** 2 for one in levels]))
    more = float(np.var(values, ddof=1)) - known if len(levels) > 1 else 0.0
    if more > 0.0:
        u = 2.0 * float(values.mean()) * math.sqrt(more / len(levels))
        square = square + variable(0.0, u, "scatter between the records")
    buried = any(one.bound is Bound.AT_MOST for one in levels)
    return Bounded(square**0.5, Bound.AT_MOST if buried else Bound.EXACT), False


def _statistics(level: Bounded) -> float:
    """Standard uncertainty of a record's level by its own statistics alone."""
    budget = budget_of(level.value)
    return math.hypot(*(c.standard_uncertainty for c in budget if c.source.name == STATISTICS))


def with_the_end(level: Bounded, rate_hz: float) -> Bounded:
    """A noise with what the filter of a converter that is hardly faster than twice the band may
    have taken from the end of it: of white noise at the most what is above its nine tenths.

    Args:
        level: rms from 22 Hz to 22 kHz. rate_hz: samples per second of the converter.
    """
    passed = FILTER_PASSES * 0.5 * rate_hz
    if passed >= BAND_HZ[1]:
        return level
    lost = 1.0 - math.sqrt(passed / BAND_HZ[1])
    more = rectangular(1.0 + 0.5 * lost, 0.5 * lost, "end of the band, in the converter's filter")
    return replace(level, value=level.value * more)
