"""The four-parameter sine fit of IEEE 1057: amplitude, phase, offset and frequency.

Model: ``y(t) = offset + amplitude · cos(2πft + phase)``, t from the first sample.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure import tones
from seqrun.measure.uncertain import variable

Array = NDArray[np.float64]
LEAST_CYCLES = 2.0
FEW_PERIODS = 8  # below this a power of two of the record may hold too few to tell the line by
TURN = 2.0 * math.pi


@dataclass(frozen=True, slots=True)
class SineFit:
    """A sine found in a record.

    Contributions: ``residual of the sine fit`` (least-squares covariance, residual taken as white
    noise), ``harmonics over a broken period`` (a product of the residual's size that does not
    complete its last period pulls the amplitude by up to √2·residual/(π·cycles)), vertical gain and
    offset as they were given.
    """

    frequency_hz: UFloat
    amplitude: UFloat  # peak, in the record's unit
    phase_rad: UFloat
    offset: UFloat
    residual_rms: float
    cycles: float
    points: int

    @property
    def rms(self) -> UFloat:
        """rms of the sine alone, in the record's unit."""
        return self.amplitude / math.sqrt(2.0)

    @property
    def sinad(self) -> UFloat:
        """rms of the sine over rms of all the rest up to half the sample rate (IEEE 1057), as a
        ratio; the offset counts as neither. Scatter of the residual: 1/√(2·points)."""
        rest = variable(
            max(self.residual_rms, 1e-300),
            self.residual_rms / math.sqrt(2.0 * self.points),
            "scatter of the residual",
        )
        return self.amplitude.nominal_value / math.sqrt(2.0) / rest


def fit_sine_4(
    values: Array,
    sample_rate_hz: float,
    frequency_hz: float | None = None,
    *,
    gain: UFloat | None = None,
    offset: UFloat | None = None,
    clipped: bool = False,
) -> SineFit:
    """Four-parameter fit: frequency as well (IEEE 1057), by Gauss–Newton.

    Args:
        values: record, shape (points,).
        sample_rate_hz: samples per second.
        frequency_hz: a start that is right to a part of a thousand or so (what the generator was
            set to); None: the largest line of the record's spectrum.
        gain, offset: vertical gain (mean 1) and offset (mean 0) with their uncertainties.
        clipped: whether the converter ran out of range.

    The frequency's uncertainty is that of the fit alone; the time base is the caller's.

    Raises:
        NotMeasured: clipped, aliased, too short, or no such tone.
    """
    check_record(values, sample_rate_hz, frequency_hz, clipped)
    rec = tones.record(values)
    if frequency_hz is None:
        omega = _strongest_line(values)
        check_record(values, sample_rate_hz, omega * sample_rate_hz / TURN, clipped)
    else:
        omega = TURN * frequency_hz / sample_rate_hz
    omega = refine(rec, _by_phase(rec, omega))
    cycles = omega * rec.points / TURN
    if not (cycles >= LEAST_CYCLES and omega < math.pi):
        raise NotMeasured(
            "the sine fit found no steady tone",
            expected=f"at least {LEAST_CYCLES:g} periods of one",
        )
    if frequency_hz is not None and abs(omega * sample_rate_hz / TURN / frequency_hz - 1.0) > 0.02:
        raise NotMeasured(
            f"the tone found is at {omega * sample_rate_hz / TURN:.6g} Hz",
            expected=f"{frequency_hz:g} Hz",
            hint="aliased, or the generator is not set as thought",
        )
    return _finish(rec, sample_rate_hz, omega, gain, offset)


def check_record(
    values: Array, sample_rate_hz: float, frequency_hz: float | None, clipped: bool
) -> None:
    """Refuse what no fit or spectrum can be trusted on.

    Args:
        values: samples, shape (points,).
        sample_rate_hz: samples per second.
        frequency_hz: of the tone, Hz; None: no tone is looked for.
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: converter clipped, not finite, tone at or above half the sample rate, fewer
            than two periods or sixteen points.
    """
    if clipped:
        raise NotMeasured("the converter ran out of range", expected="a higher vertical range")
    if values.ndim != 1 or values.size < 16:
        raise NotMeasured(f"a record of {values.size} points", expected="at least 16")
    if not math.isfinite(float(values.sum())):
        raise NotMeasured("the record holds values that are not numbers", expected="finite samples")
    if frequency_hz is None:
        return
    if not 0.0 < frequency_hz < sample_rate_hz / 2.0:
        raise NotMeasured(
            f"a tone of {frequency_hz:g} Hz sampled at {sample_rate_hz:g} Hz",
            expected="a tone below half the sample rate (it would be aliased)",
        )
    cycles = frequency_hz * values.size / sample_rate_hz
    if cycles < LEAST_CYCLES * (1.0 - 1e-9):
        raise NotMeasured(
            f"{cycles:.3g} periods of {frequency_hz:g} Hz in the record",
            expected=f"at least {LEAST_CYCLES:g}",
        )


