"""Line charts as inline SVG: two axes, a few lines told apart by dash and label, few points.

A page must be made in about a second, so the lines are polylines of at most a few hundred points
each; what is left out by :func:`envelope` and :func:`peaks` is less than a printed line is wide.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

WIDTH, HEIGHT = 700, 250
_LEFT, _RIGHT, _TOP, _BOTTOM = 58, 16, 14, 40
_INK, _SOFT, _GRID = "var(--ink)", "var(--soft)", "var(--grid)"
#: a look for each line: colour, dash, width. The dash alone tells them apart in grey.
LOOKS = (
    ("var(--line-1)", "", 1.8),
    ("var(--line-2)", "7 3", 1.8),
    ("var(--line-3)", "2 3", 1.8),
    ("var(--line-4)", "9 3 2 3", 1.8),
)


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: range in the quantity's own unit, what to write beside it."""

    start: float
    end: float
    label: str
    logarithmic: bool = False
    factor: float = 1.0  # shown number = value * factor

    def share(self, value: float) -> float:
        if self.logarithmic:
            return math.log(value / self.start) / math.log(self.end / self.start)
        return (value - self.start) / (self.end - self.start)

    def ticks(self) -> list[float]:
        if self.logarithmic:
            low, high = math.floor(math.log10(self.start)), math.ceil(math.log10(self.end))
            marks = [m * 10.0**e for e in range(low, high + 1) for m in (1.0, 2.0, 5.0)]
        else:
            step = _nice((self.end - self.start) * self.factor / 5.0) / self.factor
            first = math.ceil(self.start / step - 1e-9)
            marks = [i * step for i in range(first, math.floor(self.end / step + 1e-9) + 1)]
        return [m for m in marks if -1e-9 <= self.share(m) <= 1.0 + 1e-9]

    def text(self, value: float) -> str:
        shown = value * self.factor
        if abs(shown) < 1e-12:
            return "0"
        if self.logarithmic and shown >= 1000.0:
            return f"{shown / 1000.0:g} k"
        return f"{shown:.6g}".replace("-", "−")


@dataclass(slots=True)
class Chart:
    """A frame with axes that lines, bands and notes are put into."""

    x: Axis
    y: Axis
    title: str
    description: str
    height: int = HEIGHT
    width: int = WIDTH
    _parts: list[str] = field(default_factory=list)
    _keys: list[tuple[str, str, str, float]] = field(default_factory=list)

    def px(self, value: float) -> float:
        return _LEFT + min(max(self.x.share(value), -0.01), 1.01) * (self.width - _LEFT - _RIGHT)

    def py(self, value: float) -> float:
        share = min(max(self.y.share(value), -0.02), 1.02)
        return self.height - _BOTTOM - share * (self.height - _TOP - _BOTTOM)

    def line(
        self,
        xs: Sequence[float] | Array,
        ys: Sequence[float] | Array,
        name: str,
        look: tuple[str, str, float],
    ) -> None:
        """One polyline. ``name`` goes into the key unless it is empty."""
        colour, dash, width = look
        points = " ".join(
            f"{self.px(float(x)):.1f},{self.py(float(y)):.1f}"
            for x, y in zip(xs, ys, strict=True)
            if math.isfinite(x) and math.isfinite(y)
        )
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._parts.append(
            f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="{width}"'
            f'{dashed} stroke-linejoin="round"/>'
        )
        if name:
            self._keys.append((name, colour, dash, width))

    def points(
        self,
        xs: Sequence[float] | Array,
        ys: Sequence[float] | Array,
        reach: Sequence[float] | Array,
        colour: str = LOOKS[0][0],
    ) -> None:
        """A dot each, with a whisker of ± ``reach`` where that can be seen."""
        for x, y, half in zip(xs, ys, reach, strict=True):
            at, top, bottom = self.px(float(x)), self.py(float(y + half)), self.py(float(y - half))
            if bottom - top > 7.0:
                self._parts.append(
                    f'<path d="M{at:.1f} {top:.1f} V{bottom:.1f} M{at - 3:.1f} {top:.1f} h6 '
                    f'M{at - 3:.1f} {bottom:.1f} h6" stroke="{colour}" stroke-width="1.2" '
                    'fill="none"/>'
                )
            self._parts.append(
                f'<circle cx="{at:.1f}" cy="{self.py(float(y)):.1f}" r="3.2" fill="{colour}" '
                'stroke="var(--paper)" stroke-width="0.8"/>'
            )

    def band(self, low: float, high: float, pattern: str = "url(#sr-guard)") -> None:
        """A horizontal band from ``low`` to ``high``, at least a hair wide."""
        top, bottom = self.py(high), self.py(low)
        self._parts.append(
            f'<rect x="{_LEFT}" y="{top:.1f}" width="{self.width - _LEFT - _RIGHT}" '
            f'height="{max(bottom - top, 1.0):.1f}" fill="{pattern}" fill-opacity="0.75"/>'
        )

    def level(
        self,
        value: float,
        words: str,
        *,
        above: bool = True,
        heavy: bool = False,
        left: bool = False,
    ) -> None:
        """A horizontal line with words at one end."""
        y = self.py(value)
        self._parts.append(
            f'<line x1="{_LEFT}" y1="{y:.1f}" x2="{self.width - _RIGHT}" y2="{y:.1f}" '
            f'stroke="{_INK}" stroke-width="{2.2 if heavy else 1.2}"/>'
        )
        x, anchor = (_LEFT + 6, "start") if left else (self.width - _RIGHT - 4, "end")
        self._note(x, y - 6 if above else y + 16, words, anchor)

    def svg(self) -> str:
        """The chart as SVG text."""
        return (
            f'<svg class="chart" viewBox="0 0 {self.width} {self.height}" role="img" '
            f'aria-label="{escape(self.title)}. {escape(self.description)}" '
            'xmlns="http://www.w3.org/2000/svg">'
            + self._frame()
            + "".join(self._parts)
            + self._key()
            + "</svg>"
        )

    def _note(self, x: float, y: float, words: str, anchor: str) -> None:
        self._parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="12" text-anchor="{anchor}" fill="{_INK}" '
            f'paint-order="stroke" stroke="var(--paper)" stroke-width="4">{escape(words)}</text>'
        )

    def _frame(self) -> str:
        right, bottom = self.width - _RIGHT, self.height - _BOTTOM
        parts = []
        for tick in self.x.ticks():
            x = self.px(tick)
            parts.append(
                f'<line x1="{x:.1f}" y1="{_TOP}" x2="{x:.1f}" y2="{bottom}" stroke="{_GRID}"/>'
                f'<text x="{x:.1f}" y="{bottom + 16}" font-size="12" text-anchor="middle" '
                f'fill="{_SOFT}">{escape(self.x.text(tick))}</text>'
            )
        for tick in self.y.ticks():
            y = self.py(tick)
            parts.append(
                f'<line x1="{_LEFT}" y1="{y:.1f}" x2="{right}" y2="{y:.1f}" stroke="{_GRID}"/>'
                f'<text x="{_LEFT - 7}" y="{y + 4:.1f}" font-size="12" text-anchor="end" '
                f'fill="{_SOFT}">{escape(self.y.text(tick))}</text>'
            )
        middle = (_TOP + bottom) / 2
        parts.append(
            f'<path d="M{_LEFT} {_TOP} V{bottom} H{right}" fill="none" stroke="{_SOFT}"/>'
            f'<text x="{right}" y="{self.height - 6}" font-size="12" text-anchor="end" '
            f'fill="{_INK}">{escape(self.x.label)}</text>'
            f'<text x="13" y="{middle:.0f}" font-size="12" text-anchor="middle" fill="{_INK}" '
            f'transform="rotate(-90 13 {middle:.0f})">{escape(self.y.label)}</text>'
        )
        return "".join(parts)

    def _key(self) -> str:
        parts, x, y = [], float(_LEFT), self.height - 10
        for name, colour, dash, width in self._keys:
            dashed = f' stroke-dasharray="{dash}"' if dash else ""
            parts.append(
                f'<line x1="{x}" y1="{y}" x2="{x + 26}" y2="{y}" stroke="{colour}" '
                f'stroke-width="{width + 0.4}"{dashed}/><text x="{x + 31}" y="{y + 4}" '
                f'font-size="12" fill="{_INK}">{escape(name)}</text>'
            )
            x += 46 + 6.6 * len(name)
        return "".join(parts)


