"""The release sheet: what the owner of a repaired amplifier is given, one page in plain words."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.errors import UsageError
from seqrun.judge.condition import Condition, conditions
from seqrun.judge.release import (
    PartOfUnit,
    not_covered,
    refuse_before,
    refuse_beside,
    refuse_release,
)
from seqrun.quantity import render
from seqrun.record.again import KEPT
from seqrun.report.release.owners_words import COMPLAINTS, OWNERS_WORDS
from seqrun.report.shared.assets import PAST, rendered, write
from seqrun.report.shared.glossary import of_units
from seqrun.report.shared.rows import Row
from seqrun.report.shared.summary import Summary, summarise
from seqrun.values import TYPED, Bound, Disposition, Verdict

if TYPE_CHECKING:
    from seqrun.record import RunData, RunRow
    from seqrun.record.case_rows import CaseEntry

#: characters of a typed text, and of a typed caution, that leave the sheet on one page
LONGEST, LONGEST_CAUTION = 400, 160
_CAUTIONS_TYPED = 2


MOST_LINES = 7

CAUTIONS = (
    "Do not open the case. Parts inside hold a dangerous charge for some time after the plug has"
    " been pulled.",
    "Leave the openings for air free; the heatsink and the case get hot in use.",
    "Switch off and pull the plug if you notice smoke, a smell of burning, loud hum, or a"
    " loudspeaker whose cone is pushed in or out without music.",
    "Work on the mains side follows local codes and belongs to licensed people. Nothing on this"
    " sheet replaces their judgement.",
)
BENCH_SUPPLY = (
    "The test was made on a bench supply. The amplifier's own connection to the mains was not part"
    " of it."
)


@dataclass(frozen=True, slots=True)
class OwnersLine:
    """One line of what was measured: the worst reading of each channel, and what was asked."""

    words: str
    why: str
    shown: str
    asked: str
    before: str = ""  # the same of a run before the repair


@dataclass(frozen=True, slots=True)
class Release:
    """Everything on the sheet."""

    summary: Summary
    fault_found: str
    work_done: str
    measured: tuple[OwnersLine, ...]
    limits: int  # how many were held
    untested: tuple[str, ...]  # what an owner may ask about and this test did not look at
    typed: tuple[str, ...]  # readings with a limit that a person read and typed in
    complaint: str
    cautions: tuple[str, ...]
    signed_by: str
    date: str
    runs: tuple[str, ...] = ()  # all that the release rests on
    uncovered: tuple[PartOfUnit, ...] = ()  # parts of the unit that none of them looked at
    guarded: bool = True  # each of them left room for the error of the instruments

    @property
    def left_out(self) -> tuple[str, ...]:
        """What was not tested, in the owner's words."""
        return (*(part.words for part in self.uncovered), *self.untested)

    @property
    def simulated(self) -> bool:
        return self.summary.simulated

    @property
    def kept(self) -> str:
        """That every limit was kept, and with what room."""
        said = "The one limit of the test is kept"
        if self.limits != 1:
            said = f"All {self.limits} limits of the test are kept"
        if not self.guarded:
            return f"{said}, as far as the instruments can tell."
        return f"{said}, with room for the error of the instruments."

    @property
    def compared(self) -> bool:
        return any(line.before not in ("", _UNREAD, _OTHERWISE) for line in self.measured)