def refine(rec: tones.Rows, omega: float) -> float:
    """Least-squares ω (rad per sample) from a start that misses by less than half a cycle over
    the record."""
    n = rec.points
    second_moment = n * (n * n - 1.0) / 12.0
    for _ in range(30):
        first, moment = tones.sums(rec, omega, weighted=True)
        a, b, c = _three(rec, omega, first)
        # Columns: cos, sin, 1 and g = m(b cos − a sin); all sums closed (see tones).
        d, d1, _ = tones.dirichlet(omega, n)
        e, e1, e2 = tones.dirichlet(2.0 * omega, n)
        g_cos, g_sin = a * e1 / 2.0, -b * e1 / 2.0
        g_one = a * d1
        g_g = (a * a * (second_moment + e2) + b * b * (second_moment - e2)) / 2.0
        matrix = np.array(
            [
                [(n + e) / 2.0, 0.0, d, g_cos],
                [0.0, (n - e) / 2.0, 0.0, g_sin],
                [d, 0.0, n, g_one],
                [g_cos, g_sin, g_one, g_g],
            ]
        )
        right = np.array([first.real, -first.imag, rec.total, b * moment.real + a * moment.imag])
        # The residual against (a, b, c, 0) keeps the step exact near the solution.
        right -= matrix @ np.array([a, b, c, 0.0])
        scale = np.sqrt(np.abs(np.diag(matrix)))
        scale[scale == 0.0] = 1.0
        try:
            step = float(
                (np.linalg.solve(matrix / np.outer(scale, scale), right / scale) / scale)[3]
            )
        except np.linalg.LinAlgError:
            break
        most = math.pi / n  # half a cycle over the record: beyond it the linear step is void
        step = min(max(step, -most), most)
        omega += step
        if abs(step) * n < 1e-11:
            break
    return omega


def _three(rec: tones.Rows, omega: float, first: complex) -> tuple[float, float, float]:
    n = rec.points
    d, e = tones.dirichlet(omega, n)[0], tones.dirichlet(2.0 * omega, n)[0]
    cc, ss = (n + e) / 2.0, (n - e) / 2.0
    det = cc * n - d * d
    a = (first.real * n - rec.total * d) / det
    c = (rec.total * cc - first.real * d) / det
    return a, -first.imag / ss, c


def _by_phase(rec: tones.Rows, omega: float) -> float:
    """Bring a start nearer: the turn of the demodulated phase from segment to segment."""
    cycles = omega * rec.points / TURN
    for segments in (8, 32):
        if cycles < 4.0 * segments or rec.rows.shape[0] < segments:
            continue
        phasors, spacing = tones.segment_phasors(rec, omega, segments)
        if phasors.size >= 2:
            omega += cmath.phase(complex(np.vdot(phasors[:-1], phasors[1:]))) / spacing
    return omega


def _strongest_line(values: Array) -> float:
    """ω of the largest line: Hann-windowed spectrum and a parabola through the logarithms.

    A power of two of the record does where it holds many periods; of few, every sample counts.
    """
    points = 1 << (values.size.bit_length() - 1)
    spectrum = _hann_lines(values[:points])
    if np.argmax(spectrum) < FEW_PERIODS:
        points = values.size
        spectrum = _hann_lines(values)
    peak = int(np.argmax(spectrum))
    if not spectrum[peak] > 0.0:
        raise NotMeasured("a flat record", expected="a tone")
    shift = 0.0
    if 0 < peak < spectrum.size - 1:
        low, top, high = np.log(np.maximum(spectrum[peak - 1 : peak + 2], 1e-300))
        curve = low - 2.0 * top + high
        shift = float(0.5 * (low - high) / curve) if curve < 0.0 else 0.0
    return TURN * (peak + 1 + shift) / points


def _hann_lines(values: Array) -> Array:
    """Lines 1, 2, … of the Hann-windowed spectrum: the window is a sum over three neighbours."""
    raw = np.fft.rfft(values - values.mean())
    lines: Array = np.abs(raw[1:-1] / 2.0 - (raw[:-2] + raw[2:]) / 4.0)
    return lines


def _finish(
    rec: tones.Rows,
    sample_rate_hz: float,
    omega: float,
    gain: UFloat | None,
    offset: UFloat | None,
) -> SineFit:
    found = tones.fit_tones(rec, [omega])
    n = rec.points
    phasor = found.phasors[0]
    amplitude = abs(phasor)
    freedom = n - 4
    residual = math.sqrt(found.residual_square / n)
    sigma = math.sqrt(found.residual_square / freedom)
    # Noise alone reaches √(2 ln n) times this with the frequency free.
    if amplitude <= 6.0 * sigma * math.sqrt(2.0 / n):
        raise NotMeasured(
            f"no tone at {omega * sample_rate_hz / TURN:.6g} Hz above the noise",
            expected="a tone that stands out",
        )
    white = "residual of the sine fit"
    cycles = omega * n / TURN
    broken = abs(cycles - round(cycles)) > 1e-3
    pull = math.sqrt(2.0) * residual / (math.pi * cycles) / math.sqrt(3.0) if broken else 0.0
    u_amplitude = sigma * math.sqrt(2.0 / n)
    # Frequency and phase at the first sample go together: both from the centred fit.
    u_omega = sigma / amplitude * math.sqrt(24.0 / (n * (float(n) * n - 1.0)))
    turn = variable(omega, u_omega, white)
    phase = variable(cmath.phase(phasor), u_amplitude / amplitude, white) - turn * rec.centre
    phase = phase - TURN * round(phase.nominal_value / TURN)
    scale = gain if gain is not None else 1.0
    level = variable(amplitude, u_amplitude, white) + variable(
        0.0, pull, "harmonics over a broken period", "rectangular"
    )
    rest = variable(found.offset, sigma / math.sqrt(n), white) * scale
    return SineFit(
        turn * sample_rate_hz / TURN,
        level * scale,
        phase,
        rest + offset if offset is not None else rest,
        residual,
        cycles,
        n,
    )
