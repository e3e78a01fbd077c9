"""Histories as self-contained pages: trends of a unit, yield and spread of a model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape

from seqrun.quantity import render
from seqrun.report.history.trends import (
    DAY_S,
    RULE,
    LimitHistory,
    ModelHistory,
    Trend,
    UnitHistory,
    bins,
    chance_words,
    interval_words,
    left_out_words,
    nothing_drifts,
    percent,
    yield_words,
)
from seqrun.report.shared.assets import PAST, rendered
from seqrun.report.shared.chart import Axis, Chart, around
from seqrun.report.shared.glossary import explained, of_trends
from seqrun.values import COVERAGE_FACTOR, Disposition

_CHART_WIDTH, _CHART_HEIGHT = 470, 205
_CHARTS = 60  # a page with more is not looked at
_MODEL_CHARTS = 12
_DRAWN = 3  # readings that make a picture; fewer stand in a table
_POINTS = 400  # dots that still tell apart on a chart
_BINS = 30
_WIDTH, _HEIGHT, _BODY = 240, 52, 34  # of the picture of a spread
_INK = "var(--ink)"


@dataclass(frozen=True, slots=True)
class DateAxis(Axis):
    """Time since 1970 in s, its marks at whole days, months or years."""

    def ticks(self) -> list[float]:
        days = max((self.end - self.start) / DAY_S, 1e-6)
        step = next((n for n in (1, 2, 7, 14) if days / n <= 6.0), None)
        if days < 2.0 or step is not None:
            width = DAY_S * (step or 1) if days >= 2.0 else _nice_hours(days * 24.0) * 3600.0
            first = -(-self.start // width) * width
            return [first + i * width for i in range(int((self.end - first) // width) + 1)]
        months = max(round(days / 30.4 / 5.0), 1)
        at = datetime.fromtimestamp(self.start, UTC)
        index = at.year * 12 + at.month
        found: list[float] = []
        while True:
            moment = datetime(index // 12, index % 12 + 1, 1, tzinfo=UTC).timestamp()
            if moment > self.end:
                return found
            found.append(moment)
            index += months

    def text(self, value: float) -> str:
        moment = datetime.fromtimestamp(value, UTC)
        if self.end - self.start < 2.0 * DAY_S:
            return moment.strftime("%H:%M")
        if self.end - self.start < 300.0 * DAY_S:
            return f"{moment.day} {moment:%b}"
        return moment.strftime("%Y-%m")


def _nice_hours(hours: float) -> float:
    steps = (1 / 60, 1 / 12, 1 / 6, 1 / 2, 1.0, 2.0, 4.0, 8.0)
    return next((step for step in steps if hours / step <= 6.0), 12.0)


def unit_page(history: UnitHistory) -> str:
    """The history of a unit as HTML text. All text from files and people is escaped."""
    from markupsafe import Markup

    from seqrun.report.shared import drawings

    return _page(
        "history/unit.html.j2",
        history.simulated,
        h=history,
        chance=chance_words(history.trends),
        nothing=nothing_drifts(history.trends),
        first=history.runs[0].started_utc[:10],
        last=history.runs[-1].started_utc[:10],
        left_out=left_out_words(history.left_out, history.simulated),
        runs=[
            (run, Markup(drawings.disposition_svg(run.disposition)))
            for run in reversed(history.runs)
        ],
        charts=[(t, Markup(chart(t))) for t in history.trends[:_CHARTS] if len(t.values) >= _DRAWN],
        few=[t for t in history.trends if len(t.values) < _DRAWN],
        more=max(len(history.trends) - _CHARTS, 0),
        words=_words(history.trends),
    )


def models_page(histories: Sequence[ModelHistory]) -> str:
    """Yield and spread, model by model, as HTML text."""
    from markupsafe import Markup

    sections = []
    for history in histories:
        moving = [h.trend for h in history.limits if h.trend.word == "drifts"]
        sections.append(
            {
                "h": history,
                "chance": chance_words([h.trend for h in history.limits]),
                "yields": yield_words(history.accepted),
                "limits": [(h, Markup(spread(h))) for h in history.limits],
                "charts": [(t, Markup(chart(t))) for t in moving if not t.slight][:_MODEL_CHARTS],
            }
        )
    return _page(
        "history/model.html.j2",
        any(h.simulated for h in histories),
        sections=sections,
        left_out=left_out_words(histories[0].left_out, histories[0].simulated),
        key=Markup(_key()),
        percent=percent,
        interval=interval_words,
        words=_words([h.trend for history in histories for h in history.limits]),
    )


def _words(trends: Sequence[Trend]) -> list[tuple[str, str]]:
    """What a reader of trends may not know."""
    rows = [trend.row for trend in trends]
    return [*explained(rows, COVERAGE_FACTOR), *of_trends(trend.word for trend in trends)]


def _page(name: str, simulated: bool, **given: object) -> str:
    return rendered(name, *PAST, simulated=simulated, rule=RULE, accept=Disposition.ACCEPT, **given)


def chart(trend: Trend) -> str:
    """Every reading with its ± U over time, the limits, and the line when it drifts."""
    import numpy as np

    row = trend.row
    shown = np.unique(np.linspace(0, len(trend.values) - 1, _POINTS).astype(int))
    times, values, u = trend.times[shown], trend.values[shown], trend.expanded[shown]
    sides = [x for x in (row.limit_low, row.limit_high) if x is not None]
    low, high = around([float((values - u).min()), float((values + u).max()), *sides])
    # a movement that would not matter may not fill the picture
    short = 2.0 * trend.matters - (high - low)
    if short > 0.0:
        low, high = low - short / 2.0, high + short / 2.0
    start, end = float(trend.times[0]), float(trend.times[-1])
    room = 0.04 * (end - start) or 1800.0
    factor, unit = _scale(max(abs(low), abs(high)), row.unit)
    picture = Chart(
        DateAxis(start - room, end + room, "UTC"),
        Axis(low, high, unit, factor=factor),
        row.name,
        trend.sentence,
        height=_CHART_HEIGHT,
        width=_CHART_WIDTH,
    )
    if row.limit_high is not None:
        picture.band(row.limit_high, high, "url(#sr-beyond)")
        picture.level(row.limit_high, "", heavy=True)
    if row.limit_low is not None:
        picture.band(low, row.limit_low, "url(#sr-beyond)")
        picture.level(row.limit_low, "", heavy=True)
    if trend.line is not None and trend.word == "drifts":
        ends = (trend.line.start, trend.line.end)
        picture.line(ends, [trend.line.at(t) for t in ends], "", ("var(--line-2)", "7 3", 1.8))
    picture.points(times, values, u)
    return picture.svg()


def spread(limit: LimitHistory) -> str:
    """A histogram of the units over the limits; "" without a value."""
    found = bins(limit, _BINS)
    if found is None:
        return ""
    counts, edges = found
    left, span = float(edges[0]), float(edges[-1] - edges[0])
    row = limit.row

    def px(value: float) -> float:
        return (value - left) / span * _WIDTH

    words = (
        f"{row.name}: {limit.spread_shown}; {percent(limit.passed, limit.units)} of {limit.units}"
        " units pass"
    )
    parts = [
        f'<svg class="bar" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" '
        f'aria-label="{escape(words)}" xmlns="http://www.w3.org/2000/svg">'
        f'<rect width="{_WIDTH}" height="{_BODY}" fill="var(--keeps)"/>'
    ]
    for side, upper in ((row.limit_low, False), (row.limit_high, True)):
        if side is None:
            continue
        x0, x1 = (px(side), float(_WIDTH)) if upper else (0.0, px(side))
        parts.append(
            f'<rect x="{x0:.1f}" width="{max(x1 - x0, 0.0):.1f}" height="{_BODY}" '
            'fill="url(#sr-beyond)"/>'
        )
    width = _WIDTH / len(counts)
    most = float(counts.max())
    for i, n in enumerate(counts):
        if n:
            tall = max((_BODY - 3) * float(n) / most, 1.5)
            parts.append(
                f'<rect x="{i * width + 0.5:.1f}" y="{_BODY - tall:.1f}" width="{width - 1:.1f}" '
                f'height="{tall:.1f}" fill="{_INK}"/>'
            )
    for side in (row.limit_low, row.limit_high):
        if side is None:
            continue
        text = render(side, row.unit)
        half = 4.4 * len(text)
        x = min(max(px(side), half), _WIDTH - half)
        parts.append(
            f'<line x1="{px(side):.1f}" x2="{px(side):.1f}" y1="0" y2="{_BODY + 3}" '
            f'stroke="{_INK}" stroke-width="2.4"/><text x="{x:.1f}" y="{_HEIGHT - 4}" '
            f'font-size="12.5" font-weight="600" text-anchor="middle" fill="{_INK}">'
            f"{escape(text)}</text>"
        )
    return "".join([*parts, "</svg>"])


def _scale(size: float, unit: str) -> tuple[float, str]:
    """What numbers on an axis are multiplied with, and the unit that they are then in."""
    shown = render(size, unit, digits=3)
    if not unit or unit == "s" or not shown.endswith(unit):
        return 1.0, unit
    prefix = shown.removesuffix(unit)[-1:].strip()
    return {"M": 1e-6, "k": 1e-3, "m": 1e3, "µ": 1e6, "n": 1e9, "p": 1e12}.get(prefix, 1.0), (
        f"{prefix}{unit}" if prefix and not prefix.isdigit() else unit
    )


def _key() -> str:
    swatch = (
        '<svg viewBox="0 0 26 14" width="26" height="14" aria-hidden="true">'
        '<rect x="0.5" y="0.5" width="25" height="13" fill="{}" stroke="var(--edge)"/></svg>'
    )
    items = (
        (_INK, "units, each by its latest reading"),
        ("var(--keeps)", "keeps to the limit"),
        ("url(#sr-beyond)", "beyond the limit"),
    )
    return "".join(f"<li>{swatch.format(fill)} {words}</li>" for fill, words in items)


__all__ = ["chart", "models_page", "spread", "unit_page"]
