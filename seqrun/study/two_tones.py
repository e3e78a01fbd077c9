"""What is studied of two tones at once, and of bursts of one.

The truth is told of the unit alone, driven by pure tones at the level that is there: the products
of two tones lie on lines of their common period and are read there without a window.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from seqrun.study import truths
from seqrun.study.benches import Seen, Wanted
from seqrun.study.groups import Group, at_capture, step

SAME_HZ = 1.0  # as two lines of what two tones make lie further apart
ON_S, EVERY_S = 0.02, 0.5  # of the bursts of headroom: 20 periods of 1 kHz
LONG_S, OFTEN_S = 0.2, 1.0  # of the bursts that are looked into for distortion


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
    for channel in truth.channel_names:
        tones = _two_strongest(truth, channel)
        if not tones or not truth.relay_closed(channel):
            continue
        with truth.driven_by(channel, tones):
            lines = truth.tones(*truth.terminals(channel))
        low, high = tones
        way = side_lines if high > 2.0 * low else differences
        seen[f"intermodulation.{channel}"] = 100.0 * way(lines, low, high)
        for order, share in orders(lines, low, high).items():
            seen[f"intermodulation_{order}.{channel}"] = 100.0 * share
    return seen


def orders(lines: Mapping[float, float], low: float, high: float) -> dict[str, float]:
    """The parts of second and third order, lines added up as IEC 60268-3 has them, over the high
    tone or, of two near tones, over both."""
    if high > 2.0 * low:
        of = _near(lines, high)
        second = [high - low, high + low]
        third = [high - 2.0 * low, high + 2.0 * low]
    else:
        of = _near(lines, low) + _near(lines, high)
        second, third = [high - low], [2.0 * low - high, 2.0 * high - low]
    return {
        "second": math.fsum(_near(lines, f) for f in second) / of,
        "third": math.fsum(_near(lines, f) for f in third) / of,
    }


def _at(name: str) -> tuple[Wanted, ...]:
    return tuple(
        Wanted(f"{what}_{name}", what, name, at_capture(what))
        for what in ("intermodulation", "intermodulation_second", "intermodulation_third")
    )


TWO_TONES = Group(
    "two_tones",
    step("modulation", "intermodulation", power='"0.5 * rated_power"')
    + step("difference", "intermodulation", power='"0.25 * rated_power"', method='"difference"')
    + step("crossing", "intermodulation", power='"1 W"'),
    _at("modulation") + _at("difference") + _at("crossing"),
    _products,
    ("bias_low@right=0.8",),
)


def burst_w(truth: Any, channel: str) -> float:
    """Power within a burst at 1 % of distortion, W, one channel driven."""
    low, high = 0.3, 1.5
    for _ in range(18):
        middle = 0.5 * (low + high)
        with truth.driven_by(channel, {1000.0: middle}, ON_S, EVERY_S, others=False):
            low, high = (low, middle) if truths.thd(truth, channel) > 0.01 else (middle, high)
    with truth.driven_by(channel, {1000.0: low}, ON_S, EVERY_S, others=False):
        return truths.load_w(truth, channel)


def _headroom(seen: Seen) -> float:
    """Over rated power, dB; the power itself is asked for next."""
    watts = burst_w(seen.truth, seen.reading.channel)
    seen.kept["burst_power", seen.reading.channel] = watts
    return 10.0 * math.log10(watts / seen.unit.rated_power)


def _within_burst(truth: Any) -> dict[str, float]:
    """Distortion of the unit alone within a burst of the level that is there now, %."""
    seen: dict[str, float] = {}
    for channel in truth.channel_names:
        volts = truth.input_v_rms(channel)
        if volts > 0.0 and truth.relay_closed(channel):
            with truth.driven_by(channel, {1000.0: volts}, LONG_S, OFTEN_S, others=False):
                seen[f"burst_thd.{channel}"] = 100.0 * truths.thd(truth, channel)
    return seen


BURSTS = Group(
    "bursts",
    step("headroom", "dynamic_headroom")
    + step("within", "burst_distortion", power='"1.1 * rated_power"'),
    (
        Wanted("dynamic_headroom", "dynamic_headroom", "headroom", _headroom),
        Wanted(
            "burst_power",
            "burst_power",
            "headroom",
            lambda s: s.kept["burst_power", s.reading.channel],
        ),
        Wanted("burst_thd", "burst_thd", "within", at_capture("burst_thd")),
    ),
    _within_burst,
)
