"""Levels at rest: offset, idle current and its drift, sharing, ripple, sag.

All functions take readings as UFloats whose variables are shared where the instrument, range or
part is shared, so that systematic parts cancel in differences and ratios as they do on the bench
(JCGM 100:2008, 5.2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, covariance_matrix

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded, above_noise
from seqrun.measure.pick_up import mains_of
from seqrun.measure.sinefit import check_record
from seqrun.measure.spectrum import power_spectrum
from seqrun.measure.uncertain import magnitude, mean, scatter_of_mean, variable
from seqrun.measure.windows import HANN
from seqrun.values import COVERAGE_FACTOR

LEAST_PERIODS = 4  # of the mains, for their scatter


def idle_current(drop: UFloat, ballast: UFloat) -> UFloat:
    """Idle current of one output device from the drop across its ballast resistor, A.

    Definition: I = V/R with no signal. Assumes that the meter's own current (10 MΩ against
    fractions of an ohm) is negligible and that thermal voltages at the clips stay within the
    meter's offset specification.

    Args:
        drop: voltage across the ballast, V, hot end minus cold end.
        ballast: its resistance, Ω; one variable per resistor, made once, so that hot-against-cold
            differences keep only what really differs.

    Raises:
        NotMeasured: ballast not above zero.
    """
    if not ballast.nominal_value > 0.0:
        raise NotMeasured(
            f"ballast resistance of {ballast.nominal_value:g} Ω", expected="more than 0 Ω"
        )
    return drop / ballast


def drift(hot: UFloat, cold: UFloat) -> UFloat:
    """Change of a level between two readings, hot minus cold, in their unit."""
    return hot - cold


def shares(currents: Sequence[UFloat], whole: UFloat | None = None) -> list[UFloat]:
    """Each device's current as a ratio of the mean of its parallel group, less one.

    0 = a perfect share; for a dead device −1. The gain error of a common meter range cancels;
    ballast tolerances do not.

    Args:
        whole: what they carry together, A, where that is measured by itself: an equal share is
            its n-th part then, and errors common to ``currents`` do not cancel.

    Raises:
        NotMeasured: fewer than two devices, or a mean current that is zero within its uncertainty.
    """
    if len(currents) < 2:
        raise NotMeasured(f"{len(currents)} device current", expected="at least two in parallel")
    middle = mean(currents) if whole is None else whole / len(currents)
    if abs(middle.nominal_value) <= COVERAGE_FACTOR * middle.std_dev:
        raise NotMeasured(
            f"mean device current {middle.nominal_value:.3g} A is zero within its uncertainty",
            expected="devices that carry current",
            hint="check that the unit is biased and the ballast hookup is right",
        )
    return [current / middle - 1.0 for current in currents]


def share_u(tolerance: float, devices: int) -> float:
    """Standard uncertainty that ballast resistors leave in one of :func:`shares`, for forecasts.

    Each departs from the mean of n with 1 − 1/n of its own variance.

    Args:
        tolerance: of the resistors, a ratio (rectangular, ±).
        devices: in parallel.
    """
    return tolerance / math.sqrt(3.0) * math.sqrt(1.0 - 1.0 / devices)


def sharing(currents: Sequence[UFloat], whole: UFloat | None = None) -> UFloat:
    """Largest departure of a parallel device from its group's mean, as a ratio (≥ 0).

    Definition: max |I_k/mean(I) − 1|. n matched devices each carry 1/n and give 0; one dead
    device of two gives 1. With more than two devices the largest of several noisy departures lies
    too high; by how much is in the budget as ``choice of the largest``.

    Args:
        whole: see :func:`shares`.
    """
    departures = shares(currents, whole)
    worst = max(departures, key=lambda d: abs(d.nominal_value))
    value = magnitude(worst)
    if len(departures) > 2:
        value = value + variable(0.0, _choice(departures), "choice of the largest")
    return value


def _choice(departures: Sequence[UFloat]) -> float:
    """What u of the largest departure lacks for ± 2 u to hold the truth at 95 %.

    A simulation with a fixed seed from the readings' own covariance, about departures that are
    shrunk by what noise alone may make of them.
    """
    nominal = np.array([d.nominal_value for d in departures])
    scale, axes = np.linalg.eigh(np.array(covariance_matrix(list(departures))))
    noise = np.random.default_rng(0).standard_normal((2000, nominal.size))
    noise = noise * np.sqrt(np.clip(scale, 0.0, None)) @ axes.T
    largest = float(np.abs(nominal).max())
    by_noise = float(np.quantile(np.abs(noise).max(axis=1), 0.95))
    keep = math.sqrt(1.0 - (by_noise / largest) ** 2) if largest > by_noise else 0.0
    shrunk = keep * nominal
    errors = np.abs(shrunk + noise).max(axis=1) - np.abs(shrunk).max()
    needed = float(np.quantile(np.abs(errors), 0.95)) / COVERAGE_FACTOR
    own = float(departures[int(np.argmax(np.abs(nominal)))].std_dev)
    return math.sqrt(max(needed**2 - own**2, 0.0))


@dataclass(frozen=True, slots=True)
class RippleLevels:
    """Ripple of a rail: rms and peak-to-peak of all that is not DC, and the part of the rms that
    stands out at the mains frequency, V."""

    rms_v: Bounded
    peak_to_peak_v: UFloat
    mains_v: float


def ripple(
    volts: NDArray[np.float64],
    sample_rate_hz: float,
    *,
    mains_hz: float = 50.0,
    gain: UFloat | None = None,
    floor_v: UFloat | float | None = None,
    lsb_v: float = 0.0,
    clipped: bool = False,
) -> RippleLevels:
    """Ripple on a rail from a capture.

    Definition: the rms about the mean, and highest minus lowest sample. The record is cut to whole
    periods of the mains so that hum does not leak into the mean.

    Args:
        volts: samples, shape (points,), V.
        sample_rate_hz: samples per second.
        mains_hz: 50 or 60.
        gain: vertical gain of mean 1 with its uncertainty.
        floor_v: the scope's own rms noise at this range, V.
        lsb_v: converter step, V, in the peak-to-peak (rectangular, ± one step in all).

    Raises:
        NotMeasured: converter clipped, samples that are no numbers, or fewer than four mains
            periods in the record.
    """
    check_record(volts, sample_rate_hz, None, clipped)
    per_period = sample_rate_hz / mains_hz
    periods = math.floor(len(volts) / per_period + 1e-9)
    if periods < LEAST_PERIODS:
        raise NotMeasured(
            f"{len(volts) / sample_rate_hz:.3g} s of record",
            expected=f"at least {LEAST_PERIODS} periods of {mains_hz:g} Hz",
        )
    used = volts[: round(periods * per_period)]
    ac = used - used.mean()
    rms = math.sqrt(float(ac @ ac) / ac.size)
    squares = [float(part @ part) / part.size for part in np.array_split(ac, periods)]
    u_rms = scatter_of_mean(squares) / (2.0 * rms) if rms > 0.0 else 0.0
    scale = gain if gain is not None else 1.0
    measured = variable(rms, u_rms, "scatter between periods") * scale
    span = variable(
        float(used.max() - used.min()), lsb_v / math.sqrt(3.0), "quantisation", "rectangular"
    )
    mains_v = mains_of(power_spectrum(used, sample_rate_hz, HANN))
    return RippleLevels(above_noise(measured, floor_v), span * scale, mains_v)


def sag(unloaded: UFloat, loaded: UFloat) -> UFloat:
    """Rail sag: how far the rail's magnitude falls from no signal to full power, V.

    Args:
        unloaded, loaded: the rail's voltage without and with the load, V, of either sign; on one
            range of one meter, so that its offset cancels.
    """
    return magnitude(unloaded) - magnitude(loaded)


def sag_ratio(unloaded: UFloat, loaded: UFloat) -> UFloat:
    """Rail sag as a ratio of the unloaded rail; the meter's gain error cancels.

    Args:
        unloaded, loaded: as :func:`sag`.

    Raises:
        NotMeasured: no rail voltage to begin with.
    """
    if abs(unloaded.nominal_value) <= COVERAGE_FACTOR * unloaded.std_dev:
        raise NotMeasured("no rail voltage", expected="a rail that is up")
    return 1.0 - magnitude(loaded) / magnitude(unloaded)
