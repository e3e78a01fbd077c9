"""What to do next for a unit, as a command that works as it is printed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from seqrun.case.stay import Case
from seqrun.case.weighing import Weighed, failed_by
from seqrun.errors import SeqrunError
from seqrun.files.command import RESULTS, command
from seqrun.files.kinds import kind_of
from seqrun.judge.findings import Finding
from seqrun.record import RunData, RunRow, Store, load_run
from seqrun.record.places import FILES
from seqrun.runner.resuming import interrupted
from seqrun.values import Disposition, Verdict

FIRST, PROOF = "intake", "acceptance"
_MENDED = "mended: "


@dataclass(frozen=True, slots=True)
class Onward:
    """The next step: by hand first (``by_hand``, may be empty), then the command."""

    why: str
    words: tuple[str, ...]  # of the command, without "seqrun"
    by_hand: str = ""
    work: str = ""  # where ``by_hand`` sends somebody: a unit that is "off" or "powered"

    @property
    def command(self) -> str:
        """As it is typed, at a POSIX shell and at Windows' alike."""
        return command(*self.words)


def onward(case: Case, found: Weighed) -> Onward:
    """The next step of a case.

    What was run is never proposed again before something was done to the unit; a repair is proved
    from the first safe power-up on.
    """
    last = case.last
    if last is None:
        return _first(case)
    if not last.run.finished:
        return _run(case, last.run.sequence, "its latest run has no end on record")
    if last.missing:
        return _run(case, last.run.sequence, "the record of its latest run is not whole")
    ran = [run.run for run in (case.after if case.worked_at else case.runs)]
    if case.worked_at and not ran:
        why = "work was done on it: first power is careful power"
        return _run(case, FIRST, why)
    if last.run.disposition is Disposition.ACCEPT:
        if last.facts.get("releases"):
            return _release(case, last)
        return _run(case, PROOF, f"'{last.run.sequence}' found nothing; only a proof releases it")
    if last.run.disposition is Disposition.ABORTED and not last.tripped:
        if _can_go_on(case, last):
            words = ("run", "--resume", last.run.run_id, *in_results(case))
            return Onward(f"its latest run was interrupted: {last.run.reason}", words)
        return _run(case, last.run.sequence, f"its latest run was aborted: {last.run.reason}")
    return _towards_the_cause(case, found, ran)


def _towards_the_cause(case: Case, found: Weighed, ran: list[RunRow]) -> Onward:
    last = case.runs[-1].run
    findings = found.findings
    done = {run.sequence for run in ran}
    if findings is None or not findings.likely:
        for name in ("isolate", "quick", PROOF):
            if name not in done:
                return _run(case, name, "no cause known here is likelier than none yet")
        return _work(case, "what failed", "begin with what failed", "")
    first = findings.causes[0]
    if first.kind == "bench":
        return _run(case, last.sequence, f"a mistake on the bench: {first.title}", first)
    if not found.settled:
        fresh = next((name for name in (*found.then, "quick", PROOF) if name not in done), "")
        if fresh:
            return _run(case, fresh, "the cause is not settled")
    return _work(case, first.title, first.next, first.work)


def _can_go_on(case: Case, last: RunData) -> bool:
    """Whether the run that was interrupted can be resumed."""
    try:
        interrupted(Store(case.results), last.run.run_id, "")
    except SeqrunError:
        return False
    return "sequence" in _asked(last)


def _work(case: Case, title: str, by_hand: str, work: str) -> Onward:
    words = ("unit", case.serial, "--work-done", f"{_MENDED}{title}", *in_results(case))
    why = "when the repair is done, put it on record (in your own words)"
    return Onward(why, words, by_hand, work)


def _release(case: Case, run: RunData) -> Onward:
    work = "; ".join(e.text for e in case.said("work"))
    words = ["release", run.run.run_id, "--fault-found", _fault(case, work)]
    words += ["--work-done", work or "tested; nothing was changed"]
    if complaint := "; ".join(e.text for e in case.said("complaint")):
        words += ["--complaint", complaint]
    if work and (before := _as_it_came_in(case, run)):
        words += ["--before", before]
    if not run.run.operator:
        words += ["--signed-by", (work and case.said("work")[-1].by) or "the workshop"]
    return Onward("it is proved; the sheet for its owner", (*words, *in_results(case)))


