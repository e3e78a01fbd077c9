"""The release sheet: what the owner of a repaired amplifier is given, one page in plain words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from seqrun.errors import UsageError
from seqrun.judge.release import refuse_before, refuse_release
from seqrun.quantity import render
from seqrun.report.shared.assets import PAST, rendered, write
from seqrun.report.shared.rows import Row
from seqrun.report.shared.summary import Summary, summarise
from seqrun.values import Bound, Disposition, Verdict

if TYPE_CHECKING:
    from seqrun.record import RunData, RunRow

#: characters of a typed text, and of a typed caution, that leave the sheet on one page
LONGEST, LONGEST_CAUTION = 400, 160
_CAUTIONS_TYPED = 2


class Plain(NamedTuple):
    """A quantity as an owner understands it."""

    words: str
    why: str


#: in the order of the sheet: what an owner can hear or feel first
OWNERS_WORDS = {
    "output_power": Plain("Output power", "how loud it plays before it distorts"),
    "dc_offset": Plain(
        "Direct current at the speaker terminals",
        "it would heat a loudspeaker; nearly nothing is good",
    ),
    "noise": Plain("Noise at the speaker terminals", "what hisses or hums without music"),
    "hum": Plain("Hum", "what hums without music"),
    "signal_to_noise": Plain("Music against noise", "how far noise stays below the music"),
    "thd": Plain("Distortion", "what the amplifier adds to the music"),
    "thd_n": Plain("Distortion and noise", "what the amplifier adds to the music"),
    "flatness": Plain("Evenness of tone", "whether bass and treble are as loud as the middle"),
    "channel_separation": Plain("Channel separation", "how well left and right stay apart"),
    "channel_balance": Plain("Balance", "whether left and right are equally loud"),
    "sink_rise": Plain("Warmth of the heatsink", "above the room, after long playing"),
    "idle_current": Plain("Current at rest", "too little distorts, too much overheats"),
    "idle_drift": Plain("Current at rest, more of it when warm", "it must settle"),
    "current_sharing": Plain(
        "Sharing between the output transistors", "none may do the work of another"
    ),
}
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
    cautions: tuple[str, ...]
    signed_by: str
    date: str

    @property
    def simulated(self) -> bool:
        return self.summary.simulated

    @property
    def kept(self) -> str:
        """That every limit was kept, and with what room."""
        said = "The one limit of the test is kept"
        if self.limits != 1:
            said = f"All {self.limits} limits of the test are kept"
        if self.summary.decision == "simple":
            return f"{said}, as far as the instruments can tell."
        return f"{said}, with room for the error of the instruments."

    @property
    def compared(self) -> bool:
        return any(line.before for line in self.measured)


def release(
    run: RunData,
    fault_found: str,
    work_done: str,
    *,
    signed_by: str = "",
    cautions: Sequence[str] = (),
    before: RunData | None = None,
    others: Sequence[RunRow] = (),
    now: datetime | None = None,
) -> Release:
    """A release sheet for an accepted run.

    Args:
        fault_found, work_done: typed in by the operator.
        signed_by: who releases it; by default the operator of the run.
        cautions: for this unit, beside the usual ones.
        before: a run of the same unit before the repair.
        others: runs on record, to see whether a later one of this unit says otherwise.

    Raises:
        UsageError: the run is not an accept, a later run of the unit is not, a text is missing or
            too long, or the run before is of another unit.
    """
    row, summary = run.run, summarise(run)
    refuse_release(row, releases=summary.releases, unconfirmed=summary.unconfirmed, others=others)
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
        measured(summary.rows, old),
        sum(1 for r in summary.rows if r.verdict is Verdict.PASS),
        (*own, *CAUTIONS, *((BENCH_SUPPLY,) if supplied else ())),
        _typed("--signed-by", signed_by, needed=False, most=60) or row.operator,
        (now or datetime.now(UTC)).strftime("%Y-%m-%d"),
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


def measured(rows: Sequence[Row], before: Sequence[Row] = ()) -> tuple[OwnersLine, ...]:
    """Few readings that an owner understands: those with a limit, the worst of each channel."""
    lines = []
    for quantity, plain in OWNERS_WORDS.items():
        shown = _closest(rows, quantity)
        if shown:
            asked = dict.fromkeys(_together(row.limit_words, row.unit) for row in shown)
            old = _told(_closest(before, quantity))
            lines.append(OwnersLine(plain.words, plain.why, _told(shown), " or ".join(asked), old))
    return tuple(lines[:MOST_LINES])


def _closest(rows: Sequence[Row], quantity: str) -> list[Row]:
    """Of each channel the limited reading with the least room; a device counts to its channel."""
    found: dict[str, Row] = {}
    for row in rows:
        if row.quantity != quantity or row.margin is None:
            continue
        before = found.get(_channel(row))
        if before is None or before.margin is None or row.margin < before.margin:
            found[_channel(row)] = row
    return list(found.values())


def _channel(row: Row) -> str:
    return row.channel.split(".")[0]


def _told(rows: Sequence[Row]) -> str:
    """``"left 44.8 W, right 43.9 W"``, ``"28.5 K"``."""
    bounds = {Bound.AT_MOST: "at most ", Bound.AT_LEAST: "at least ", Bound.EXACT: ""}
    said = []
    for row in rows:
        value = row.value or 0.0
        if (
            row.limit_low is not None
            and row.limit_high is not None
            and row.limit_low == -row.limit_high
        ):
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
    )


def write_sheet(sheet: Release, path: Path) -> Path:
    """Write the sheet to ``path`` (UTF-8) and return it.

    Raises:
        FileError: the file cannot be written.
    """
    return write(render_sheet(sheet), path)