def release(
    run: RunData,
    fault_found: str,
    work_done: str,
    *,
    complaint: str = "",
    signed_by: str = "",
    cautions: Sequence[str] = (),
    before: RunData | None = None,
    beside: Sequence[RunData] = (),
    others: Sequence[RunRow] = (),
    work: Sequence[CaseEntry] = (),
    now: datetime | None = None,
) -> Release:
    """A release sheet for an accepted run.

    Args:
        fault_found, work_done: typed in by the operator.
        complaint: the owner's, in a few words; readings that are about it are on the sheet first.
        signed_by: who releases it; by default the operator of the run.
        cautions: for this unit, beside the usual ones.
        before: a run of the same unit before the repair.
        beside: accepted runs of the unit that cover what the first does not look at; the release is
            one decision over all of them.
        others: runs on record, to see whether a later one of this unit says otherwise.
        work: what was done to the unit, to see that nothing was between the runs.

    Raises:
        UsageError: the run is not an accept, a later run of the unit is not, a text is missing or
            too long, or the run before is of another unit.
    """
    row, summary = run.run, summarise(run)
    refuse_release(
        row,
        releases=summary.releases,
        unconfirmed=summary.unconfirmed,
        missing=run.missing,
        others=() if beside else others,
        work=() if beside else work,
    )
    more = {one.run.run_id: summarise(one) for one in beside}
    if beside:
        refuse_beside(
            row,
            [one.run for one in beside],
            unconfirmed={run_id: one.unconfirmed for run_id, one in more.items()},
            missing={one.run.run_id: one.missing for one in beside},
            others=others,
            work=work,
        )
    rows = (*summary.rows, *(r for one in more.values() for r in one.rows))
    told = summary.facts.get("unit")
    unit = told if isinstance(told, Mapping) else {}
    texts = [
        _typed("--fault-found", fault_found, needed=True),
        _typed("--work-done", work_done, needed=True),
    ]
    own = tuple(_typed("--caution", text, needed=True, most=LONGEST_CAUTION) for text in cautions)
    if len(own) > _CAUTIONS_TYPED:
        raise UsageError(
            f"{len(own)} cautions", expected=f"at most {_CAUTIONS_TYPED}", where="--caution"
        )
    old: tuple[Row, ...] = ()
    if before is not None:
        refuse_before(row, before.run)
        old = summarise(before).rows
    supplied = any(e.role == "supply" for e in summary.equipment)
    return Release(
        summary,
        texts[0],
        texts[1],
        measured(rows, old, complaint),
        sum(1 for r in rows if r.verdict is Verdict.PASS),
        (*untested(rows, unit), *_sides(rows), *_out_of_reach(unit)),
        read_by_a_person(rows),
        _typed("--complaint", complaint, needed=False),
        (*own, *CAUTIONS, *((BENCH_SUPPLY,) if supplied else ())),
        _typed("--signed-by", signed_by, needed=False, most=60) or row.operator,
        (now or datetime.now(UTC)).strftime("%Y-%m-%d"),
        runs=tuple(dict.fromkeys((row.run_id, *more, *_taken_from(rows)))),
        uncovered=not_covered(unit, rows),
        guarded=all(one.decision != "simple" for one in (summary, *more.values())),
    )


def _typed(option: str, text: str, *, needed: bool, most: int = LONGEST) -> str:
    plain = " ".join(text.split())
    if needed and not plain:
        raise UsageError(
            "nothing is said", expected="a sentence that the owner reads", where=option
        )
    if len(plain) > most:
        raise UsageError(
            f"{len(plain)} characters", expected=f"at most {most}, for one page", where=option
        )
    return plain


def measured(
    rows: Sequence[Row], before: Sequence[Row] = (), complaint: str = ""
) -> tuple[OwnersLine, ...]:
    """Few readings that an owner understands: those with a limit, the worst of each channel.

    What the complaint is about comes first. A reading of the run before stands beside only what is
    like it: the same quantity, under the same condition.
    """
    lines = []
    now, old = _within(rows), _within(before)
    for quantity in _in_order(complaint):
        plain, shown = OWNERS_WORDS[quantity], _closest(now, quantity)
        if shown:
            asked = dict.fromkeys(_allowed(row) for row, _ in shown)
            lines.append(
                OwnersLine(
                    plain.words,
                    plain.why,
                    _told([row for row, _ in shown]),
                    " or ".join(asked),
                    _before(shown, old, quantity) if before else "",
                )
            )
    return tuple(lines[:MOST_LINES])


def untested(rows: Sequence[Row], unit: Mapping[str, object]) -> tuple[str, ...]:
    """What an owner may ask about and this test did not hold against a limit, in owner's words."""
    held = {row.quantity for row in rows if row.has_limit}
    asked = [name for name in OWNERS_WORDS if name != "stage_share" or _in_parallel(unit)]
    told = (OWNERS_WORDS[name].words for name in asked if name not in held)
    return tuple(word for word in dict.fromkeys(told) if word not in _words_of(held))


def _in_parallel(unit: Mapping[str, object]) -> bool:
    """Whether power stages stand side by side at a terminal, as the sheet of the run tells."""
    stages = unit.get("paralleled")
    return isinstance(stages, int) and stages > 1


def _out_of_reach(unit: Mapping[str, object]) -> tuple[str, ...]:
    """What no reading of a unit can tell whose ballasts the sheet gives no figure for: one device
    that has come off the heatsink draws a little more, and all together hide it."""
    if not isinstance(unit.get("ballast"), str):
        return ()
    return ("Whether each output transistor still gives its heat to the heatsink",)


def _sides(rows: Sequence[Row]) -> tuple[str, ...]:
    """That nothing shows left to be left, where a unit has two sides and none was driven alone."""
    sides = {row.channel for row in rows if row.quantity == "gain"}
    told = any(row.quantity == "own_channel" and row.has_limit for row in rows)
    return () if told or len(sides) < 2 else ("Whether left is left and right is right",)


def read_by_a_person(rows: Sequence[Row]) -> tuple[str, ...]:
    """What was held against a limit and was read off a display and typed in, in owner's words."""
    found = [r for r in rows if r.has_limit and any(i.endswith(TYPED) for i in r.instruments)]
    words = (
        OWNERS_WORDS[r.quantity].words if r.quantity in OWNERS_WORDS else r.quantity_words
        for r in found
    )
    return tuple(dict.fromkeys(words))


