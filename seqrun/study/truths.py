"""What a reading should have been, by its definition, worked out from the world's exact values.

``truth`` is the simulated world's truth interface throughout. Where a quantity belongs to a moment
at which the unit is driven, a *watch* notes it down when the scope is asked for its record.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from seqrun.measure.distortion import HARMONICS
from seqrun.measure.weighting import BAND_HZ, Weighting, power_weights

Array = NDArray[np.float64]
GRID_HZ = 1.0  # of integrals over noise


def spectrum(truth: Any, channel: str) -> NDArray[np.complex128]:
    """Peak phasors of the multiples of the output's period; empty without a tone."""
    period, table = truth.output(channel)
    if period is None:
        return np.zeros(0, dtype=np.complex128)
    phasors: NDArray[np.complex128] = np.fft.rfft(table) / (0.5 * table.size)
    return phasors


def fundamental_v(truth: Any, channel: str) -> float:
    """V rms of the tone at an output."""
    lines = spectrum(truth, channel)
    return float(abs(lines[1])) / math.sqrt(2.0) if lines.size > 1 else 0.0


def thd(truth: Any, channel: str, highest: int = HARMONICS) -> float:
    """The harmonics that the steps count, over the fundamental, at the present drive."""
    size = np.abs(spectrum(truth, channel))
    if size.size <= highest:
        return 0.0
    return float(np.sqrt((size[2 : highest + 1] ** 2).sum()) / max(size[1], 1e-30))


def load_w(truth: Any, channel: str) -> float:
    """W into a load at the present drive."""
    _, table = truth.output(channel)
    return float(np.var(table)) / float(truth.load_ohm(channel))


def supply_w(truth: Any) -> float:
    """W that the supply gives at its terminals."""
    return math.fsum(
        truth.supply_volts(rail[5:]) * truth.supply_current(rail[5:]) for rail in truth.rail_names
    )


def heat_w(truth: Any) -> float:
    """W that stay in the unit."""
    return supply_w(truth) - sum(load_w(truth, c) for c in truth.channel_names)


def power_at_distortion(
    truth: Any, channel: str, distortion: float, frequency_hz: float = 1000.0
) -> float:
    """W into a load at a distortion near the present level, all channels driven alike."""
    level = float(truth.input_v_rms(channel))
    low, high = 0.8 * level, 1.2 * level
    for _ in range(13):
        middle = 0.5 * (low + high)
        with truth.driven(middle, frequency_hz):
            low, high = (low, middle) if thd(truth, channel) > distortion else (middle, high)
    with truth.driven(low, frequency_hz):
        return load_w(truth, channel)


def clipping_onset_w(truth: Any, channel: str, frequency_hz: float = 1000.0) -> float:
    """W into a load at which its tops begin to be cut off, all channels driven alike."""
    gain = float(truth.gain(channel, frequency_hz))
    low, high = 0.0, abs(float(truth.rail("pos"))) / math.sqrt(2.0) / gain
    for _ in range(16):
        middle = 0.5 * (low + high)
        with truth.driven(middle, frequency_hz):
            low, high = (low, middle) if truth.clips(channel) else (middle, high)
    with truth.driven(low, frequency_hz):
        return load_w(truth, channel)


def noise_v(truth: Any, channel: str, weighting: Weighting = Weighting.UNWEIGHTED) -> float:
    """V rms of noise and hum at an output, 22 Hz to 22 kHz, weighted."""
    f = np.arange(BAND_HZ[0], BAND_HZ[1], GRID_HZ) + 0.5 * GRID_HZ
    hi, lo = truth.terminals(channel)
    density = truth.noise_density(hi, f, lo)
    square = float((density**2 * power_weights(weighting, f)).sum()) * GRID_HZ
    lines = truth.lines(hi, lo)
    at = np.array([line for line in lines if BAND_HZ[0] <= line <= BAND_HZ[1]])
    if at.size:
        rms = np.array([lines[float(line)] for line in at])
        square += float((rms**2 * power_weights(weighting, at)).sum())
    return math.sqrt(square)


def hum_v(truth: Any, channel: str, mains_hz: float = 50.0, multiples: int = 10) -> float:
    """V rms of the lines at multiples of the mains."""
    top = (multiples + 0.5) * mains_hz
    lines = truth.lines(*truth.terminals(channel))
    return math.hypot(0.0, *(v for f, v in lines.items() if f < top))


def ripple_v(truth: Any, rail: str, sample_rate_hz: float = 100e3) -> float:
    """V rms of all that is not DC on a rail, up to half of the sample rate."""
    f = np.array([1000.0])  # white
    density = float(truth.noise_density(rail, f)[0])
    return math.hypot(density * math.sqrt(0.5 * sample_rate_hz), *truth.lines(rail).values())


def response(truth: Any, channel: str, frequency_hz: float, watts: float = 1.0) -> float:
    """Output over input at the level that gives a power at 1 kHz, plain ratio, feedback and load
    included: where feedback gets scarce the level counts."""
    volts = math.sqrt(watts * float(truth.load_ohm(channel))) / float(truth.gain(channel, 1000.0))
    with truth.driven(volts, frequency_hz):
        return fundamental_v(truth, channel) / volts


def flatness_db(truth: Any, channel: str, low_hz: float = 20.0, high_hz: float = 20e3) -> float:
    """Largest departure of the loaded output from its level at 1 kHz within a band, dB."""
    middle = response(truth, channel, 1000.0)
    at = np.geomspace(low_hz, high_hz, 16)
    return max(abs(20.0 * math.log10(response(truth, channel, f) / middle)) for f in at)


def corner_hz(truth: Any, channel: str, outer_hz: float) -> float:
    """Where the response has fallen by 3 dB re 1 kHz, between 1 kHz and ``outer_hz``."""
    from scipy.optimize import brentq

    wanted = response(truth, channel, 1000.0) / math.sqrt(2.0)

    def above(log_hz: float) -> float:
        return response(truth, channel, math.exp(log_hz)) / wanted - 1.0

    return math.exp(brentq(above, math.log(1000.0), math.log(outer_hz), xtol=1e-4))


def device_currents(truth: Any) -> dict[str, float]:
    """A, of every output device by its place, such as ``left.upper.1`` or ``left.pos.upper.1``."""
    return {
        ".".join(filter(None, (channel, side, half, str(number)))): float(
            truth.device_current(channel, half, number, side)
        )
        for channel, side, half, number in truth.device_places
    }


def ballasts(truth: Any) -> dict[str, float]:
    """Ω, of every ballast by the place of its device."""
    return {
        ".".join(filter(None, (channel, side, half, str(number)))): float(
            truth.ballast(channel, half, number, side)
        )
        for channel, side, half, number in truth.device_places
    }


def sharing(currents: list[float]) -> float:
    """Largest departure from the mean of parallel devices, %."""
    mean = math.fsum(currents) / len(currents)
    return 100.0 * max(abs(one / mean - 1.0) for one in currents)
