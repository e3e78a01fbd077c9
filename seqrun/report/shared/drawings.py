"""Small pictures as inline SVG text: the limit bar and the marks. No library, no identifiers that
could clash, and every text escaped.

The patterns (``sr-guard``, ``sr-beyond``) are defined once a page by :data:`DEFS`.
"""

from __future__ import annotations

from html import escape

from seqrun.quantity import render
from seqrun.report.shared.rows import Row
from seqrun.report.shared.scale import LOWER_AT, STRETCHED, UPPER_AT, bar
from seqrun.values import Bound, Disposition, Verdict

WIDTH, HEIGHT = 320, 46
_TOP, _BOTTOM = 8, 28  # of the bar's body
_MIDDLE = (_TOP + _BOTTOM) / 2
_CHARACTER = 7.4  # px, of a bold label
_APART = 3.0  # characters between two labels, at least
_INK, _SOFT = "var(--ink)", "var(--soft)"

#: fill patterns used by all bars; hatching and dots survive a grey printer
DEFS = (
    '<svg width="0" height="0" style="position:absolute" aria-hidden="true" focusable="false">'
    '<defs><pattern id="sr-beyond" width="6" height="6" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="6" height="6" fill="var(--beyond)"/>'
    '<line x1="0" y1="0" x2="0" y2="6" stroke="var(--beyond-ink)" stroke-width="2.2"/></pattern>'
    '<pattern id="sr-guard" width="5" height="5" patternUnits="userSpaceOnUse">'
    '<rect width="5" height="5" fill="var(--guard)"/>'
    '<circle cx="1.6" cy="1.6" r="1" fill="var(--guard-ink)"/>'
    "</pattern></defs></svg>"
)


def limit_bar(row: Row) -> str:
    """The reading, its interval, guard band and limits on one line; "" without a limit."""
    shape = bar(row)
    if shape is None:
        return ""
    w = float(WIDTH)
    low = shape.low * w if shape.low is not None else None
    high = shape.high * w if shape.high is not None else None
    parts = [
        f'<svg class="bar" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="{escape(row.sentence)}" xmlns="http://www.w3.org/2000/svg">',
        _box(0, w, "var(--keeps)"),
    ]
    if low is not None:
        parts += [_box(0, low, "url(#sr-beyond)"), _guard(low, min(low + shape.guard * w, w))]
    if high is not None:
        parts += [_box(high, w, "url(#sr-beyond)"), _guard(max(high - shape.guard * w, 0), high)]
    parts.append(
        f'<rect x="0.5" y="{_TOP}" width="{w - 1}" height="{_BOTTOM - _TOP}" fill="none" '
        f'stroke="var(--edge)" stroke-width="1"/>'
    )
    if shape.zero is not None:
        x = shape.zero * w
        parts.append(_line(x, _TOP, x, _BOTTOM, "var(--edge)", 1, "2 2"))
        if all(edge is None or abs(x - edge) > 34 for edge in (low, high)):
            parts.append(_text(max(x, 5.0), "0", _SOFT))
    for edge, number in ((low, row.limit_low), (high, row.limit_high)):
        if edge is not None and number is not None:
            parts.append(_line(edge, _TOP - 4, edge, _BOTTOM + 4, _INK, 2.4))
            parts.append(_text(edge, render(number, row.unit), _INK, bold=True))
    if shape.stretched > STRETCHED:
        factor = f"scale stretched × {shape.stretched:.3g}"
        left = shape.high is not None and shape.low is None
        parts.append(_text(2 if left else w - 2, factor, _SOFT, anchor="start" if left else "end"))
    parts += _reading(row, shape.at * w, shape.half * w, shape.off_left, shape.off_right)
    parts.append("</svg>")
    return "".join(parts)


def _reading(row: Row, x: float, half: float, off_left: bool, off_right: bool) -> list[str]:
    y = _MIDDLE
    if off_left or off_right:
        tip, back = (3.0, 17.0) if off_left else (WIDTH - 3.0, WIDTH - 17.0)
        arrow = (
            f'<path d="M{back:.1f} {y - 8} L{tip:.1f} {y} L{back:.1f} {y + 8} Z" fill="{_INK}" '
            f'stroke="var(--paper)" stroke-width="1.5"/>'
        )
        shown = render(row.value, row.unit, digits=3) if row.value is not None else ""
        limit = row.limit_low if off_left else row.limit_high
        label = render(limit, row.unit) if limit is not None else ""
        beyond = WIDTH * (LOWER_AT if off_left else 1.0 - UPPER_AT)
        if (len(shown) + len(label) / 2.0 + _APART) * _CHARACTER > beyond:
            return [arrow]  # no room beside the limit's label; the column beside the bar says it
        return [arrow, _text(tip, shown, _INK, bold=True, anchor="start" if off_left else "end")]
    left, right = max(x - half, 0.0), min(x + half, float(WIDTH))
    if row.bound is Bound.AT_MOST:  # anywhere from here down to nothing
        left, right = 0.0, x
    elif row.bound is Bound.AT_LEAST:
        left, right = x, float(WIDTH)
    parts = [_line(left, y, right, y, "var(--paper)", 5.5), _line(left, y, right, y, _INK, 2.4)]
    parts += [_line(end, y - 6, end, y + 6, _INK, 2) for end in (left, right) if half >= 7.0]
    parts.append(f'<g transform="translate({x:.1f} {y})">{mark(row.verdict)}</g>')
    return parts


