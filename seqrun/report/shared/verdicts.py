"""What decided a run and what to do next, in plain words; shapes for verdicts."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import NamedTuple

from seqrun.report.shared.rows import Row
from seqrun.values import Disposition, Verdict


class Mark(NamedTuple):
    """How a verdict looks: a shape, the same in ASCII, a name for style sheets, short words."""

    shape: str
    ascii: str
    css: str
    short: str


MARKS = {
    Verdict.PASS: Mark("●", "o", "pass", "pass"),
    Verdict.CONDITIONAL_PASS: Mark("◐", "~", "cpass", "cond. pass"),
    Verdict.CONDITIONAL_FAIL: Mark("◭", "!", "cfail", "cond. fail"),
    Verdict.FAIL: Mark("✕", "x", "fail", "FAIL"),
    Verdict.NOT_MEASURED: Mark("○", "?", "none", "not meas."),
    Verdict.NONE: Mark("·", ".", "plain", ""),
}

DISPOSITION_MARKS = {
    Disposition.ACCEPT: Mark("●", "o", "accept", "ACCEPT"),
    Disposition.HOLD: Mark("◐", "~", "hold", "HOLD"),
    Disposition.REJECT: Mark("✕", "x", "reject", "REJECT"),
    Disposition.ABORTED: Mark("■", "#", "aborted", "ABORTED"),
}

DISPOSITION_WORDS = {
    Disposition.ACCEPT: "Every limit is met, as the decision rule asks.",
    Disposition.HOLD: "Not decided: these readings allow neither an accept nor a clear reject.",
    Disposition.REJECT: "At least one limit is broken. The unit may not go back into use.",
    Disposition.ABORTED: "The run did not finish. It says nothing in favour of the unit.",
}

#: a quantity's name as the files write it, at the start of a reason
_NAME = re.compile(r"^[a-z]+(_[a-z]+)+\b")

#: what to do when a bench was not shown to be off
LIVE = (
    "Treat the unit as live: switch the supply off by hand, and measure each rail before touching"
    " anything."
)

#: how many rows of one kind are written out before the rest is only counted
WRITTEN_OUT = 6


def counts(rows: Sequence[Row]) -> list[tuple[Verdict, int]]:
    """How many readings have each verdict, worst first; verdicts that nobody has are left out."""
    order = [
        Verdict.FAIL,
        Verdict.CONDITIONAL_FAIL,
        Verdict.NOT_MEASURED,
        Verdict.CONDITIONAL_PASS,
        Verdict.PASS,
    ]
    found = [(v, sum(1 for row in rows if row.verdict is v)) for v in order]
    return [(v, n) for v, n in found if n]


def worst_first(rows: Sequence[Row]) -> list[Row]:
    """Rows that speak against the unit, the clearest fail first."""
    rank = {
        Verdict.FAIL: 0,
        Verdict.CONDITIONAL_FAIL: 1,
        Verdict.NOT_MEASURED: 2,
        Verdict.CONDITIONAL_PASS: 3,
    }
    against = [row for row in rows if row.verdict in rank]
    return sorted(against, key=lambda row: (rank[row.verdict], _finite(row.margin_in_u)))


def closest(rows: Sequence[Row]) -> Row | None:
    """The passed reading with the least margin, as a share of what its limit allows."""
    passed = [row for row in rows if row.verdict is Verdict.PASS and row.margin is not None]
    return min(passed, key=_share_left, default=None)


#: of what a limit allows; a pass with less room than this is shown open. Our own choice
TIGHT = 0.15


def tight(rows: Sequence[Row]) -> list[Row]:
    """Rows that speak against the unit, the worst first, and passes with little room."""
    near = [r for r in rows if r.verdict is Verdict.PASS and _is_tight(r)]
    return [*worst_first(rows), *sorted(near, key=_share_left)]


def kept(rows: Sequence[Row]) -> list[tuple[str, Row, list[Row]]]:
    """The other passes by quantity: in words, the one with the least room, and all of them."""
    groups: dict[str, list[Row]] = {}
    for row in rows:
        if row.verdict is Verdict.PASS and not _is_tight(row):
            groups.setdefault(row.quantity_words, []).append(row)
    return [(words, min(rows, key=_share_left), rows) for words, rows in groups.items()]


def _is_tight(row: Row) -> bool:
    return row.margin is not None and _share_left(row) < TIGHT


def _share_left(row: Row) -> float:
    width = (
        (row.limit_high - row.limit_low) / 2.0
        if row.limit_low is not None and row.limit_high is not None
        else abs(row.nearer or 0.0)
    )
    return (row.margin or 0.0) / width if width else math.inf


def _finite(value: float | None) -> float:
    return 0.0 if value is None else value


class Said(NamedTuple):
    """One sentence of what decided a run, and the reading that it is about."""

    text: str
    row: Row | None = None


def deciding(rows: Sequence[Row], disposition: Disposition | None, reason: str) -> list[Said]:
    """What decided, as sentences; the readings that speak loudest first."""
    said: list[Said] = []
    if disposition is Disposition.ABORTED or disposition is None:
        why = (
            sentence(_NAME.sub(lambda m: m[0].replace("_", " "), reason))
            or "The run ended before its last step; no reason is on record."
        )
        said.append(Said(why))
    against = worst_first(rows)
    spoken = _spoken(against)
    said += spoken[:WRITTEN_OUT]
    if len(spoken) > WRITTEN_OUT:
        said.append(Said(f"And {len(spoken) - WRITTEN_OUT} more, all listed below."))
    if not against and disposition is Disposition.ACCEPT:
        judged = sum(1 for row in rows if row.verdict is Verdict.PASS)
        met = f"All {judged} limits are met." if judged != 1 else "The one limit is met."
        nearest = closest(rows)
        if nearest is None:
            said.append(Said(met))
        else:
            said.append(Said(f"{met} Least room: {nearest.sentence}", nearest))
    if disposition is Disposition.HOLD and "never reached" in reason:
        said.append(Said(sentence(reason[reason.index("never reached") :])))
    if not said and reason:
        said.append(Said(sentence(reason)))
    return said


def _spoken(against: Sequence[Row]) -> list[Said]:
    """A sentence a row, but one for all rows of a quantity that were not measured: one lead that
    fell off leaves many of them, and their reasons are alike."""
    said: list[Said] = []
    missing: dict[str, list[Row]] = {}
    for row in against:
        if row.value is None:
            missing.setdefault(row.quantity, []).append(row)
    for row in against:
        if row.value is not None:
            said.append(Said(row.sentence, row))
            continue
        alike = missing.pop(row.quantity, [])
        if len(alike) == 1:
            said.append(Said(row.sentence, row))
        elif alike:
            why = f": {row.note}" if row.note else ""
            text = f"{row.quantity_words}: {len(alike)} readings not measured"
            said.append(Said(sentence(f"{text}; the first is {row.step}{why}"), row))
    return said


#: the papers that go with a unit that goes back into use
RELEASE = (
    "'seqrun compare RUN last' shows what the repair has changed since a run before it; 'seqrun"
    " release last' writes the sheet for the owner."
)

#: what is next after an accept by a sequence that proves less than an acceptance does
NO_RELEASE = (
    "This sequence releases no unit: go on with the next sequence, and do the acceptance before the"
    " unit goes back into use."
)


def next_actions(rows: Sequence[Row], disposition: Disposition | None) -> list[str]:
    """What the technician does next."""
    by = {verdict: [row for row in rows if row.verdict is verdict] for verdict in Verdict}
    if disposition is Disposition.ACCEPT:
        return ["The unit may go back into use. Keep this report with it.", RELEASE]
    if disposition is Disposition.REJECT:
        failing = [r for r in worst_first(rows) if r.failing]
        first = f" Begin with {failing[0].name} ({failing[0].step})." if failing else ""
        return [
            f"Do not hand the unit out.{first}",
            "After the repair, do the whole sequence again; a single step is not enough.",
        ]
    if disposition is Disposition.HOLD:
        said = ["Do not hand the unit out yet."]
        if by[Verdict.CONDITIONAL_PASS]:
            said.append(
                "A conditional pass lies within its uncertainty of the limit: measure it again with"
                " a smaller U (lower range, more averaging, a better instrument), or adjust the"
                " unit away from the limit."
            )
        if by[Verdict.CONDITIONAL_FAIL]:
            said.append(
                "A conditional fail lies beyond the limit by less than its uncertainty: treat it as"
                " a fail until a better measurement says otherwise."
            )
        if by[Verdict.NOT_MEASURED]:
            said.append("See to what prevented a reading, then do the sequence again.")
        if len(said) == 1:
            said.append(
                "Every limit is decided, and something else holds the unit: see to what the reason "
                "names ('seqrun findings last' says where to look), then do the sequence again."
            )
        return said
    return [
        "Treat the rails as charged until a meter shows less than 2 V across each reservoir"
        " capacitor.",
        "Find the cause before powering the unit again, then do the whole sequence again; or, where"
        " nothing was changed, 'seqrun run --resume last' goes on: what was read is kept where a"
        " spot check agrees, and heat starts again. After a trip, add --because and what explains"
        " it.",
    ]


def sentence(text: str) -> str:
    """A reason as a sentence: capital first, full stop last."""
    text = text.strip()
    if not text:
        return ""
    text = text[0].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."


def rule_in_words(decision: str, coverage: float = 2.0) -> list[str]:
    """The decision rule, for somebody who was not there (ILAC-G8:09/2019, 4.2)."""
    k = f"{coverage:g}"
    common = (
        f"U is the expanded uncertainty of the reading, k = {k} (about 95 %), combined from the"
        " instruments' accuracy tables, repeats, and the tolerances of loads and sensors"
        " (JCGM 100:2008)."
    )
    verdicts = (
        "A unit is accepted only when every limit has a pass. A reading that could not be made is"
        " never a pass. The conformance probability follows JCGM 106:2012."
    )
    if decision == "simple":
        return [
            "Simple acceptance: the value alone is held against the limit (guard band w = 0,"
            " ILAC-G8:09/2019). A value just inside a limit may be wrong as often as right.",
            common,
            verdicts,
        ]
    return [
        "Guarded acceptance (ILAC-G8:09/2019, non-binary, guard band w = U). Pass: the whole"
        " interval value ± U keeps to the limit. Conditional pass: the value keeps to it, the"
        " interval does not. Conditional fail: the value is beyond it by no more than U."
        " Fail: beyond it by more than U.",
        "The risk that a pass is a false accept is below 2.5 %, for normally distributed errors.",
        common,
        verdicts,
    ]
