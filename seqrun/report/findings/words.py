"""Findings and repair-or-salvage in words and short texts, for terminal and page alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from seqrun.judge.findings import Finding, Findings, Reason
from seqrun.judge.salvage import Advice, Prospect
from seqrun.plan.cautions import caution
from seqrun.values import Disposition

if TYPE_CHECKING:
    from seqrun.report.shared.summary import Summary

SHOWN_REASONS = 4  # for a cause, and as many against it
SHOWN_CAUSES = 3
SURE_ENOUGH = 0.5  # below, something else is likelier than the likeliest cause
ASSUMED = (
    "The percentages assume one fault at a time, and that the declared frequencies hold for this "
    "unit. They reject nothing: the verdicts do. A cause that is likelier than none holds an "
    "accept, and a mistake on the bench that is likelier than any other cause holds a reject."
)
FROM_SIMULATED = (
    "The odds come from simulated faults: no statistics of real repairs stand behind them."
)
INVENTED = (
    "the figures are the shipped example's, invented: --costs FILE gives it yours "
    "('seqrun example costs' prints a sheet to fill in)"
)
KEY = "x30: thirty times as likely with this cause as without it; /30: thirty times less likely."
SUGGESTION = (
    "A suggestion by these numbers alone. What the unit is worth to its owner stands in no sheet."
)


@dataclass(frozen=True, slots=True)
class ToldCause:
    """One cause as it is shown."""

    rank: int
    percent: str
    finding: Finding

    @property
    def where(self) -> str:
        """What it sits in: a section of the unit, or the bench."""
        if self.finding.kind == "bench":
            return "a mistake on the bench, not in the unit"
        return self.finding.section_title

    @property
    def reasons_for(self) -> tuple[Reason, ...]:
        return self.finding.speaking_for[:SHOWN_REASONS]

    @property
    def reasons_against(self) -> tuple[Reason, ...]:
        return self.finding.speaking_against[:SHOWN_REASONS]


def told(findings: Findings, most: int = SHOWN_CAUSES) -> list[ToldCause]:
    """The causes that are shown, the likeliest first, of those that a reading speaks for."""
    spoken_for = [cause for cause in findings.likely if cause.speaking_for]
    return [
        ToldCause(rank, percent(cause.probability), cause)
        for rank, cause in enumerate(spoken_for[:most], 1)
    ]


def caution_for(findings: Findings) -> str:
    """The caution for all that the findings send somebody to."""
    works = [one.finding.work for one in told(findings)]
    return caution(*works, *([findings.apart_work] if findings.apart else []))


def percent(probability: float) -> str:
    """A probability that never rounds to certainty: ``"96 %"``, ``"> 99 %"``, ``"< 1 %"``."""
    if probability > 0.99:
        return "> 99 %"
    return "< 1 %" if probability < 0.01 else f"{100.0 * probability:.0f} %"


def ratio(reason: Reason) -> str:
    """A likelihood ratio in few characters: ``"x30"`` for, ``"/30"`` against."""
    sign, size = ("x", reason.ratio) if reason.ratio >= 1.0 else ("/", 1.0 / reason.ratio)
    return f"{sign}{size:.2g}" if size < 99.5 else f"{sign}{min(size, 999.0):.0f}"


#: what is said where no cause is likelier than none, by how the run ended
_NONE_KNOWN = "These readings point to none of the faults and bench mistakes that are known here."
_NO_CAUSE = {
    Disposition.REJECT: f"{_NONE_KNOWN} What failed stands all the same: begin with it.",
    Disposition.HOLD: f"{_NONE_KNOWN} The run is not whole: what is missing may point to one.",
    Disposition.ABORTED: f"{_NONE_KNOWN} The run did not finish: what is missing may point to one.",
}
SILENT = (
    "This sequence has read nothing that speaks for or against any of the causes known here: its"
    " verdicts, and what was said during the run, are what it tells."
)


#: what is next when the readings fit no cause
UNKNOWN = "begin with what failed, and go on with 'isolate', which needs no guess at a cause."


def heading(findings: Findings, disposition: Disposition | None = None) -> str:
    """What the findings come to, in a sentence or two.

    Args:
        disposition: of the run; an accept stands whatever the readings lean to.
    """
    if not findings.spoken:
        return SILENT
    if not findings.faulty:
        return _NO_CAUSE.get(disposition, _NONE_KNOWN) if disposition else _NONE_KNOWN
    if findings.unfamiliar:
        return (
            f"Something is wrong ({percent(1.0 - findings.no_fault)}), and no cause known here"
            f" explains it: {UNKNOWN}"
        )
    first = findings.causes[0]
    where = " The unit itself may be in order." if first.kind == "bench" else ""
    lean = "Not settled. The likeliest" if first.probability < SURE_ENOUGH else "Most likely"
    said = f"{lean}: {first.title} ({percent(first.probability)}).{where}"
    if disposition is Disposition.ACCEPT:
        return f"Every limit was met, so this rejects nothing; look at it before going on. {said}"
    return said


def odds_from(simulated: bool) -> str:
    """Where the odds come from, and on a real unit that nobody has counted real repairs."""
    return ASSUMED if simulated else f"{FROM_SIMULATED} {ASSUMED}"


def second_fault(findings: Findings) -> str:
    """What the first cause leaves unexplained, or nothing."""
    if not findings.unexplained or not findings.faulty:
        return ""
    signs = "; ".join(findings.unexplained[:3])
    return f"The first cause does not explain: {signs}. A second one may: {findings.beside}."


def sections(findings: Findings) -> list[tuple[str, list[str]]]:
    """Titles of the sections by what was measured of them; kinds that no section has left out."""
    accused = {c.section for c in findings.likely if c.probability >= 0.1 and c.kind == "unit"}
    groups: dict[str, list[str]] = {"measured good": [], "suspect": [], "not told": []}
    for section in findings.sections:
        if section.id in accused or section.state == "suspect":
            groups["suspect"].append(section.title)
        elif section.state == "good":
            groups["measured good"].append(section.title)
        else:
            groups["not told"].append(section.title)
    return [(name, titles) for name, titles in groups.items() if titles]


def findings_on_record(facts: Mapping[str, Any]) -> Findings | None:
    """The findings that a run keeps among its facts; None when it has none that can be read."""
    from pydantic import TypeAdapter, ValidationError

    kept = facts.get("findings")
    if not isinstance(kept, Mapping):
        return None
    try:
        return TypeAdapter(Findings).validate_python(dict(kept))
    except ValidationError:  # of another version, or edited by hand
        return None


def pointer(facts: Mapping[str, Any]) -> str:
    """One line for the end of a run: the likeliest cause on record, or nothing."""
    found = findings_on_record(facts)
    if found is None or not found.faulty:
        return ""
    if found.unfamiliar:
        return f"findings: {found.named}; 'seqrun findings last' gives the reasons"
    first = found.causes[0]
    return (
        f"findings: {first.title} ({percent(first.probability)}); 'seqrun findings last' gives "
        "the reasons"
    )


def section(summary: Summary) -> str:
    """The section of a run's page, as HTML; nothing for an accepted unit or without findings."""
    from seqrun.report.shared.assets import template

    found = findings_on_record(summary.facts)
    if found is None or (not found.faulty and summary.disposition is Disposition.ACCEPT):
        return ""
    html: str = template("findings/section.html.j2").render(
        heading=heading(found, summary.disposition),
        causes=told(found),
        ratio=ratio,
        apart=found.apart,
        second_fault=second_fault(found),
        sections=sections(found),
        assumed=odds_from(summary.simulated),
        caution=caution_for(found),
        key=KEY,
    )
    return html


