"""What a person reads off a scope's screen, worked out from a record where one can be had."""

from __future__ import annotations

import numpy as np
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.instruments.by_hand import SURE, ScopeByHand, Shown
from seqrun.instruments.roles import Scope
from seqrun.values import rectangular

POINTS = 2000
SPAN_S = 0.02  # one period of the mains: what a screen shows of a tone at ten divisions
FLAT = 0.02  # of the height: samples so near a top are at it
FLAT_SHARE = 0.25  # a sine spends 18 % of its time so near its tops, a clipped one more


def on_screen(scope: Scope, what: Shown, channel: int, peak_v: float) -> UFloat:
    """One thing that a screen shows, base unit; 1 or 0 for clipped.

    Raises:
        NotMeasured: the waveform leaves the screen, or has no frequency.
    """
    if isinstance(scope, ScopeByHand):
        return scope.on_screen(what, channel, peak_v)
    taken = scope.acquire(
        {channel: peak_v},
        sample_rate_hz=POINTS / SPAN_S,
        points=POINTS,
        coupling="AC" if what == "rms" else "DC",
    )
    if taken.clipped[channel]:
        raise NotMeasured("the waveform leaves the screen", expected=f"at most {peak_v:g} V")
    volts = taken.volts[channel]
    gain, offset, step = taken.gain[channel], taken.offset_v[channel], taken.lsb_v[channel]
    height = float(np.ptp(volts))
    if what == "peak_to_peak":
        return height * gain + rectangular(0.0, step, "two steps of the converter")
    if what == "dc":
        return float(volts.mean()) * gain + offset
    if what == "rms":
        return float(volts.std()) * gain + rectangular(0.0, step / 2.0, "step of the converter")
    if what == "frequency":
        return _frequency(volts - volts.mean(), taken.dt_s)
    tops = np.count_nonzero(
        (volts > volts.max() - FLAT * height) | (volts < volts.min() + FLAT * height)
    )
    return rectangular(float(tops > FLAT_SHARE * len(volts)), SURE, "how sure a look is")


def _frequency(volts: np.ndarray, dt_s: float) -> UFloat:
    """From the first upward crossing to the last."""
    up = np.flatnonzero((volts[:-1] < 0.0) & (volts[1:] >= 0.0))
    if len(up) < 2:
        raise NotMeasured("less than one period is on the screen", expected="a tone")
    seconds = (up[-1] - up[0]) * dt_s
    periods = len(up) - 1
    return periods / rectangular(seconds, dt_s, "sample interval")
