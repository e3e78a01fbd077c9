"""Before and after as one self-contained page."""

from __future__ import annotations

from html import escape
from pathlib import Path

from seqrun.judge.change import Change
from seqrun.quantity import render
from seqrun.report.compare.pairs import RunPair
from seqrun.report.compare.reading import ReadingPair
from seqrun.report.shared.assets import PAST, rendered, write
from seqrun.report.shared.glossary import explained
from seqrun.report.shared.rows import Row
from seqrun.values import Bound, Disposition, Verdict

_WIDTH, _HEIGHT = 240, 52
_TOP, _BOTTOM = 4, 35
_BEFORE, _AFTER = 12.0, 27.0  # heights of the two readings
_ROOM = 0.07  # at either end, as a share of what is shown
_INK, _SOFT = "var(--ink)", "var(--soft)"


def render_page(run: RunPair) -> str:
    """The comparison as HTML text. All text from files and people is escaped."""
    from markupsafe import Markup

    from seqrun.report.shared import drawings

    sides = [
        (word, s, Markup(drawings.disposition_svg(s.disposition or Disposition.ABORTED)))
        for word, s in (("before", run.before), ("after", run.after))
    ]
    lines = [(pair, Markup(picture(pair))) for pair in run.ordered()]
    rows = [row for pair, _ in lines for row in (pair.before, pair.after) if row is not None]
    return rendered(
        "compare/page.html.j2",
        *PAST,
        r=run,
        simulated=run.simulated,
        legend=Markup(_legend()),
        sides=sides,
        both=[line for line in lines if _listed(line[0])],
        folded=[
            (word, found)
            for word in ("only before", "only after", "cannot tell", "unchanged")
            if (found := [x for x in lines if x[0].word == word and not _listed(x[0])])
        ],
        words=explained(rows, run.after.coverage),
        marks={word: Markup(mark(word)) for word in _MARKS},
        verdicts={verdict: Markup(drawings.mark_svg(verdict)) for verdict in Verdict},
    )


def _listed(pair: ReadingPair) -> bool:
    """Whether a pair stands open on the page; the others are counted, and open at a press."""
    return pair.word == Change.CHANGED.value or pair.better is not None or pair.cured


def write_page(run: RunPair, path: Path) -> Path:
    """Write the page to ``path`` (UTF-8) and return it.

    Raises:
        FileError: the file cannot be written.
    """
    return write(render_page(run), path)


#: how a word about a change looks: its shape tells it apart without colour
_MARKS = {
    "changed": f'<path d="M-6 -2.5 H6 M-6 2.5 H6 M-4 6.5 L4 -6.5" stroke="{_INK}" '
    'stroke-width="2.2"/>',
    "unchanged": f'<path d="M-6 -2.5 H6 M-6 2.5 H6" stroke="{_INK}" stroke-width="2.2"/>',
    "cannot tell": f'<circle r="5.4" fill="var(--paper)" stroke="{_INK}" stroke-width="1.8" '
    'stroke-dasharray="2.6 2.2"/>',
    "only before": f'<path d="M5 -5 L-4 0 L5 5 Z" fill="var(--paper)" stroke="{_INK}" '
    'stroke-width="1.6"/>',
    "only after": f'<path d="M-5 -5 L4 0 L-5 5 Z" fill="var(--paper)" stroke="{_INK}" '
    'stroke-width="1.6"/>',
}


def mark(word: str) -> str:
    """The shape that stands before the word."""
    return (
        '<svg class="mark" viewBox="-8 -8 16 16" width="16" height="16" aria-hidden="true" '
        f'focusable="false">{_MARKS[word]}</svg>'
    )


