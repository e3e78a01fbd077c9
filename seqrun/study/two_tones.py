"""What is studied of two tones at once, and of bursts of one.

The truth is told of the unit alone, driven by pure tones at the level that is there: the products
of two tones lie on lines of their common period and are read there without a window.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from seqrun.study import truths
from seqrun.study.benches import Wanted
from seqrun.study.groups import Group, at_capture, of_channel, step

SAME_HZ = 1.0  # as two lines of what two tones make lie further apart
ON_S, EVERY_S = 0.02, 0.5  # of the step's bursts: 20 periods of 1 kHz


def _two_strongest(truth: Any, channel: str) -> dict[float, float]:
    """The tones of the drive, the lower one first; empty while there are not two."""
    tones: dict[float, float] = truth.input_tones(channel)
    loud = sorted(sorted(tones, key=lambda f: -tones[f])[:2])
    return {f: tones[f] for f in loud} if len(loud) == 2 else {}


def side_lines(lines: Mapping[float, float], low: float, high: float) -> float:
    """High tone ± up to three times the low one, as root of squares, over the high tone.

    Args:
        lines: V rms by frequency, Hz.
    """
    beside = [_near(lines, high + side * n * low) for n in (1, 2, 3) for side in (-1, 1)]
    return math.hypot(*beside) / _near(lines, high)


def differences(lines: Mapping[float, float], low: float, high: float) -> float:
    """f2 − f1, 2·f1 − f2 and 2·f2 − f1 as root of squares, over the sum of both tones."""
    found = [_near(lines, f) for f in (high - low, 2.0 * low - high, 2.0 * high - low)]
    return math.hypot(*found) / (_near(lines, low) + _near(lines, high))


def _near(lines: Mapping[float, float], frequency_hz: float) -> float:
    return math.hypot(0.0, *(v for f, v in lines.items() if abs(f - frequency_hz) < SAME_HZ))


def _products(truth: Any) -> dict[str, float]:
    seen: dict[str, float] = {}
    for channel in truths.CHANNELS:
        tones = _two_strongest(truth, channel)
        if not tones or not truth.relay_closed(channel):
            continue
        with truth.driven_by(channel, tones):
            lines = truth.tones(*truth.terminals(channel))
        low, high = tones
        way = side_lines if high > 2.0 * low else differences
        seen[f"intermodulation.{channel}"] = 100.0 * way(lines, low, high)
    return seen


def _at(name: str) -> Wanted:
    return Wanted(f"intermodulation_{name}", "intermodulation", name, at_capture("intermodulation"))


TWO_TONES = Group(
    "two_tones",
    step("modulation", "intermodulation", power='"0.5 * rated_power"')
    + step("difference", "intermodulation", power='"0.25 * rated_power"', method='"difference"')
    + step("crossing", "intermodulation", power='"1 W"'),
    (_at("modulation"), _at("difference"), _at("crossing")),
    _products,
    ("bias_low@right=0.8",),
)


def headroom_db(truth: Any, channel: str) -> float:
    """Power of a burst at 1 % of distortion over 40 W, dB, one channel driven."""
    low, high = 0.3, 1.5
    for _ in range(18):
        middle = 0.5 * (low + high)
        with truth.driven_by(channel, {1000.0: middle}, ON_S, EVERY_S, others=False):
            low, high = (low, middle) if truths.thd(truth, channel) > 0.01 else (middle, high)
    with truth.driven_by(channel, {1000.0: low}, ON_S, EVERY_S, others=False):
        return 10.0 * math.log10(truths.load_w(truth, channel) / 40.0)


BURSTS = Group(
    "bursts",
    step("headroom", "dynamic_headroom"),
    (Wanted("dynamic_headroom", "dynamic_headroom", "headroom", of_channel(headroom_db)),),
)
