"""Drawings of the bench page as inline SVG: leads on the unit, a number and its limit, a course.

Colours, weights and dashes come from the style sheet, by class, so that light and dark pages share
one drawing; every text is escaped. Widths are in units of a phone's page.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape

from seqrun.plan.context import Indication
from seqrun.quantity import render
from seqrun.report.shared.chart import Axis, around
from seqrun.values import COVERAGE_FACTOR, Limit

Place = Callable[[float], float]

WIDTH = 360
_ROW = 26  # height of a lead
_BOX = 132  # width of the instruments' and of the unit's boxes


@dataclass(frozen=True, slots=True)
class DrawnLead:
    """A lead: which instrument's, its end in words, the node it is on or goes to.

    ``asked``: it is to be put there now. ``pole``: "hot", "cold" or "" for neither.
    """

    instrument: str
    end: str
    node: str
    asked: bool = False
    pole: str = ""


def leads(wires: Sequence[DrawnLead]) -> str:
    """Instruments at the left, the unit at the right, a line for each lead; "" without any."""
    if not wires:
        return ""
    ordered = sorted(wires, key=lambda wire: wire.instrument)
    lefts: dict[int, float] = {}
    boxes: list[tuple[str, float, float]] = []
    y = 6.0
    for name in dict.fromkeys(wire.instrument for wire in ordered):
        top = y
        y += 20.0
        for number, wire in enumerate(ordered):
            if wire.instrument == name:
                lefts[number] = y + 9.0
                y += _ROW
        boxes.append((name, top, y - top))
        y += 10.0
    height = y
    nodes: dict[str, list[float]] = {}
    for number, wire in enumerate(ordered):
        nodes.setdefault(wire.node, []).append(lefts[number])
    inside = sorted(nodes, key=lambda node: sum(nodes[node]) / len(nodes[node]))
    height = max(height, 26.0 + _ROW * len(inside) + 10.0)
    step = (height - 36.0) / len(inside)
    rights = {node: 26.0 + step * (i + 0.5) for i, node in enumerate(inside)}
    left_edge, right_edge = float(_BOX), float(WIDTH - _BOX)
    said = "; ".join(
        f"{w.instrument} {w.end} {'to' if w.asked else 'on'} {w.node}" for w in ordered
    )
    parts = [
        f'<svg class="leads" viewBox="0 0 {WIDTH} {height:.0f}" role="img" '
        f'aria-label="{escape(said)}">'
    ]
    for name, top, tall in boxes:
        parts.append(
            f'<rect class="box" x="1" y="{top:.1f}" width="{_BOX - 1}" height="{tall:.1f}" '
            f'rx="6"/><text class="name" x="9" y="{top + 15:.1f}">{escape(_cut(name, 17))}</text>'
        )
    parts.append(
        f'<rect class="box unit" x="{right_edge:.0f}" y="6" width="{_BOX - 2}" '
        f'height="{height - 12:.1f}" rx="6"/>'
        f'<text class="name" x="{right_edge + 14:.0f}" y="21">unit</text>'
    )
    # what stands first, so that what is asked lies on top of it
    for number, wire in sorted(enumerate(ordered), key=lambda item: item[1].asked):
        a, b = lefts[number], rights[wire.node]
        look = f"wire{' asked' if wire.asked else ''}{f' {wire.pole}' if wire.pole else ''}"
        bend = 0.5 * (right_edge - left_edge)
        parts.append(
            f'<path class="{look}" d="M{left_edge:.0f} {a:.1f} C{left_edge + bend:.0f} {a:.1f} '
            f'{right_edge - bend:.0f} {b:.1f} {right_edge:.0f} {b:.1f}"/>'
            f'<text class="end{" asked" if wire.asked else ""}" x="{left_edge - 8:.0f}" '
            f'y="{a + 4:.1f}">{escape(_cut(wire.end, 18))}</text>'
            f'<circle class="{look} dot" cx="{left_edge:.0f}" cy="{a:.1f}" r="3.5"/>'
        )
    asked = {wire.node for wire in ordered if wire.asked}
    for node, at in rights.items():
        mark = " asked" if node in asked else ""
        parts.append(
            f'<circle class="node{mark}" cx="{right_edge:.0f}" cy="{at:.1f}" r="5"/>'
            f'<text class="at{mark}" x="{right_edge + 11:.0f}" y="{at + 4:.1f}">'
            f"{escape(_cut(node, 17))}</text>"
        )
    return "".join([*parts, "</svg>"])


def gauge(number: Indication, limit: Limit | None) -> str:
    """A number as a mark on a line, with what the limit allows; "" without a limit."""
    if limit is None or (limit.low is None and limit.high is None):
        return ""
    low, high = limit.low, limit.high
    start, end = _ends(low, high, number.value)
    at = (number.value - start) / (end - start)
    x = 14.0 + min(max(at, 0.0), 1.0) * (WIDTH - 28.0)
    ok = (low is None or number.value >= low) and (high is None or number.value <= high)

    def px(value: float) -> float:
        return 14.0 + (value - start) / (end - start) * (WIDTH - 28.0)

    left = px(low) if low is not None else 14.0
    right = px(high) if high is not None else WIDTH - 14.0
    parts = [
        f'<svg class="gauge" viewBox="0 0 {WIDTH} 58" aria-hidden="true">'
        f'<line class="ground" x1="14" y1="24" x2="{WIDTH - 14}" y2="24"/>'
        f'<line class="allowed" x1="{left:.1f}" y1="24" x2="{right:.1f}" y2="24"/>'
    ]
    for value in (low, high):
        if value is not None:
            edge = px(value)
            anchor = "start" if edge < 60 else "end" if edge > WIDTH - 60 else "middle"
            parts.append(
                f'<line class="edge" x1="{edge:.1f}" y1="12" x2="{edge:.1f}" y2="36"/>'
                f'<text class="mark" x="{edge:.1f}" y="52" text-anchor="{anchor}">'
                f"{escape(render(value, number.unit))}</text>"
            )
    if 0.0 <= at <= 1.0:
        parts.append(f'<circle class="value{"" if ok else " out"}" cx="{x:.1f}" cy="24" r="9"/>')
    else:
        way = 1.0 if at > 1.0 else -1.0
        parts.append(
            f'<path class="value out" d="M{x - 12 * way:.1f} 13 L{x:.1f} 24 L{x - 12 * way:.1f} '
            '35 Z"/>'
        )
    return "".join([*parts, "</svg>"])


def _ends(low: float | None, high: float | None, value: float) -> tuple[float, float]:
    """A scale that holds the limits with room beyond; of a one-sided limit it begins at zero."""
    if low is not None and high is not None:
        room = 0.3 * ((high - low) or abs(high) or 1.0)
        return low - room, high + room
    if high is not None:
        start = min(0.0, value) if high > 0.0 else min(1.6 * high, value)
        return start, high + 0.3 * ((high - start) or 1.0)
    assert low is not None
    end = max(value, 2.0 * low) if low > 0.0 else max(value, 0.0)
    return low - 0.3 * ((end - low) or 1.0), end or 1.0


def course(points: Sequence[tuple[float, float]], number: Indication, limit: Limit | None) -> str:
    """How a number moved within its step, where a fit sees it end, and the limit; "" as long as
    there is nothing to see."""
    if len(points) < 3 or points[-1][0] <= points[0][0]:
        return ""
    begun, now = points[0][0], points[-1][0]
    until = now
    if number.end is not None and number.tau_s > 0.0:
        until = max(now, min(now + 3.0 * number.tau_s, now + 2.0 * (now - begun)))
    values = [value for _, value in points]
    bounds = [edge for edge in _edges(limit) if _near(edge, values, number.end)]
    band = COVERAGE_FACTOR * number.end_u
    ends = [] if number.end is None else [number.end - band, number.end + band]
    low, high = around([*values, *bounds, *ends])
    minutes = until - begun >= 120.0
    x = Axis(begun, until, "", factor=1.0)
    y = Axis(low, high, "")
    top, bottom, left, right = 8.0, 172.0, 44.0, WIDTH - 8.0

    def px(seconds: float) -> float:
        return left + x.share(seconds) * (right - left)

    def py(value: float) -> float:
        return bottom - min(max(y.share(value), 0.0), 1.0) * (bottom - top)

    parts = [
        f'<svg class="course" viewBox="0 0 {WIDTH} 204" role="img" '
        f'aria-label="{escape(course_words(points, number, limit))}">'
    ]
    for tick in y.ticks():
        parts.append(
            f'<line class="grid" x1="{left}" y1="{py(tick):.1f}" x2="{right}" y2="{py(tick):.1f}"/>'
            f'<text class="mark" x="{left - 6}" y="{py(tick) + 4:.1f}" text-anchor="end">'
            f"{escape(y.text(tick))}</text>"
        )
    for share in (0.0, 0.5, 1.0):
        passed = share * (until - begun)
        told = f"{passed / 60.0:.0f} min" if minutes else f"{passed:.0f} s"
        anchor = ("start", "middle", "end")[round(2 * share)]
        parts.append(
            f'<text class="mark" x="{px(begun + passed):.1f}" y="{bottom + 20:.0f}" '
            f'text-anchor="{anchor}">{told}</text>'
        )
    if number.end is not None:
        upper, lower = py(number.end + band), py(number.end - band)
        parts.append(
            f'<rect class="band" x="{left}" y="{upper:.1f}" width="{right - left:.1f}" '
            f'height="{max(lower - upper, 1.0):.1f}"/>'
        )
    for edge in bounds:
        parts.append(
            f'<line class="edge" x1="{left}" y1="{py(edge):.1f}" x2="{right}" y2="{py(edge):.1f}"/>'
            f'<text class="mark edge-text" x="{right}" y="{py(edge) - 5:.1f}" '
            f'text-anchor="end">limit</text>'
        )
    if number.end is not None and until > now:
        ahead = [now + (until - now) * i / 40.0 for i in range(41)]
        curve = (
            (t, number.end + (values[-1] - number.end) * math.exp(-(t - now) / number.tau_s))
            for t in ahead
        )
        parts.append(f'<polyline class="ahead" points="{_points(curve, px, py)}"/>')
    thinned = points if len(points) <= 300 else [*points[: -1 : len(points) // 300 + 1], points[-1]]
    parts.append(f'<polyline class="so-far" points="{_points(thinned, px, py)}"/>')
    parts.append(f'<circle class="value" cx="{px(now):.1f}" cy="{py(values[-1]):.1f}" r="5"/>')
    return "".join([*parts, "</svg>"])


def course_words(
    points: Sequence[tuple[float, float]], number: Indication, limit: Limit | None
) -> str:
    """The same as a sentence."""
    told = f"{number.name}: {render(number.value, number.unit, digits=3)}"
    told += f" after {points[-1][0] - points[0][0]:.0f} s in this step"
    if number.end is not None:
        u = COVERAGE_FACTOR * number.end_u
        told += f"; a fit sees it end at {render(number.end, number.unit, uncertainty=u or None)}"
    edges = [render(edge, number.unit) for edge in _edges(limit)]
    return told + (f"; limit {' and '.join(edges)}" if edges else "")


def share_bar(share: float, *, close: bool) -> str:
    """How much of something is used up."""
    wide = min(max(share, 0.0), 1.0) * 100.0
    look = "used close" if close else "used"
    return (
        '<svg class="share" viewBox="0 0 100 6" preserveAspectRatio="none" aria-hidden="true">'
        f'<rect class="ground" width="100" height="6"/><rect class="{look}" width="{wide:.1f}" '
        'height="6"/></svg>'
    )


def _edges(limit: Limit | None) -> list[float]:
    both = (limit.low, limit.high) if limit is not None else ()
    return [edge for edge in both if edge is not None]


def _near(edge: float, values: Sequence[float], end: float | None) -> bool:
    """Whether an edge can be drawn without pressing the course flat."""
    known = [*values, *([end] if end is not None else [])]
    low, high = min(known), max(known)
    most = max(high - low, 0.05 * max(abs(low), abs(high)))
    return low - 8.0 * most <= edge <= high + 8.0 * most


def _points(found: Iterable[tuple[float, float]], px: Place, py: Place) -> str:
    return " ".join(f"{px(t):.1f},{py(v):.1f}" for t, v in found)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
