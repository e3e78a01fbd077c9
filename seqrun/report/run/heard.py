"""Curves of what was heard: noise with its bursts, a hunt by part, the frequency response."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from itertools import pairwise
from typing import TYPE_CHECKING

from seqrun.quantity import render
from seqrun.report.run.figure import Figure, channels_of
from seqrun.report.shared.chart import LOOKS, Axis, Chart, around
from seqrun.report.shared.rows import Row

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_INK, _SOFT = "var(--ink)", "var(--soft)"


def level_in_time(
    step: str, trace: Mapping[str, Array], facts: Mapping[str, object], rows: tuple[Row, ...]
) -> Figure:
    """The level of a watch in time, with what stands out of it."""
    import numpy as np

    time, level = trace["time_s"], trace["loudest_v"]
    threshold = float(np.nanmax(trace["threshold_v"])) if "threshold_v" in trace else None
    loudest = render(float(np.nanmax(level)), "V", digits=3)
    top = max(float(np.nanmax(level)), 1.15 * (threshold or 0.0))
    chart = Chart(
        Axis(0.0, float(time[-1]) or 1.0, "time, s"),
        Axis(0.0, 1.06 * top, "rms of 5 ms, mV", factor=1e3),
        f"Level at {step}",
        f"Loudest {loudest} rms.",
    )
    for at, stretch in enumerate(_stretches(time)):
        name = "" if at else "level"
        chart.line(time[stretch], level[stretch], name, ("var(--line-1)", "", 1.2))
    median = render(float(np.nanmedian(level)), "V", digits=3)
    caption = f"The loudest 5 ms: {loudest} rms; the median of all: {median}."
    if threshold is not None:
        chart.level(threshold, "above this it counts as a burst", left=True)
        over = level > threshold
        bursts = int(np.count_nonzero(over[1:] & ~over[:-1]) + over[0])
        caption += f" Bursts in this curve: {bursts}."
    return Figure(step, f"Noise in time: {step}", caption, chart.svg())


def _stretches(time: Array) -> list[slice]:
    """What was listened to without a pause: between two records nobody knows the level."""
    import numpy as np

    steps = np.diff(time)
    usual = float(np.median(steps)) if steps.size else 0.0
    pauses = np.flatnonzero(steps > 2.0 * usual) + 1
    ends = [0, *(int(n) for n in pauses), len(time)]
    return [slice(a, b) for a, b in pairwise(ends)]


def hunt(
    step: str, trace: Mapping[str, Array], facts: Mapping[str, object], rows: tuple[Row, ...]
) -> Figure:
    """Rate of bursts by what was done to which part, each with its exact Poisson bounds."""
    counted = _counts(facts, step)
    if not counted:
        return level_in_time(step, trace, facts, rows)
    bars = [(label, n / s, low, high) for label, n, s, low, high in counted]
    most = max(high for _, _, _, high in bars) or 1.0
    said = [f"{label}: {n} in {s:.0f} s" for label, n, s, _, _ in counted]
    caption = (
        "Bursts: " + "; ".join(said) + ". Each bar runs from the lower to the upper bound of the"
        " rate (exact Poisson bounds, 97.7 % each)."
    )
    return Figure(step, f"Hunt, bursts a second: {step}", caption, _bars(bars, most, step))


def _counts(facts: Mapping[str, object], step: str) -> list[tuple[str, int, float, float, float]]:
    """Label, bursts, seconds, and the bounds of the rate, 1/s."""
    rates = facts.get("rates")
    listed = rates.get(step) if isinstance(rates, Mapping) else None
    if not isinstance(listed, Sequence):
        return []
    return [(str(of), int(n), float(s), float(low), float(high)) for of, n, s, low, high in listed]


def _bars(bars: Sequence[tuple[str, float, float, float]], most: float, step: str) -> str:
    """A dot with its interval for each label, one below the other."""
    left, right, line = 150.0, 40.0, 26.0
    width, height = 700.0, line * len(bars) + 44.0
    scale = (width - left - right) / most
    told = "; ".join(f"{label} {rate:.3g}" for label, rate, _, _ in bars)
    parts = [
        f'<svg class="chart" viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        f'aria-label="Bursts a second at {escape(step)}. {escape(told)}" '
        'xmlns="http://www.w3.org/2000/svg">'
    ]
    for number, (label, rate, low, high) in enumerate(bars):
        y = line * number + 20.0
        x0, x, x1 = (left + scale * value for value in (low, rate, high))
        parts.append(
            f'<text x="{left - 10:.0f}" y="{y + 4:.1f}" font-size="13" text-anchor="end" '
            f'fill="{_INK}">{escape(label)}</text>'
            f'<path d="M{x0:.1f} {y} H{x1:.1f} M{x0:.1f} {y - 5} v10 M{x1:.1f} {y - 5} v10" '
            f'stroke="{LOOKS[0][0]}" stroke-width="2" fill="none"/>'
            f'<circle cx="{x:.1f}" cy="{y}" r="5" fill="{_INK}"/>'
        )
    base = line * len(bars) + 16.0
    parts.append(f'<path d="M{left} {base} H{width - right}" stroke="{_SOFT}" fill="none"/>')
    parts += [
        f'<text x="{left + scale * at:.1f}" y="{base + 17:.1f}" font-size="12" '
        f'text-anchor="middle" fill="{_SOFT}">{at:.3g}{unit}</text>'
        for at, unit in ((0.0, ""), (most / 2.0, ""), (most, " /s"))
    ]
    return "".join([*parts, "</svg>"])


def response(
    step: str, trace: Mapping[str, Array], facts: Mapping[str, object], rows: tuple[Row, ...]
) -> Figure:
    """Level by frequency, relative to the reference."""
    import numpy as np

    frequency = trace["frequency_hz"]
    channels = channels_of(trace, "db_")
    lows = [float(np.nanmin(c)) for _, c in channels]
    highs = [float(np.nanmax(c)) for _, c in channels]
    low, high = around([max(min(lows), -40.0), *highs, -3.5, 1.0])
    chart = Chart(
        Axis(float(frequency[0]), float(frequency[-1]), "frequency, Hz", logarithmic=True),
        Axis(low, high, "level, dB"),
        f"Frequency response at {step}",
        "Level relative to the reference, of " + " and ".join(n for n, _ in channels) + ".",
    )
    chart.level(-3.0, "-3 dB", left=True)
    said = []
    for (name, column), look in zip(channels, LOOKS, strict=False):
        chart.line(frequency, np.maximum(column, low), name, look)
        said.append(f"{name}: {_ends(frequency, column)}")
    return Figure(step, f"Frequency response: {step}", "; ".join(said) + ".", chart.svg())


def _ends(frequency: Array, column: Array) -> str:
    """Where a response is within 3 dB, by its own points."""
    inside = [f for f, level in zip(frequency, column, strict=True) if level >= -3.0]
    if not inside or not all(map(math.isfinite, inside)):
        return "nowhere within 3 dB"
    ends = (render(float(f), "Hz", digits=3) for f in (inside[0], inside[-1]))
    return "within 3 dB from " + " to ".join(ends)