def _as_it_came_in(case: Case, proof: RunData) -> str:
    """The rejected run of which the most failures were read again in the proof, the earliest of
    equals; "" for none."""
    read = {(j.quantity, j.channel) for j in proof.judged}

    def again(run: RunData) -> int:
        bad = (j for j in run.judged if j.verdict in (Verdict.FAIL, Verdict.CONDITIONAL_FAIL))
        return sum((j.quantity, j.channel) in read for j in bad)

    kind = proof.run.model, proof.run.simulated
    rejected = [
        run
        for run in case.runs
        if run.run.disposition is Disposition.REJECT
        and (run.run.model, run.run.simulated) == kind
        and run.run.started_utc < proof.run.started_utc
    ]
    return max(rejected, key=again).run.run_id if rejected else ""


def _fault(case: Case, work: str) -> str:
    """What was wrong: the causes that were mended, else what the last run to reject it failed
    by."""
    texts = [entry.text for entry in case.said("work")]
    mended = [text.removeprefix(_MENDED) for text in texts if text.startswith(_MENDED)]
    if mended:
        return "; ".join(dict.fromkeys(mended))
    rejected = (r for r in reversed(case.runs) if r.run.disposition is Disposition.REJECT)
    failed = next((found for r in rejected if (found := failed_by(r))), "")
    return f"outside its limit: {failed}" if failed else work or "no fault was found"


def _run(case: Case, sequence: str, why: str, first: Finding | None = None) -> Onward:
    last = case.runs[-1]
    words = ["run", _file_of(last) if sequence == last.run.sequence else sequence]
    words += [*_bench_of(case, last), *_rest(case)]
    if first is None:
        return Onward(why, tuple(words))
    return Onward(why, tuple(words), first.next, first.work)


def _file_of(run: RunData) -> str:
    """The sequence of a run as it was named, or as it is known here."""
    asked = _asked(run)
    named = str(asked.get("sequence", ""))
    return named or run.run.sequence


def _bench_of(case: Case, run: RunData) -> list[str]:
    """The bench, unit sheet and, until it is mended, the fault of the simulated unit that a run
    was asked for."""
    asked = _asked(run)
    bench = str(asked.get("bench") or "")
    if not bench and run.run.simulated:
        bench = "demo"
    elif not bench:
        kept = [p for p in run.files if p.suffix == ".toml" and _is(p, "bench")]
        bench = str(kept[0]) if kept else str(run.folder / FILES / "bench.toml")
    words = ["--bench", bench]
    if unit := asked.get("unit"):
        words += ["--unit", str(unit)]
    if not case.worked_at:
        words += [w for fault in asked.get("faults") or () for w in ("--fault", str(fault))]
    if (seed := asked.get("seed", 1)) != 1:
        words += ["--seed", str(seed)]
    return words


def _asked(run: RunData) -> Mapping[str, Any]:
    asked = run.facts.get("asked")
    return asked if isinstance(asked, dict) else {}


def _first(case: Case) -> Onward:
    """The first run of a unit: on the bench of the latest run on record, else on one in this
    folder, else on the simulated one, which is said."""
    why = "no run of it is on record"
    bench: list[str] = []
    rows = [row for row in Store(case.results).runs() if row.finished]
    if rows:
        asked = _asked(load_run(case.results, rows[-1].run_id))
        bench = ["--bench", str(asked["bench"])] if asked.get("bench") else []
    beside = sorted(p.name for p in Path.cwd().glob("*.toml") if _is(p, "bench"))
    if not bench and beside:
        bench = ["--bench", beside[0]]
    if not bench:
        bench = ["--bench", "demo"]
        why += (
            "; no bench file is here, so this is the simulated bench: "
            "'seqrun bench find --write my-bench.toml' makes one of yours"
        )
    return Onward(why, ("run", FIRST, *bench, *_rest(case)))


def _is(path: Path, kind: str) -> bool:
    try:
        return kind_of(path) == kind
    except SeqrunError:
        return False


def _rest(case: Case) -> tuple[str, ...]:
    return ("--serial", case.serial, *in_results(case))


def in_results(case: Case) -> tuple[str, ...]:
    """The words that name a results folder which is not the usual one."""
    return () if case.results == RESULTS else ("--results", str(case.results))