def mark(verdict: Verdict) -> str:
    """A verdict's shape around the origin, 12 px across: disc, half disc, half triangle, cross."""
    rim = f'stroke="{_INK}" stroke-width="1.8"'
    halo = '<circle r="8" fill="var(--paper)"/>'
    if verdict is Verdict.PASS:
        return f'{halo}<circle r="6" fill="{_INK}"/>'
    if verdict is Verdict.CONDITIONAL_PASS:
        return (
            f'{halo}<circle r="5.6" fill="var(--paper)" {rim}/>'
            '<path d="M0 -5.6 A5.6 5.6 0 0 0 0 5.6 Z" '
            f'fill="{_INK}"/>'
        )
    if verdict is Verdict.CONDITIONAL_FAIL:
        return (
            f'{halo}<path d="M0 -6.5 L6.5 5 L-6.5 5 Z" fill="var(--paper)" {rim} '
            'stroke-linejoin="round"/>'
            f'<path d="M0 -6.5 L0 5 L-6.5 5 Z" fill="{_INK}"/>'
        )
    if verdict is Verdict.FAIL:
        return (
            '<path d="M-6 -6 L6 6 M6 -6 L-6 6" stroke="var(--paper)" stroke-width="7"/>'
            f'<path d="M-6 -6 L6 6 M6 -6 L-6 6" stroke="{_INK}" stroke-width="3.4" '
            'stroke-linecap="round"/>'
        )
    if verdict is Verdict.NOT_MEASURED:
        return f'{halo}<circle r="5.4" fill="var(--paper)" {rim} stroke-dasharray="2.6 2.2"/>'
    return f'{halo}<circle r="3" fill="{_INK}"/>'


def mark_svg(verdict: Verdict) -> str:
    """A mark by itself, to stand before the verdict's word."""
    return (
        '<svg class="mark" viewBox="-8 -8 16 16" width="16" height="16" aria-hidden="true" '
        f'focusable="false">{mark(verdict)}</svg>'
    )


def disposition_svg(disposition: Disposition) -> str:
    """The shape beside the disposition: tick in a disc, half disc, cross in a disc, square."""
    shapes = {
        Disposition.ACCEPT: '<circle r="11" fill="currentColor"/><path d="M-5 0 L-1.5 4 L5.5 -4" '
        'fill="none" stroke="var(--paper)" stroke-width="2.6"/>',
        Disposition.HOLD: '<circle r="9.8" fill="var(--paper)" stroke="currentColor" '
        'stroke-width="2.4"/>'
        '<path d="M0 -9.8 A9.8 9.8 0 0 0 0 9.8 Z" fill="currentColor"/>',
        Disposition.REJECT: '<path d="M-8 -8 L8 8 M8 -8 L-8 8" stroke="currentColor" '
        'stroke-width="5" stroke-linecap="round"/>',
        Disposition.ABORTED: '<path d="M-9 -9 H9 V9 H-9 Z" fill="currentColor"/>'
        '<path d="M-4.5 0 H4.5" stroke="var(--paper)" stroke-width="3"/>',
    }
    return (
        '<svg viewBox="-12 -12 24 24" width="42" height="42" aria-hidden="true" focusable="false">'
        f"{shapes[disposition]}</svg>"
    )


def legend_bar() -> str:
    """The key to all bars: what is plain, dotted and hatched, drawn as they are."""
    swatch = (
        '<svg class="key" viewBox="0 0 26 14" width="26" height="14" aria-hidden="true" '
        'focusable="false">{}</svg>'
    )
    box = '<rect x="0.5" y="0.5" width="25" height="13" fill="{}" stroke="var(--edge)"/>'
    items = (
        (swatch.format(box.format("var(--keeps)")), "keeps to the limit"),
        (swatch.format(box.format("url(#sr-guard)")), "guard band, as wide as U"),
        (swatch.format(box.format("url(#sr-beyond)")), "beyond the limit"),
        (
            swatch.format(
                f'<path d="M2 7 H24 M2 2 V12 M24 2 V12" stroke="{_INK}" stroke-width="2"/>'
                f'<circle cx="13" cy="7" r="4.5" fill="{_INK}"/>'
            ),
            "reading with its interval ± U",
        ),
    )
    return "".join(f"<li>{picture} {words}</li>" for picture, words in items)


def _box(x0: float, x1: float, fill: str) -> str:
    return (
        f'<rect x="{x0:.1f}" y="{_TOP}" width="{max(x1 - x0, 0):.1f}" height="{_BOTTOM - _TOP}" '
        f'fill="{fill}"/>'
    )


def _guard(x0: float, x1: float) -> str:
    return _box(x0, x1, "url(#sr-guard)") if x1 - x0 > 0.3 else ""


def _line(
    x0: float, y0: float, x1: float, y1: float, colour: str, width: float, dash: str = ""
) -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" stroke="{colour}" '
        f'stroke-width="{width}"{dashed}/>'
    )


def _text(
    x: float,
    text: str,
    colour: str,
    *,
    bold: bool = False,
    anchor: str = "middle",
    at: float = HEIGHT - 4,
) -> str:
    weight = ' font-weight="600"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{at}" font-size="12.5" text-anchor="{anchor}" fill="{colour}"'
        f"{weight}>{escape(text)}</text>"
    )
