"""Curves of a run as charts: heat with its fitted end, the output's waveform and spectrum."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.quantity import render
from seqrun.record.errors import RecordError
from seqrun.record.traces import read_trace
from seqrun.report.run.figure import Figure, channels_of
from seqrun.report.run.heard import hunt, level_in_time, response
from seqrun.report.shared.chart import LOOKS, Axis, Chart, around, envelope, peaks
from seqrun.report.shared.rows import Row
from seqrun.values import COVERAGE_FACTOR

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_SPECTRUM_FLOOR_DB = -140.0
_CYCLES_SHOWN = 3


def figures(
    traces: tuple[tuple[str, Path], ...], facts: Mapping[str, object], rows: tuple[Row, ...]
) -> list[Figure]:
    """A figure for each trace whose kind is known, in order of the steps. A trace that cannot be
    read is shown as a note in place of its chart, never silently left out.

    Args:
        traces: name and path; the name is kind and step, ``heat-rise.idle``.
    """
    order = {row.step: i for i, row in reversed(list(enumerate(rows)))}
    found: list[tuple[float, int, Figure]] = []
    makers = (
        ("noise", level_in_time),
        ("bursts", level_in_time),
        ("hunt", hunt),
        ("response", response),
        ("heat", _heat),
        ("waveform", _waveform),
        ("spectrum", _spectrum),
    )
    for rank, (kind, make) in enumerate(makers):
        for name, path in traces:
            if not name.startswith(f"{kind}-"):
                continue
            step = name.removeprefix(f"{kind}-")
            try:
                figure = make(step, read_trace(path), facts, rows)
            except (RecordError, ValueError, KeyError, IndexError) as problem:
                why = _why(problem)
                figure = Figure(step, f"{kind} at {step}", f"could not be drawn: {why}", "")
            found.append((order.get(step, math.inf), rank, replace(figure, trace=name)))
    return [figure for _, _, figure in sorted(found, key=lambda item: item[:2])]


def _why(problem: Exception) -> str:
    """Why a trace cannot be drawn, in words."""
    if isinstance(problem, KeyError):
        return f"it has no column {problem}"
    if isinstance(problem, RecordError):
        return problem.found
    return "it has too few points" if isinstance(problem, IndexError) else str(problem)


def _heat(
    step: str, trace: Mapping[str, Array], facts: Mapping[str, object], rows: tuple[Row, ...]
) -> Figure:
    import numpy as np

    time = trace["time_s"]
    rise = trace["rise_k"] if "rise_k" in trace else trace["sink_c"] - trace["ambient_c"]
    fit = _fit(facts, step)
    limit = next(
        (r.limit_high for r in rows if r.step == step and r.unit == "K" and r.limit_high), None
    )
    since = _heated_on(facts, step)
    judged = time <= since
    last = float(np.nanmax(time[judged]))
    end, u, tau = fit.get("end_k"), fit.get("u_k", 0.0), fit.get("tau_s", 0.0)
    start = fit.get("start_s", float(time[0]))
    until = float(np.nanmax(time))
    if end is not None and tau > 0.0:
        until = max(until, min(start + 4.5 * tau, start + 3.0 * max(last - start, 1.0)))
    low, high = around([float(np.nanmin(rise)), float(np.nanmax(rise)), *_given(end, limit)])
    chart = Chart(
        Axis(float(time[0]), until, "bench time, min", factor=1.0 / 60.0),
        Axis(min(low, 0.0) if low < 0.3 * high else low, high + 0.04 * (high - low), "rise, K"),
        f"Heat at {step}",
        f"Sink over ambient, {float(rise[-1]):.1f} K at the last reading.",
    )
    caption = f"Last reading {render(float(rise[-1]), 'K', digits=3)} over ambient."
    if not judged.all():
        caption += f" From {since / 60.0:.1f} min on at a greater power, to be hot sooner."
    if end is not None:
        chart.band(end - COVERAGE_FACTOR * u, end + COVERAGE_FACTOR * u)
        shown = render(end, "K", uncertainty=COVERAGE_FACTOR * u)
        # words where the curve is not: it comes from below, or from above when the sink cools
        rising = float(rise[0]) <= end
        chart.level(end, f"end value {shown}", above=limit is None or limit < end, left=rising)
        caption += f" Fitted end value {shown} (band: ± U, k = 2)"
        caption += f", time constant {tau / 60.0:.1f} min." if tau > 0.0 else "."
    if limit is not None:
        chart.level(limit, f"limit {render(limit, 'K')}", heavy=True, left=True)
        caption += f" Limit: at most {render(limit, 'K')}."
    if end is not None and tau > 0.0 and "rise0_k" in fit:
        xs = np.linspace(start, until, 120)
        ys = end + (fit["rise0_k"] - end) * np.exp(-(xs - start) / tau)
        chart.line(xs, ys, "fit, carried on", ("var(--line-2)", "5 4", 1.6))
    if not judged.all():
        xs, ys = envelope(time[~judged], rise[~judged], 300)
        chart.line(xs, ys, "at a greater power", ("var(--line-3)", "2 3", 2.0))
    xs, ys = envelope(time[judged], rise[judged], 600)
    chart.line(xs, ys, "measured", ("var(--line-1)", "", 2.4))
    return Figure(step, f"Heat: {step}", caption, chart.svg())


def _fit(facts: Mapping[str, object], step: str) -> dict[str, float]:
    fits = facts.get("fits")
    fit = fits.get(step) if isinstance(fits, Mapping) else None
    if not isinstance(fit, Mapping):
        return {}
    return {
        str(key): float(value)
        for key, value in fit.items()
        if isinstance(value, int | float) and math.isfinite(value)
    }


def _heated_on(facts: Mapping[str, object], step: str) -> float:
    """From when on, s, the power was not that of the soak any more."""
    steps = facts.get("heated_on")
    of = steps.get(step) if isinstance(steps, Mapping) else None
    since = of.get("since_s") if isinstance(of, Mapping) else None
    return float(since) if isinstance(since, int | float) else math.inf


def _given(*values: float | None) -> list[float]:
    return [value for value in values if value is not None]


def _waveform(
    step: str, trace: Mapping[str, Array], facts: Mapping[str, object], rows: tuple[Row, ...]
) -> Figure:
    import numpy as np

    time = trace["time_s"]
    channels = channels_of(trace, "volts_")[: len(LOOKS)]
    shown = _few_cycles(channels[0][1])
    time = time[shown] - time[shown][0]
    low, high = around([float(f(c[shown])) for _, c in channels for f in (np.nanmin, np.nanmax)])
    milli = time[-1] < 1.0
    chart = Chart(
        Axis(
            0.0,
            float(time[-1]) or 1.0,
            "time, ms" if milli else "time, s",
            factor=1e3 if milli else 1,
        ),
        Axis(low, high, "output, V"),
        f"Waveform at {step}",
        "Output voltage of " + " and ".join(name for name, _ in channels) + ".",
    )
    peaks_said = []
    for (name, column), look in zip(channels, LOOKS, strict=False):
        xs, ys = envelope(time, column[shown], 350)
        chart.line(xs, ys, name, look)
        peaks_said.append(f"{name} {render(float(np.nanmax(np.abs(column))), 'V', digits=3)} peak")
    caption = ", ".join(peaks_said) + "."
    if len(time) < len(channels[0][1]):
        caption += f" {_CYCLES_SHOWN} cycles are shown; the whole trace is in the run's folder."
    return Figure(step, f"Output waveform: {step}", caption, chart.svg())


def _few_cycles(column: Array) -> slice:
    """The samples of a few cycles, or all of them when no cycle is found."""
    import numpy as np

    centred = column - np.nanmean(column)
    # noise near a crossing makes several: a cycle is a swing through a band, low to high
    band = 0.25 * float(np.nanmax(np.abs(centred)))
    state = np.zeros(len(centred), dtype=np.int8)
    state[centred > band], state[centred < -band] = 1, -1
    strong = np.flatnonzero(state)
    turns = strong[1:][np.diff(state[strong]) > 0]
    if len(turns) <= _CYCLES_SHOWN:
        return slice(0, len(column))
    return slice(int(turns[0]), int(turns[_CYCLES_SHOWN]) + 1)


def _spectrum(
    step: str, trace: Mapping[str, Array], facts: Mapping[str, object], rows: tuple[Row, ...]
) -> Figure:
    import numpy as np

    frequency = trace["frequency_hz"]
    channels = channels_of(trace, "db_")[: len(LOOKS)]
    start = max(10.0, float(frequency[frequency > 0.0][0]))
    end = min(float(frequency[-1]), 100e3)
    floor = max(
        _SPECTRUM_FLOOR_DB,
        min(10.0 * math.floor(float(np.nanpercentile(c, 5)) / 10.0) for _, c in channels) - 5.0,
    )
    chart = Chart(
        Axis(start, end, "frequency, Hz", logarithmic=True),
        Axis(min(floor, -60.0), 6.0, "level, dB"),
        f"Spectrum at {step}",
        "Level relative to the fundamental, of " + " and ".join(n for n, _ in channels) + ".",
    )
    said = []
    for (name, column), look in zip(channels, LOOKS, strict=False):
        xs, ys = peaks(frequency, column, start, end, 420)
        chart.line(xs, np.maximum(ys, chart.y.start), name, (look[0], look[1], 1.2))
        line = _highest_harmonic(frequency, column)
        if line is not None:
            said.append(f"{name}: highest harmonic {line[1]:.1f} dB at {render(line[0], 'Hz')}")
    caption = "Level relative to the fundamental. " + "; ".join(said)
    return Figure(
        step, f"Output spectrum: {step}", caption.strip(" ") + ("." if said else ""), chart.svg()
    )


def _highest_harmonic(frequency: Array, level: Array) -> tuple[float, float] | None:
    import numpy as np

    fundamental = int(np.nanargmax(level))
    f0 = float(frequency[fundamental])
    width = float(frequency[1] - frequency[0])
    best: tuple[float, float] | None = None
    if f0 <= 0.0 or width <= 0.0:
        return None
    for order in range(2, 11):
        middle = round((order * f0 - float(frequency[0])) / width)
        near = level[max(middle - 2, 0) : middle + 3]
        if middle + 3 > len(level) or not np.isfinite(near).any():
            break
        height = float(np.nanmax(near))
        if best is None or height > best[1]:
            best = (order * f0, height)
    return best
