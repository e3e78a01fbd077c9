"""Going on with a run that was interrupted, where the physics allows it.

A resumed run is a run of its own. Rails, soaks and whatever else changes the unit are done again,
for it is off and cold; what was read before the interruption goes on record once more, marked,
where unit, bench and files are the same and a spot check of each kind of reading agrees. Whatever a
step that is done again leans on is read again with it, so that no arithmetic joins two runs.

Only passes are kept. A reading of the first run that was no pass and is one now keeps the unit from
an accept, and so does whatever stood against it then.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Any

from seqrun._version import __version__
from seqrun.errors import SeqrunError, UsageError
from seqrun.judge.condition import heat_after
from seqrun.plan.actions import Action, Plan
from seqrun.quantity import render
from seqrun.record import RunData, Store, load_run
from seqrun.record.again import KEPT, READ_AGAIN
from seqrun.record.cases import Cases
from seqrun.runner.keeper import Keeper
from seqrun.runner.opening import BenchFiles, OpenBench
from seqrun.values import Disposition, Heat, Judged, Verdict

if TYPE_CHECKING:
    from seqrun.record import RunRow

#: a unit that stands overnight is another one in the morning; our own choice
OLDEST = timedelta(hours=12)
#: readings further apart than this share of what their limit allows are two; our own choice
SHARE = 0.1
KEPT_AS = (Verdict.PASS, Verdict.NONE)
_TOKEN = re.compile(r"[A-Za-z_][\w.]*")
_NO_REFERENCE = {"id", "do", "why", "each", "only_if", "stands_in_for", "if_unit_has"}


class Disagrees(SeqrunError):
    """A spot check read something else than the run that is resumed: nothing of it may be kept."""

    exit_code = 4


@dataclass(frozen=True)
class Resumption:
    """What a resumed run keeps, by ids of steps in their order.

    Args:
        of: the run that was interrupted.
        because: why a trip of it is no reason to begin anew.
        keeps: steps whose readings go on record as they were.
        checks: steps that are read again to be held against what they had read.
        again: other steps that had been done, and are done again.
    """

    of: RunData
    because: str
    keeps: tuple[str, ...]
    checks: tuple[str, ...]
    again: tuple[str, ...]

    def lines(self) -> Iterator[str]:
        """What it does, for the person and the record."""
        yield f"resumed from {self.of.run.run_id}, which ended with: {self.of.run.reason}"
        if self.because:
            yield f"explained: {self.because}"
        yield f"kept as read then, {len(self.keeps)}: {_listed(self.keeps)}"
        yield f"read again as a spot check, {len(self.checks)}: {_listed(self.checks)}"
        yield (
            f"done again, for the unit was off and is cold, {len(self.again)}: "
            f"{_listed(self.again)}"
        )

    def facts(self) -> dict[str, object]:
        """For ``run.json``."""
        return {
            "of": self.of.run.run_id,
            "because": self.because,
            "kept": self.keeps,
            "checked": self.checks,
            "again": self.again,
        }

    def rows(self, step_id: str) -> list[Judged]:
        """The readings of a step that are kept, marked; none when it is done again."""
        if step_id not in self.keeps:
            return []
        return [self._marked(one) for one in _rows(self.of, step_id)]

    def _marked(self, one: Judged) -> Judged:
        if one.note.startswith(KEPT):  # it was kept once before
            return one
        told = f"{KEPT}{self.of.run.run_id}" + (f": {one.note}" if one.note else "")
        return replace(one, reading=replace(one.reading, note=told))

    def take_over(self, step_id: str, record: Keeper) -> dict[str, dict[str, object]]:
        """Traces of a step that is kept, into the record; its facts, by table."""
        for trace in self.of.traces:
            if trace.name.partition("-")[2] == step_id:
                record.trace(trace.name, {k: v.tolist() for k, v in trace.read().items()})
        return {
            table: {step_id: entries[step_id]}
            for table, entries in self.of.facts.items()
            if isinstance(entries, dict) and step_id in entries
        }

    def compare(self, step_id: str, new: Sequence[Judged]) -> None:
        """Hold what a spot check read against what was read before.

        Raises:
            Disagrees: names both readings.
        """
        if step_id not in self.checks:
            return
        before = {(one.quantity, one.channel): one for one in _telling(_rows(self.of, step_id))}
        lacks = before.keys() - {(one.quantity, one.channel) for one in new}
        if lacks:
            quantity, channel = min(lacks)
            raise Disagrees(
                f"the spot check of {step_id} reads no {quantity} {channel}".rstrip(),
                expected="each reading that was made before, so that the others can be kept",
                where=self.of.run.run_id,
                hint="do the whole sequence again",
            )
        for one in _telling(new):
            was = before.get((one.quantity, one.channel))
            if was is not None and not _agree(was, one):
                raise Disagrees(
                    f"the spot check of {step_id} reads {_shown(one)}, before {_shown(was)}",
                    expected="the unit and the bench as they were, so that readings can be kept",
                    where=self.of.run.run_id,
                    hint="do the whole sequence again; a unit that is still warm reads otherwise",
                )

    def against(self, judged: Iterable[Judged]) -> list[str]:
        """What stands against an accept from before: all that stood against the first run's, and
        readings of it that were no pass."""
        found = [str(line) for line in _list(self.of.facts.get("against"))]
        passed = {one.step for one in judged if one.verdict is Verdict.PASS}
        bad = {
            one.step
            for one in self.of.judged
            if one.verdict not in (*KEPT_AS, Verdict.NOT_MEASURED) and one.step in passed
        }
        found += [
            f"{step} passes, and did not in {self.of.run.run_id}: do the whole sequence again"
            for step in sorted(bad)
        ]
        return found

    def check_instruments(self, opened: OpenBench) -> None:
        """See that the same instruments answer.

        Raises:
            UsageError: names one that is another.
        """
        before = {e["key"]: e["identity"] for e in _list(self.of.facts.get("equipment"))}
        for key, instrument in opened.by_key.items():
            if before.get(key) != instrument.identity:
                raise _changed(
                    f"{key} answers '{instrument.identity}', before '{before.get(key, 'nothing')}'",
                    self.of,
                )


def interrupted(store: Store, name: str, because: str) -> RunData:
    """The run that is to be gone on with.

    Args:
        name: its id, a part of it, "last", or the unit's serial number.

    Raises:
        UsageError: it did not end as one that can be gone on with, its record is not whole, or
            something was done to the unit or read of it since.
    """
    rows = store.runs(name)
    run = load_run(store.folder, rows[-1].run_id if rows else name)
    row = run.run
    if not row.finished or run.missing:
        lost = "; ".join(run.missing) or "it has no end on record"
        raise _refused(f"the record of {row.run_id} is not whole: {lost}", row.run_id)
    if row.disposition is not Disposition.ABORTED:
        raise _refused(f"{row.run_id} came to its end: {row.disposition.value}", row.run_id)
    if "reached" not in run.facts or _table(run, "resumed").get("disagreed"):
        raise _refused(f"{row.run_id} marks none of its steps as one that may be kept", row.run_id)
    if row.reason.startswith("tripped") and not any(c.isalnum() for c in because):
        raise UsageError(
            f"{row.run_id} ended by a trip: {row.reason}",
            expected='--because "what caused it, and why it is gone"',
            where="--resume",
            hint="a trip that nobody can explain is a reason to begin with 'seqrun run intake'",
        )
    if row.version != __version__:
        raise _refused(f"{row.run_id} was made with seqrun {row.version}", row.run_id)
    # What a run took over is as old as the run that read it.
    first = _first(store, run)
    if datetime.now(UTC) - datetime.fromisoformat(first.ended_utc) > OLDEST:
        hours = OLDEST.total_seconds() / 3600.0
        raise _refused(f"{first.run_id} ended more than {hours:.0f} h ago", row.run_id)
    later = [one for one in store.runs(row.serial) if one.run_id > row.run_id]
    if later:
        raise _refused(
            f"the unit was run again since: {later[-1].run_id} ({later[-1].sequence})", row.run_id
        )
    work = [e for e in Cases(store).entries(row.serial) if e.kind == "work"]
    if work and work[-1].time_utc > row.started_utc:
        raise _refused(f"work was done on the unit since: {work[-1].text}", row.run_id)
    return run


def _first(store: Store, run: RunData) -> RunRow:
    """The run that the first of a chain of resumed runs went on with; itself, when it is none."""
    rows = {row.run_id: row for row in store.runs()}
    row, of = run.run, _table(run, "resumed").get("of")
    while isinstance(of, str) and of < row.run_id:  # an older one each time: it comes to an end
        if of not in rows:
            raise _refused(f"{of}, which {row.run_id} went on with, is not on record", row.run_id)
        row = rows[of]
        of = _table(load_run(store.folder, of), "resumed").get("of")
    return row


def resumption(of: RunData, plan: Plan, files: BenchFiles, because: str) -> Resumption:
    """What can be kept of a run by the same plan.

    Raises:
        UsageError: a file is another than it was.
    """
    kept = {path.read_text(encoding="utf-8", errors="replace") for path in of.files}
    view = files.view
    for file in (plan.sequence, view.unit, *view.drivers.values()):
        if file.path.is_file() and file.path.read_text(encoding="utf-8") not in kept:
            raise _changed(f"{file.path.name} is not as it was", of)
    if view.bench.text not in kept:
        raise _changed(f"the bench file {view.bench.path.name} is not as it was", of)
    if of.run.simulated is not files.simulated:
        raise _changed("one bench is simulated, and one is not", of)
    done = [a for a in plan.actions if a.id in set(_list(of.facts["reached"]))]
    keeps = _kept(of, plan, {a.id for a in done})
    checks = _spot_checks(plan, keeps)
    keeps = keeps - set(checks) if checks else set()  # with nothing checked nothing is kept
    order = [action.id for action in plan.actions]
    return Resumption(
        of,
        because.strip(),
        tuple(one for one in order if one in keeps),
        checks,
        tuple(a.id for a in done if a.id not in keeps and a.id not in checks and a.step.yields),
    )


def _kept(of: RunData, plan: Plan, done: set[str]) -> set[str]:
    """Ids of steps whose readings need not be made again."""
    actions = plan.actions
    heats = {a.id for a in actions if _heats(a)}
    anew = {
        a.id for a in actions if a.id not in heats and not (a.id in done and _may_be_kept(of, a))
    }
    while True:
        # heat that somebody still needs starts again, and it is the unit's own only after it
        last = max((i for i, a in enumerate(actions) if a.id in anew and _reads(a)), default=-1)
        more = {
            a.id
            for i, a in enumerate(actions)
            if a.id in heats and (i < last or not (a.id in done and _passed(of, a)))
        }
        more |= {one for a in actions if a.id in anew | more for one in _leans_on(a, plan)}
        if more <= anew:
            return {a.id for a in actions} - anew
        anew |= more


def _spot_checks(plan: Plan, keeps: set[str]) -> tuple[str, ...]:
    """The first step of each kind that is kept, of those that the unit can be as it was for: all
    that come before heat that is not done again."""
    found: dict[str, str] = {}
    for action in plan.actions:
        if action.id in keeps and _heats(action):
            break
        if action.id in keeps and action.step.judges and not _leans_on(action, plan):
            found.setdefault(action.step.kind, action.id)
    return tuple(found.values())


def _heats(action: Action) -> bool:
    """Whether the unit is warmer after it, or it holds power to see how warm it gets."""
    names = {of.name for of in action.step.quantities}
    return heat_after(names, Heat.COLD) is not Heat.COLD


def _acts(action: Action) -> bool:
    needs = action.needs
    return needs.energises or needs.mains or needs.switches_off or needs.safe or needs.protects


def _reads(action: Action) -> bool:
    return bool(action.step.yields) and not _acts(action)


def _may_be_kept(of: RunData, action: Action) -> bool:
    """It only reads, and what it read were passes; temperatures are as they are now."""
    units = {quantity.unit for quantity in action.step.quantities}
    return _reads(action) and not units & {"°C", "K"} and _passed(of, action)


def _passed(of: RunData, action: Action) -> bool:
    rows = _rows(of, action.id)
    return bool(rows) and all(one.verdict in KEPT_AS for one in rows)


def _rows(of: RunData, step_id: str) -> list[Judged]:
    return [one for one in of.judged if one.step == step_id and one.quantity != READ_AGAIN]


def _leans_on(action: Action, plan: Plan) -> set[str]:
    """Steps that are named anywhere in an entry: by its fields, or in its arithmetic."""
    entry = action.step.model_dump(exclude=_NO_REFERENCE)
    words = set(_words(entry)) | {
        name for _, expression in action.step.expressions() for name in expression.names()
    }
    return {
        other.id
        for other in plan.actions
        if other.id != action.id
        and any(w == other.id or other.id.startswith(f"{w}.") or w.startswith(f"{other.id}.")
                for w in words)
    }  # fmt: skip


def _words(entry: object) -> Iterator[str]:
    if isinstance(entry, str):
        yield from _TOKEN.findall(entry)
    elif isinstance(entry, Mapping):
        for value in entry.values():
            yield from _words(value)
    elif isinstance(entry, list | tuple | set):
        for value in entry:
            yield from _words(value)


def _telling(rows: Sequence[Judged]) -> list[Judged]:
    """The readings by which a unit is known again: those that a limit asks for, and where none
    does, those that state their uncertainty. What stands beside them, the lines in a hum or the
    highest peak of a noise, is another at each look, and several have one name."""
    held = [one for one in rows if one.limit is not None]
    return held or [one for one in rows if one.expanded_uncertainty is not None]


def _agree(was: Judged, now: Judged) -> bool:
    """The same within both uncertainties, or within a small part of what the limit allows."""
    if was.value is None or now.value is None:
        return was.value is now.value
    if was.verdict is not now.verdict:
        return False
    apart = abs(was.value - now.value)
    low, high = now.limit_low, now.limit_high
    room = high - low if low is not None and high is not None else abs(high or low or was.value)
    u = math.hypot(was.expanded_uncertainty or 0.0, now.expanded_uncertainty or 0.0)
    return apart <= max(u, SHARE * room)


def _shown(one: Judged) -> str:
    value = "nothing" if one.value is None else render(one.value, one.unit, digits=4)
    return f"{value} ({one.verdict.value or 'no limit'})"


def _list(value: object) -> list[Any]:
    return list(value) if isinstance(value, list | tuple) else []


def _table(run: RunData, name: str) -> Mapping[str, Any]:
    found = run.facts.get(name)
    return found if isinstance(found, dict) else {}


def _listed(ids: Sequence[str]) -> str:
    """Ids in few words: those of one beginning together."""
    groups = [(name, len(list(of))) for name, of in groupby(ids, lambda one: one.split(".")[0])]
    return ", ".join(name if n == 1 else f"{name} ({n})" for name, n in groups) or "none"


def _refused(why: str, where: str) -> UsageError:
    return UsageError(
        why,
        expected="the unit's latest run, interrupted a short while ago, its record whole",
        where="--resume",
        hint="do the whole sequence again",
    )


def _changed(what: str, of: RunData) -> UsageError:
    return UsageError(
        what,
        expected=f"unit, bench and files as they were in {of.run.run_id}",
        where="--resume",
        hint="do the whole sequence again",
    )