def _nice(step: float) -> float:
    power = 10.0 ** math.floor(math.log10(step)) if step > 0 else 1.0
    return next((m * power for m in (1.0, 2.0, 5.0) if step <= m * power * 1.0001), 10.0 * power)


def around(values: Sequence[float], *, zero: bool = False) -> tuple[float, float]:
    """A range that holds all finite values with a little room; with zero when asked for."""
    finite = [v for v in values if math.isfinite(v)] or [0.0, 1.0]
    if zero:
        finite.append(0.0)
    low, high = min(finite), max(finite)
    room = 0.06 * (high - low) or max(abs(high) * 0.1, 1e-9)
    return (low if zero and low == 0.0 else low - room), high + room


def envelope(xs: Array, ys: Array, bins: int) -> tuple[Array, Array]:
    """Lowest and highest of each of ``bins`` equal pieces, in order of x; few points pass as is."""
    import numpy as np

    if len(xs) <= 2 * bins:
        return xs, ys
    edges = np.linspace(0, len(xs), bins + 1).astype(int)[:-1]
    low, high = np.minimum.reduceat(ys, edges), np.maximum.reduceat(ys, edges)
    rising = ys[edges] <= ys[np.append(edges[1:], len(ys)) - 1]
    out = np.empty(2 * bins)
    out[0::2], out[1::2] = np.where(rising, low, high), np.where(rising, high, low)
    return np.repeat(xs[edges], 2), out


def peaks(xs: Array, ys: Array, start: float, end: float, bins: int) -> tuple[Array, Array]:
    """The highest y within each of ``bins`` pieces of a logarithmic x axis, so no line is lost."""
    import numpy as np

    inside = (xs >= start) & (xs <= end) & np.isfinite(ys)
    xs, ys = xs[inside], ys[inside]
    if len(xs) == 0:
        return xs, ys
    piece = (np.log(xs / start) / math.log(end / start) * bins).astype(int).clip(0, bins - 1)
    edges = np.flatnonzero(np.diff(piece, prepend=-1))
    high = np.maximum.reduceat(ys, edges)
    lengths = np.diff(np.append(edges, len(xs)))
    # x of the highest: first position in the piece whose y is the piece's highest
    found = np.flatnonzero(ys == np.repeat(high, lengths))
    owners = np.repeat(np.arange(len(edges)), lengths)[found]
    first = found[np.unique(owners, return_index=True)[1]]
    return xs[first], ys[first]