def picture(pair: ReadingPair) -> str:
    """Both readings over the limits: before above and hollow, after below and filled."""
    shown = [
        (row, at)
        for row, at in ((pair.before, _BEFORE), (pair.after, _AFTER))
        if row is not None and row.value is not None and row.unit == pair.unit
    ]
    if not shown:
        return ""
    limits = [x for x in (pair.row.limit_low, pair.row.limit_high) if x is not None]
    ends = [x for row, _ in shown for x in _ends(row)]
    low, high = min([*ends, *limits]), max([*ends, *limits])
    if len(limits) == 1 and pair.unit != "dB":
        low, high = min(low, 0.0), max(high, 0.0)
    span = (high - low) or abs(high) or 1.0
    low, span = low - _ROOM * span, span * (1.0 + 2.0 * _ROOM)

    def px(value: float) -> float:
        return (value - low) / span * _WIDTH

    body = _BOTTOM - _TOP
    parts = [
        f'<svg class="bar" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" '
        f'aria-label="{escape(_words(pair))}" xmlns="http://www.w3.org/2000/svg">',
        f'<rect x="0" y="{_TOP}" width="{_WIDTH}" height="{body}" fill="var(--keeps)"/>',
    ]
    for limit, upper in ((pair.row.limit_low, False), (pair.row.limit_high, True)):
        if limit is None:
            continue
        left, right = (px(limit), float(_WIDTH)) if upper else (0.0, px(limit))
        parts.append(
            f'<rect x="{left:.1f}" y="{_TOP}" width="{max(right - left, 0.0):.1f}" '
            f'height="{body}" fill="url(#sr-beyond)"/>'
            f'<line x1="{px(limit):.1f}" y1="{_TOP - 3}" x2="{px(limit):.1f}" y2="{_BOTTOM + 3}" '
            f'stroke="{_INK}" stroke-width="2.4"/>'
        )
    parts += [_label(px(limit), render(limit, pair.unit)) for limit in limits]
    if low < 0.0 < low + span:
        parts.append(
            f'<line x1="{px(0):.1f}" y1="{_TOP}" x2="{px(0):.1f}" y2="{_BOTTOM}" '
            'stroke="var(--edge)" stroke-dasharray="2 2"/>'
        )
        if all(abs(px(limit) - px(0)) > 45 for limit in limits):
            parts.append(_label(px(0), "0", _SOFT))
    for row, y in shown:
        a, b = (px(end) for end in _ends(row))
        fill = "var(--paper)" if y == _BEFORE else _INK
        x = px(row.value or 0.0)
        parts.append(
            f'<line x1="{a:.1f}" y1="{y}" x2="{b:.1f}" y2="{y}" stroke="var(--paper)" '
            'stroke-width="5"/>'
            f'<line x1="{a:.1f}" y1="{y}" x2="{b:.1f}" y2="{y}" stroke="{_INK}" '
            f'stroke-width="2.2"/><circle cx="{x:.1f}" cy="{y}" r="5" fill="{fill}" '
            f'stroke="{_INK}" stroke-width="1.8"/>'
        )
    return "".join([*parts, "</svg>"])


def _ends(row: Row) -> tuple[float, float]:
    """The interval that a reading stands for, as far as it can be drawn."""
    value, u = row.value or 0.0, row.expanded_uncertainty or 0.0
    if row.bound is Bound.AT_MOST:
        return min(0.0 if row.unit != "dB" else value, value), value + u
    return value - u, value + u


def _words(pair: ReadingPair) -> str:
    texts = [
        f"{when}: {row.shown}"
        for when, row in (("before", pair.before), ("after", pair.after))
        if row is not None
    ]
    return f"{pair.name}, {', '.join(texts)}; {pair.word}."


def _label(x: float, text: str, colour: str = _INK) -> str:
    # centred under its line, but never over the edge; a bold character is 8 wide at most
    half = 4.4 * len(text)
    x = min(max(x, half), _WIDTH - half)
    return (
        f'<text x="{x:.1f}" y="{_HEIGHT - 4}" font-size="12.5" text-anchor="middle" '
        f'fill="{colour}" font-weight="600">{escape(text)}</text>'
    )


def _legend() -> str:
    swatch = '<svg viewBox="0 0 26 14" width="26" height="14" aria-hidden="true">{}</svg>'
    dot = (
        f'<path d="M2 7 H24" stroke="{_INK}" stroke-width="2"/><circle cx="13" cy="7" r="4.5" '
        f'fill="{{}}" stroke="{_INK}" stroke-width="1.8"/>'
    )
    box = '<rect x="0.5" y="0.5" width="25" height="13" fill="{}" stroke="var(--edge)"/>'
    items = (
        (dot.format("var(--paper)"), "before ± U"),
        (dot.format(_INK), "after ± U"),
        (box.format("var(--keeps)"), "keeps to the limit"),
        (box.format("url(#sr-beyond)"), "beyond the limit"),
    )
    return "".join(f"<li>{swatch.format(picture)} {words}</li>" for picture, words in items)
