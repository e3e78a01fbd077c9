"""The findings of a case over all its runs, and what repair or salvage comes to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from seqrun.case.stay import Case
from seqrun.errors import SeqrunError, UsageError
from seqrun.files.findings.file import Sign
from seqrun.files.findings.load import findings_for, patterns_of
from seqrun.files.findings.patterns import Patterns
from seqrun.files.unit.sheet import Unit
from seqrun.judge.findings import Findings
from seqrun.judge.together import Told, together
from seqrun.record import RunData
from seqrun.runner.findings import unit_of_run
from seqrun.steps.base import title_of
from seqrun.values import Disposition, Verdict

if TYPE_CHECKING:
    from seqrun.files.costs import CostSheet
    from seqrun.judge.salvage import Advice

SETTLED = 0.5  # below, something else is likelier than the likeliest cause
_SHOWN = 3  # readings of a run that are told


@dataclass(frozen=True)
class Weighed:
    """What a case comes to. ``questions`` are what the owner could still be asked."""

    findings: Findings | None
    why_not: str  # why there are no findings, or ""
    questions: tuple[Sign, ...] = ()
    then: tuple[str, ...] = ()  # sequences that settle the likeliest cause, the best first

    @property
    def settled(self) -> bool:
        """The likeliest cause is likelier than all else together."""
        found = self.findings
        known = found is not None and found.faulty and not found.unfamiliar
        return known and found is not None and found.causes[0].probability >= SETTLED


def weighed(case: Case) -> Weighed:
    """The findings over every run since the unit came in.

    Raises:
        UsageError: an owner's answer is to a question that is none.
    """
    try:
        patterns = _patterns(case)
    except SeqrunError as error:
        return Weighed(None, error.found)
    if patterns is None:
        return Weighed(None, "no run is on record yet" if not case.runs else "no findings file")
    owner = owner_answers(case, patterns)
    found = together(
        patterns,
        _all_told(case.before),
        _all_told(case.after),
        worked=bool(case.worked_at),
        owner=owner,
        answered=case.answered,
    )
    likely = {cause.id for cause in found.likely[:3]}
    worth = {name for cause in patterns.causes if cause.id in likely for name in cause.seen}
    questions = tuple(
        sign for sign in patterns.signs if sign.ask and sign.id in worth and sign.id not in owner
    )
    first = found.causes[0].id if found.likely else ""
    then = next((cause.then for cause in patterns.causes if cause.id == first), ())
    return Weighed(found, "", questions, then)


def advice_on(case: Case, found: Weighed, sheet: CostSheet) -> Advice | None:
    """Repair against salvage; None where nothing has been weighed. Once work was done, and nothing
    since speaks of a fault, what was weighed before it stands: that decided.

    Raises:
        UsageError: the sheet has no repair for any of the causes.
    """
    from seqrun.judge.salvage import advise

    findings = found.findings
    if case.worked_at and case.before and (findings is None or not findings.faulty):
        until = tuple(e for e in case.entries if e.time_utc < case.worked_at)
        findings = weighed(replace(case, runs=case.before, entries=until)).findings
    if findings is None or not findings.causes:
        return None
    return advise(findings, sheet, faulty=case.faulty)


def owner_answers(case: Case, patterns: Patterns) -> dict[str, bool]:
    """The owner's answers that are evidence, by the question's id; the latest counts. What else
    the owner answered stands as words."""
    questions = {sign.id for sign in patterns.signs if sign.ask}
    found = {}
    for entry in case.said("answer"):
        name, equals, answer = entry.text.partition("=")
        if equals and name.strip() in questions:
            found[name.strip()] = answer.strip().lower() == "yes"
    return found


def check_answer(text: str) -> None:
    """See that an answer to one of our questions is yes or no, and that a name is a question.

    Raises:
        UsageError: it is neither; naming the questions.
    """
    name, equals, answer = (part.strip() for part in text.partition("="))
    if not equals or " " in name:
        return  # free words
    file = findings_for("intake")
    asked = {str(s["id"]): str(s["ask"]) for s in (file.sign if file else ()) if s.get("ask")}
    if name not in asked or answer.lower() not in ("yes", "no"):
        known = "; ".join(f"{key}: {words}" for key, words in asked.items())
        raise UsageError(
            f"'{text}'", expected=f"words, or QUESTION=yes or =no ({known})", where="--owner-answer"
        )


def _patterns(case: Case) -> Patterns | None:
    last = case.last
    if last is None:
        return None
    return patterns_of((run.run.sequence for run in case.runs), unit_of(case))


def unit_of(case: Case) -> Unit:
    """The sheet of the unit, as the latest run that has it keeps it.

    Raises:
        UsageError: no run of the stay holds one.
    """
    for run in reversed(case.runs):
        try:
            return unit_of_run(run)
        except SeqrunError:
            continue
    raise UsageError(
        "no run of it holds a unit sheet that can be read",
        expected="a run whose folder keeps its files",
        where=case.serial,
    )


def _all_told(runs: Sequence[RunData]) -> list[Told]:
    """Runs as evidence, each reading once: what a resumed run has taken over stands in it."""
    resumed = {(run.facts.get("resumed") or {}).get("of") for run in runs}
    return [_told(run) for run in runs if run.run.run_id not in resumed]


def _told(run: RunData) -> Told:
    return Told(run.judged, run.run.reason, run.run.sequence)


def told_by_run(run: RunData) -> str:
    """What one run told, in a line: what failed, then what could not be measured, else how it
    ended; what a hunt or cuts have shown beside it."""
    failed = failed_by(run)
    unmade = _named(run, (Verdict.NOT_MEASURED,))
    told = [failed] if failed else []
    if unmade:
        why = not failed and run.run.disposition is not Disposition.ACCEPT
        told.append(f"not measured: {_few(unmade)}" if why else f"{len(unmade)} not measured")
    shown = [
        j.reading.note
        for j in run.judged
        if (j.quantity == "burst_rate_ratio" or "comes from:" in j.reading.note) and j.reading.note
    ]
    parts = [*(told or [run.run.reason]), *dict.fromkeys(shown)]
    return "; ".join(part for part in parts if part)


def failed_by(run: RunData) -> str:
    """The readings that failed, in words; "" when none did."""
    return _few(_named(run, (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)))


def _named(run: RunData, verdicts: Sequence[Verdict]) -> list[str]:
    """Quantity and channel of each reading with one of these verdicts, once."""
    bad = (j for j in run.judged if j.verdict in verdicts)
    return list(dict.fromkeys(f"{title_of(j.quantity)} {j.channel}".strip() for j in bad))


def _few(named: Sequence[str]) -> str:
    more = f" and {len(named) - _SHOWN} more" if named[_SHOWN:] else ""
    return "; ".join(named[:_SHOWN]) + more
