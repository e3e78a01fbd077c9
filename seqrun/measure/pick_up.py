"""What a lead picks up of the mains, in a reading of a quiet point.

Fields and loops put a line at the mains frequency onto every lead, another one wherever the lead
lies. At that frequency it adds to what the unit has as a phasor of unknown phase, so that a small
pick-up beside a large hum of the unit counts in full, and beside noise by its square (any textbook
on AC). Its multiples are much weaker (common practice) and are left out.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from seqrun.measure.bounds import Bounded
from seqrun.measure.spectrum import Spectrum, noise_about
from seqrun.measure.uncertain import variable
from seqrun.values import COVERAGE_FACTOR, Bound

Array = NDArray[np.float64]
PICK_UP = "pick-up of the leads"
#: where either mains frequency lies, with the lobe of a short record, and no multiple of it does
MAINS_BAND_HZ = (40.0, 70.0)


def mains_of(spectrum: Spectrum) -> float:
    """rms of what stands out of the noise at the mains frequency, 50 Hz or 60 Hz, V.

    Assumes that nothing but the mains has a line between 40 Hz and 70 Hz.
    """
    power = spectrum.power[1:]
    _, lines = noise_about(power, spectrum.window.half_lobe_bins)
    return mains_rms(power, lines, spectrum.bin_hz, 1)


def mains_rms(power: Array, lines: NDArray[np.bool_], bin_hz: float, start: int) -> float:
    """The same of a part of a spectrum, weighted or not, V.

    Args:
        power: mean square in each bin, V², shape (bins,).
        lines: which of them stand out of the noise (:func:`seqrun.measure.spectrum.noise_about`).
        bin_hz: width of a bin, Hz.
        start: number of the first bin, counted from DC.
    """
    low, high = (max(math.ceil(f / bin_hz) - start, 0) for f in MAINS_BAND_HZ)
    return math.sqrt(float(power[low:high][lines[low:high]].sum()))


def without(total_v: float, mains_v: float) -> float:
    """An rms without the part of it that lies at the mains frequency, V; mean squares add.

    Args:
        total_v, mains_v: the whole and that part, V rms.
    """
    return math.sqrt(max(total_v * total_v - mains_v * mains_v, 0.0))


def beside_pick_up(total: Bounded, mains_v: float, pick_up_v: float) -> Bounded:
    """An rms reading with what its leads may have picked up.

    Contribution: ``pick-up of the leads``, half of the largest departure that a pick-up of that
    size and any phase makes, so that U reaches it: up to √(total² + p² + 2 p · mains).

    Args:
        total: what was read, V rms.
        mains_v: the part of it that lies at the mains frequency, V rms.
        pick_up_v: the most that the leads pick up, V rms, weighted as the reading is.

    Returns:
        The reading with that line in its budget; at most, where pick-up may be all of it.
    """
    if pick_up_v <= 0.0:
        return total
    root = float(total.value.nominal_value)
    mains = min(mains_v, root)
    rest = root * root - mains * mains
    # Upwards is the further way: √(rest² + x²) bends up.
    u = (math.sqrt(rest + (mains + pick_up_v) ** 2) - root) / COVERAGE_FACTOR
    value = total.value + variable(0.0, u, PICK_UP, "rectangular")
    buried = root <= COVERAGE_FACTOR * float(value.std_dev)
    return Bounded(value, Bound.AT_MOST if buried else total.bound)
