"""The disposition of the whole unit from the verdicts on its readings.

================================================  ===========
the run was tripped or interrupted                aborted
any fail                                          reject
any conditional verdict or anything not measured  hold (*)
a limited step that was never reached             hold
no limit was judged at all                        hold
otherwise (every limit judged, every one a pass)  accept
================================================  ===========

The first line that applies counts. Findings act in two places (:func:`weighed`): an accept is a
hold while any cause is likelier than none, and a reject that a mistake on the bench explains is a
hold. What else stands against an accept (:func:`held`) is the runner's to say. Under "simple"
conditional verdicts do not arise.

(*) What the unit gives no access to (:func:`stood_in`) does not hold it by itself where a step that
stands in for it passed, or where nothing would have been judged; the reason names it all the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from seqrun.quantity import render
from seqrun.values import Bound, Disposition, Judged, Verdict

_HOLDING = (Verdict.CONDITIONAL_FAIL, Verdict.NOT_MEASURED, Verdict.CONDITIONAL_PASS)
_NAMED = 3  # readings that a reason spells out; a summary line has to stay readable


def dispose(
    judged: Sequence[Judged],
    decision: str,
    aborted: str | None = None,
    unreached: Sequence[str] = (),
    no_access: Mapping[str, Sequence[str]] | None = None,
    shown_only: Sequence[str] = (),
) -> tuple[Disposition, str]:
    """Disposition and its reason, one line for people and for ``runs.csv``.

    Args:
        judged: every reading of the run, judged.
        decision: the decision rule in force, for the wording only.
        aborted: why the run ended early (a trip, an interruption, a lost instrument); None when it
            came to its end.
        unreached: ids of steps with a limit that the run never came to.
        no_access: ids of steps with a limit that the unit gives no access to, each with the ids of
            those that stand in for it.
        shown_only: the same of steps without a limit.
    """
    stood = {step: by for step, ids in (no_access or {}).items() if (by := stood_in(judged, ids))}
    without = {*stood, *shown_only}
    if without:
        judged = [
            j for j in judged if j.step not in without or j.verdict is not Verdict.NOT_MEASURED
        ]
    fails = [j for j in judged if j.verdict is Verdict.FAIL]
    if aborted is not None:
        reason = aborted.strip().splitlines()[0] if aborted.strip() else "the run did not finish"
        before = f"; before that, {_list(fails, 'fail')}" if fails else ""
        return Disposition.ABORTED, reason + before
    if fails:
        return Disposition.REJECT, _list(fails, "fail")
    reasons = []
    for verdict in _HOLDING:
        found = [j for j in judged if j.verdict is verdict]
        if found:
            reasons.append(_list(found, str(verdict)))
    if unreached:
        reasons.append(f"never reached: {', '.join(unreached[:_NAMED])}{_more(len(unreached))}")
    if reasons:
        return Disposition.HOLD, "; ".join(reasons)
    passes = sum(1 for j in judged if j.verdict is Verdict.PASS)
    if not passes:
        return Disposition.HOLD, "no reading was held against a limit"
    limits = "the one limit is" if passes == 1 else f"all {passes} limits are"
    guard = "with guard band U" if decision == "guarded" else "by simple acceptance"
    return Disposition.ACCEPT, f"{limits} met, {guard}{_not_accessible(stood)}"


def stood_in(judged: Sequence[Judged], ids: Sequence[str]) -> list[str]:
    """Those of the steps that stand in for another that passed: every reading held against a
    limit is a pass, and there is one."""
    found = []
    for step in ids:
        limited = [j.verdict for j in judged if j.step == step and j.verdict is not Verdict.NONE]
        if limited and all(verdict is Verdict.PASS for verdict in limited):
            found.append(step)
    return found


def _not_accessible(stood: Mapping[str, Sequence[str]]) -> str:
    """What could not be read on this unit and what stands in for it, for the end of a reason."""
    if not stood:
        return ""
    by = list(dict.fromkeys(one for ids in stood.values() for one in ids))
    named = f"{', '.join(list(stood)[:_NAMED])}{_more(len(stood))}"
    return f"; not accessible on this unit: {named}, for which {', '.join(by)} stood in"


def held(disposition: Disposition, reason: str, why: Sequence[str]) -> tuple[Disposition, str]:
    """An accept is taken back to a hold for each reason given; nothing else changes but that it is
    told. Without reasons everything stays as it is.

    Args:
        why: what stands against an accept, one line each.
    """
    if not why:
        return disposition, reason
    told = "; ".join(why)
    if disposition is Disposition.ACCEPT:
        return Disposition.HOLD, f"{reason}; but {told}"
    return disposition, f"{reason}; {told}"


def weighed(
    disposition: Disposition, reason: str, likeliest: str, *, of_bench: bool
) -> tuple[Disposition, str]:
    """What findings do to a disposition: an accept is held while a cause is likelier than none,
    and a reject that a mistake on the bench explains is a hold. What was read with the bench wrong
    proves nothing of the unit, neither way.

    Args:
        likeliest: title of the likeliest cause, when it is likelier than none; else "".
        of_bench: whether that is a mistake on the bench.
    """
    if not likeliest:
        return disposition, reason
    if disposition is Disposition.ACCEPT:
        looks = "look like a mistake on the bench" if of_bench else "point to a cause"
        return Disposition.HOLD, f"{reason}; but the readings {looks}: {likeliest}"
    if disposition is Disposition.REJECT and of_bench:
        return Disposition.HOLD, f"the bench looks wrong: {likeliest}; {reason}"
    return disposition, reason


def _list(found: Sequence[Judged], word: str) -> str:
    named = ", ".join(_name(j) for j in found[:_NAMED])
    return f"{word}: {named}{_more(len(found))}"


def _more(count: int) -> str:
    return f" and {count - _NAMED} more" if count > _NAMED else ""


def _name(judged: Judged) -> str:
    reading = judged.reading
    if reading.value is None:
        return f"{judged.step} ({reading.note})" if reading.note else judged.step
    words = {Bound.EXACT: "", Bound.AT_MOST: "at most ", Bound.AT_LEAST: "at least "}
    return f"{judged.step} {words[reading.bound]}{render(reading.value, reading.unit, digits=3)}"