def money(value: float, currency: str) -> str:
    """An amount to the whole unit of the currency, with its sign where it is negative."""
    return f"{value:.0f} {currency}".replace("-0 ", "0 ")


def spread(choice: Prospect, currency: str) -> str:
    """Eight outcomes in ten lie within: ``"40 to 150 EUR"``."""
    return f"{choice.low:.0f} to {money(choice.high, currency)}"


def advice_words(advice: Advice) -> list[str]:
    """Repair against salvage, in sentences."""
    ahead = advice.repair_ahead if advice.better == "repair" else 1.0 - advice.repair_ahead
    name = advice.better.capitalize()
    found = [
        f"{name} is ahead by {money(abs(advice.difference), advice.currency)} on average, and "
        f"comes out ahead in {percent(ahead)} of cases."
    ]
    if advice.break_even_hours is None:
        found.append("Repair would not pay at any number of hours.")
    else:
        found.append(
            f"Expected work, finding included: {advice.planned_hours:.1f} h; repair pays up to "
            f"{advice.break_even_hours:.1f} h."
        )
    if advice.left_out:
        left_out = "; ".join(advice.left_out)
        found.append(f"Not counted, for the sheet has no repair for it: {left_out}.")
    return found


def kept_words(advice: Advice) -> list[str]:
    """Sections that measured good, each with its price where the sheet has one."""
    return [
        f"{k.title} ({money(k.value, advice.currency)})" if k.value is not None else k.title
        for k in advice.kept
    ]
