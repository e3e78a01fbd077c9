"""The disposition of the whole unit from the verdicts on its readings.

================================================  ===========
the run was tripped or interrupted                aborted
any fail                                          reject
any conditional verdict or anything not measured  hold
a limited step that was never reached             hold
no limit was judged at all                        hold
otherwise (every limit judged, every one a pass)  accept
================================================  ===========

The first line that applies counts. An accept that would release a unit is a hold while the findings
have a mistake on the bench as likelier than nothing (:func:`doubted`). Under "simple" conditional
verdicts do not arise.
"""

from __future__ import annotations

from collections.abc import Sequence

from seqrun.quantity import render
from seqrun.values import Bound, Disposition, Judged, Verdict

_HOLDING = (Verdict.CONDITIONAL_FAIL, Verdict.NOT_MEASURED, Verdict.CONDITIONAL_PASS)
_NAMED = 3  # readings that a reason spells out; a summary line has to stay readable


def dispose(
    judged: Sequence[Judged],
    decision: str,
    aborted: str | None = None,
    unreached: Sequence[str] = (),
) -> tuple[Disposition, str]:
    """Disposition and its reason, one line for people and for ``runs.csv``.

    Args:
        judged: every reading of the run, judged.
        decision: the decision rule in force, for the wording only.
        aborted: why the run ended early (a trip, an interruption, a lost instrument); None when it
            came to its end.
        unreached: ids of steps with a limit that the run never came to.
    """
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
    return Disposition.ACCEPT, f"{limits} met, {guard}"


def doubted(disposition: Disposition, reason: str, mistake: str) -> tuple[Disposition, str]:
    """An accept is held where the readings look like a mistake on the bench: what was read with the
    bench wrong proves nothing of the unit. Nothing else changes.

    Args:
        mistake: what it is, in words.
    """
    if disposition is not Disposition.ACCEPT:
        return disposition, reason
    return (
        Disposition.HOLD,
        f"{reason}; but the readings look like a mistake on the bench: {mistake}",
    )


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
