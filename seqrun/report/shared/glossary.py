"""Words that a report uses and a reader may not know, explained where they stand: only those that
occur in it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from seqrun.report.shared.rows import Row
from seqrun.values import Bound, Verdict

_PLACE = re.compile(r"([\w-]+)(?:\.(pos|neg))?\.(upper|lower)(?:\.(\d+))?")
_PAIR = re.compile(r"([\w-]+)/([\w-]+)")
_SIGN = {"upper": "positive", "lower": "negative", "pos": "positive", "neg": "negative"}
#: what the ratio of limit to uncertainty is, and what it means when it is small
TUR = (
    "TUR",
    "test uncertainty ratio: how many times U fits into the room that the limit leaves. Below 4:1 "
    "(common practice; 'weak') more readings come within U of their limit and hold the unit",
)


def explained(
    rows: Sequence[Row], coverage: float, notes: Iterable[str] = (), *, times_u: bool = False
) -> list[tuple[str, str]]:
    """Words and what they mean, in the order of a reader's need.

    Args:
        coverage: k of the rows.
        notes: other texts of the report in which words may occur.
        times_u: margins are shown as multiples of U, too.
    """
    found: list[tuple[str, str]] = []
    if any(row.expanded_uncertainty for row in rows):
        share = "; about 95 cases in 100" if coverage == 2.0 else ""
        meaning = f"how far the true value may lie from the reading, either way (k = {coverage:g}"
        found.append(("U", f"{meaning}{share})"))
    if times_u and any(row.times_u_shown for row in rows):
        found.append(("3 × U", "the reading lies three times as far from its limit as it may err"))
    bounds = {row.bound for row in rows}
    if Bound.AT_MOST in bounds or Bound.AT_LEAST in bounds:
        found.append(
            (
                "at most, at least",
                "the bench reads no closer; the true value lies below an 'at most', above an"
                " 'at least'",
            )
        )
    verdicts = {row.verdict for row in rows}
    if Verdict.CONDITIONAL_PASS in verdicts:
        found.append(("conditional pass", "inside the limit, by less than U"))
    if Verdict.CONDITIONAL_FAIL in verdicts:
        found.append(("conditional fail", "beyond the limit, by less than U"))
    found += _places([row.channel for row in rows])
    if any("test uncertainty ratio" in text or "TUR" in text for text in notes):
        found.append(TUR)
    return found


_TREND = {
    "drifts": "moved by more than its uncertainty; the rule is at the end",
    "steady": "moved too little to matter",
    "cannot tell": "too few readings, or too uncertain, to say whether it moved",
    "no value": "each time the bench could only tell 'at most' or 'at least'",
    "too few": "fewer than three readings",
}


def of_trends(words: Iterable[str]) -> list[tuple[str, str]]:
    """What is said of readings over time, as far as it is said here."""
    said = set(words)
    return [(word, meaning) for word, meaning in _TREND.items() if word in said]


#: units of a sheet for somebody who never learned them
_UNITS = {
    "W": "watt, power",
    "V": "volt",
    "A": "ampere, current",
    "K": "one degree Celsius of difference",
    "dB": "decibel: 10 dB more sound about twice as loud",
    "Hz": "times a second",
    "s": "second",
}
_PREFIXED = {"m": "a thousandth", "µ": "a millionth", "k": "a thousand"}
_UNIT = re.compile(r"\d\s(?:([mµk])?(W|V|A|Hz|s)|(K|dB))(?![\w])")


def of_units(texts: Iterable[str]) -> list[tuple[str, str]]:
    """The units in texts for an owner, and what is put before them: ``("mV", "…")``."""
    found: dict[str, str] = {}
    for prefix, name, plain in _UNIT.findall(" ".join(texts)):
        unit = name or plain
        meaning = _UNITS[unit]
        if prefix:
            meaning = f"{_PREFIXED[prefix]} of a {meaning.partition(',')[0]}"
            meaning = meaning if unit != "Hz" else f"{_PREFIXED[prefix]} {_UNITS[unit]}"
        found[prefix + unit] = meaning
    return list(found.items())


def _places(channels: Sequence[str]) -> list[tuple[str, str]]:
    """An example of each way in which a place is named."""
    places = [m for channel in channels if (m := _PLACE.fullmatch(channel))]
    found = [_place(m) for m in sorted(places, key=lambda m: m[4] is None)[:1]]
    if pair := next((m for c in channels if (m := _PAIR.fullmatch(c))), None):
        found.append((pair[0], f"{pair[1]} held against {pair[2]}"))
    if any(c in ("rail.pos", "rail.neg") for c in channels):
        found.append(("rail.pos, rail.neg", "the positive and the negative rail"))
    return found


def _place(found: re.Match[str]) -> tuple[str, str]:
    """What a place within an output stage is called: of a device, or of a half."""
    said = f"{found[1]} channel, "
    said += f"{_SIGN[found[2]]} side of its bridge, " if found[2] else ""
    said += f"half at the {_SIGN[found[3]]} rail"
    if found[4]:
        said += f", output device number {found[4]} of those in parallel"
    return found[0], said


def lines(words: Sequence[tuple[str, str]]) -> list[str]:
    """The same for a terminal, one text for each."""
    return [f"{word}: {meaning}." for word, meaning in words]
