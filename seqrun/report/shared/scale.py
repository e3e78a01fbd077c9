"""How a limit, its guard band and a reading lie along a bar; the page and the terminal share it.

The limits of every bar stand in the same places, so that a column of bars reads as one picture:
an upper limit at four fifths of the width, a lower limit at one fifth, what is allowed between.
The scale begins at zero where zero means something. Where a reading lies so near its limit that
the picture would not show on which side, the scale is stretched, and the bar says how far.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from seqrun.report.shared.rows import Row
from seqrun.values import COVERAGE_FACTOR

UPPER_AT = 0.8
LOWER_AT = 0.2
#: levels have no natural zero: the allowed side of a limit in dB spans at least this much
_DECIBEL_SPAN = 20.0
#: margins under this share of the span are stretched
_NEAR = 0.05
#: a scale is called stretched from this factor on
STRETCHED = 1.05


@dataclass(frozen=True, slots=True)
class Bar:
    """Positions from 0 (left end) to 1 (right end); a reading outside is off scale."""

    low: float | None
    high: float | None
    guard: float  # width of the guard band, 0 for simple decisions
    value: float
    half: float  # half width of the interval, U
    stretched: float  # 1 when not stretched
    zero: float | None  # where the axis has its zero, when inside the bar

    @property
    def off_left(self) -> bool:
        return self.value < 0.0

    @property
    def off_right(self) -> bool:
        return self.value > 1.0

    @property
    def at(self) -> float:
        """The value's position, held within the bar."""
        return min(max(self.value, 0.0), 1.0)


def bar(row: Row) -> Bar | None:
    """Where everything lies, or None when there is no limit or nothing was measured."""
    value, nearer, margin = row.value, row.nearer, row.margin
    if value is None or nearer is None or margin is None or not math.isfinite(value):
        return None
    u = (
        row.expanded_uncertainty
        if row.expanded_uncertainty and math.isfinite(row.expanded_uncertainty)
        else 0.0
    )
    left, span = _window(row, value)
    stretched = 1.0
    if abs(margin) < _NEAR * span and u < 2 * _NEAR * span:
        wanted = 4.0 * max(abs(margin), COVERAGE_FACTOR * u) or span
        if wanted < span:
            stretched, span = span / wanted, wanted
            upper = nearer == row.limit_high
            left = nearer - (UPPER_AT if upper else LOWER_AT) * span

    def place(x: float | None) -> float | None:
        if x is None:
            return None
        at = (x - left) / span
        return at if -1e-9 <= at <= 1.0 + 1e-9 else None

    at = (value - left) / span
    return Bar(
        low=place(row.limit_low),
        high=place(row.limit_high),
        guard=u / span if row.decision == "guarded" else 0.0,
        value=at,
        half=u / span,
        stretched=stretched,
        zero=place(0.0),
    )


def _window(row: Row, value: float) -> tuple[float, float]:
    """Left end and span, in the reading's unit."""
    if row.limit_low is not None and row.limit_high is not None:
        span = (
            (row.limit_high - row.limit_low) / (UPPER_AT - LOWER_AT) or abs(row.limit_high) or 1.0
        )
        return row.limit_low - LOWER_AT * span, span
    limit = row.limit_high if row.limit_high is not None else row.limit_low
    assert limit is not None
    if row.unit == "dB":
        span = max(_DECIBEL_SPAN, min(1.15 * abs(value - limit), 3 * _DECIBEL_SPAN)) / UPPER_AT
    elif limit > 0.0:
        # an upper limit's scale then begins at zero; a lower limit's reaches 1.8 times the limit
        span = limit / UPPER_AT if row.limit_high is not None else limit
    else:
        span = (
            max(abs(limit), 1.5 * abs(value - limit), 4 * (row.expanded_uncertainty or 0.0)) or 1.0
        )
    return limit - (UPPER_AT if row.limit_high is not None else LOWER_AT) * span, span


def text_bar(row: Row, width: int = 11, *, ascii_only: bool = False) -> str:
    """The same bar in characters: limit ``|``, guard band ``:``, beyond ``/``, reading ``o``, and
    ``~`` at the end of a stretched scale."""
    shape = bar(row)
    if shape is None:
        return ""
    allowed, guard, beyond, edge = "-:/|" if ascii_only else "─┈╱┃"
    cells = []
    for i in range(width):
        x = (i + 0.5) / width
        cell = allowed
        if shape.high is not None:
            cell = beyond if x > shape.high else guard if x > shape.high - shape.guard else cell
        if shape.low is not None:
            cell = beyond if x < shape.low else guard if x < shape.low + shape.guard else cell
        cells.append(cell)
    for limit in (shape.low, shape.high):
        if limit is not None:
            cells[_cell(limit, width)] = edge
    if shape.stretched > STRETCHED:  # a broken axis at the end that lies away from the limit
        away = 0 if shape.low is None or shape.high is not None else -1
        cells[away] = "~" if ascii_only else "≈"
    mark = _cell(shape.at, width)
    # the mark may not hide on which side of the limit it lies
    for limit, inward in ((shape.low, 1), (shape.high, -1)):
        if limit is not None and mark == _cell(limit, width):
            # exactly on its limit a reading keeps to it
            kept = (shape.value - limit) * inward >= 0.0
            mark += inward if kept else -inward
            mark = min(max(mark, 0), width - 1)
    if shape.off_left:
        cells[0] = "<"
    elif shape.off_right:
        cells[-1] = ">"
    else:
        cells[mark] = ("x" if ascii_only else "✕") if row.failing else ("o" if ascii_only else "●")
    return "".join(cells)


def _cell(at: float, width: int) -> int:
    if not math.isfinite(at):  # the value is so large that the scale vanishes beside it
        return 0 if at < 0.0 else width - 1
    return int(min(max(at * width, 0.0), width - 1.0))