def _taken_from(rows: Sequence[Row]) -> list[str]:
    """The interrupted runs whose readings a resumed one took over."""
    found = (re.match(rf"{KEPT}([^:]+)", row.note) for row in rows)
    return list(dict.fromkeys(one[1] for one in found if one))


def _words_of(quantities: set[str]) -> set[str]:
    return {OWNERS_WORDS[name].words for name in quantities if name in OWNERS_WORDS}


def _in_order(complaint: str) -> list[str]:
    """The quantities of the sheet, those that the complaint speaks of first."""
    said = complaint.lower()
    about = [q for q, words in COMPLAINTS.items() if any(word in said for word in words)]
    return [*about, *(q for q in OWNERS_WORDS if q not in about)]


_Within = tuple[Row, Condition]


def _within(rows: Sequence[Row]) -> list[_Within]:
    return list(zip(rows, conditions(rows), strict=True))


def _closest(rows: Sequence[_Within], quantity: str) -> list[_Within]:
    """Of each channel the limited reading with the least room; a device counts to its channel."""
    found: dict[str, _Within] = {}
    for row, condition in rows:
        if row.quantity != quantity or row.margin is None:
            continue
        other = found.get(_channel(row))
        if other is None or other[0].margin is None or row.margin < other[0].margin:
            found[_channel(row)] = (row, condition)
    return list(found.values())


def _before(now: Sequence[_Within], old: Sequence[_Within], quantity: str) -> str:
    """The same readings before: of each channel the one with the least room among those made under
    the same condition; a channel that could not be read then, or only in another way, is named."""
    of_it = [(r, c) for r, c in old if r.quantity == quantity]
    if not of_it:
        return _UNREAD
    said, apart = [], []
    for row, condition in now:
        alike = [
            (r, c)
            for r, c in of_it
            if r.unit == row.unit and _channel(r) == _channel(row) and c.alike(condition)
        ]
        read = _closest(alike, quantity) or [(r, c) for r, c in alike if r.value is not None][:1]
        its = [(r, c) for r, c in of_it if _channel(r) == _channel(row)]
        lost = [r for r, c in its if c.heat is condition.heat] or [r for r, _ in its]
        if read:
            said.append(_told([read[0][0]]))
        elif lost and all(r.value is None for r in lost):
            said.append(f"{_channel(row)} could not be read".strip())
        else:
            apart.append(_channel(row))
    if not said:
        return _OTHERWISE
    return ", ".join([*said, *(f"{name} {_OTHERWISE}" for name in apart)])


_UNREAD = "not measured then"
_OTHERWISE = "read in another way then"


def _channel(row: Row) -> str:
    return row.channel.split(".")[0]


def _allowed(row: Row) -> str:
    """A limit in the owner's words: ``"below 2 mV"``, ``"40 W or more"``."""
    low, high = row.limit_low, row.limit_high
    if low is not None and high is not None:
        return _together(row.limit_words, row.unit)
    if high is not None:
        return _together(f"below {render(high, row.unit)}", row.unit)
    return _together(f"{render(low, row.unit)} or more", row.unit) if low is not None else ""


def _told(rows: Sequence[Row]) -> str:
    """``"left 44.8 W, right 43.9 W"``, ``"28.5 K"``, ``"below 0.02 %"``."""
    bounds = {Bound.AT_MOST: "below ", Bound.AT_LEAST: "above ", Bound.EXACT: ""}
    said = []
    for row in rows:
        value = row.value or 0.0
        low, high = row.limit_low, row.limit_high
        if low is not None and high is not None and low == -high:
            value = abs(value)  # which way it goes does not matter
        shown = f"{bounds[row.bound]}{render(value, row.unit, digits=3)}"
        said.append(f"{_channel(row)} {_together(shown, row.unit)}".strip().replace(" ", "\u00a0"))
    return ", ".join(said)


def _together(text: str, unit: str) -> str:
    """A number and its unit stay on one line."""
    return re.sub(rf"(?<=\d) (?=[kMmµnp]?{re.escape(unit)}\b)", "\u00a0", text) if unit else text


def render_sheet(sheet: Release) -> str:
    """The sheet as HTML text. All text from files and people is escaped."""
    from markupsafe import Markup

    from seqrun.report.shared import drawings

    return rendered(
        "release/page.html.j2",
        *PAST,
        r=sheet,
        s=sheet.summary,
        simulated=sheet.simulated,
        tick=Markup(drawings.disposition_svg(Disposition.ACCEPT)),
        words=of_units(f"{m.before}; {m.shown}; {m.asked}" for m in sheet.measured),
    )


def write_sheet(sheet: Release, path: Path) -> Path:
    """Write the sheet to ``path`` (UTF-8) and return it.

    Raises:
        FileError: the file cannot be written.
    """
    return write(render_sheet(sheet), path)
