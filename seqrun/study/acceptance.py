"""Whole runs of a sequence over units, faults and severities: what was decided, and was it true?

A run is one of a user's: files, plan, engine, findings and record are those of ``seqrun run`` on a
simulated bench of its own seed. Beside each judged reading stands what the world tells of it
(:mod:`seqrun.study.conforming`); a unit that was accepted while a true value lies outside its limit
is a false accept, one that was rejected while none of the readings that failed is truly outside, a
false reject.

Every run that is done is a row of a CSV file at once. A study that was ended goes on where it was:
rows of the same sources, files, unit, faults and seed are not made again.
"""

from __future__ import annotations

import csv
import hashlib
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any

from seqrun.errors import SeqrunError, UsageError
from seqrun.runner.events import Watcher
from seqrun.study.conforming import ToldOf, told, violates
from seqrun.study.running import TellProgress, as_done
from seqrun.values import Disposition, Judged, Verdict

HEALTHY = "none"
FAILS = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)


@dataclass(frozen=True, slots=True)
class StudyCase:
    """One run to be made; ``faults`` as they are typed, joined by spaces, or "none"."""

    sequence: str
    unit: str
    bench: str
    faults: str
    seed: int

    @property
    def asked(self) -> tuple[str, ...]:
        return () if self.faults == HEALTHY else tuple(self.faults.split())


@dataclass(frozen=True, slots=True)
class StudyRow:
    """What came of one run; the columns of the file.

    Attributes:
        made_with: digest of sources and files, so that rows of older ones are told apart.
        refused: why there was no run, such as a fault that the unit cannot have.
        first_fail: the step that failed first, and when that was, s of bench time.
        cause: the cause that the findings named, "unknown" for none that they know, or nothing.
        violated: quantities whose true value lies outside a limit; untold: judged quantities of
            which the world tells nothing.
    """

    sequence: str
    unit: str
    bench: str
    faults: str
    seed: int
    made_with: str
    disposition: str = ""
    refused: str = ""
    first_fail: str = ""
    first_fail_s: float = 0.0
    cause: str = ""
    violated: str = ""
    untold: str = ""
    false_accept: bool = False
    false_reject: bool = False
    bench_s: float = 0.0
    cpu_s: float = 0.0
    reason: str = ""

    @property
    def case(self) -> StudyCase:
        return StudyCase(self.sequence, self.unit, self.bench, self.faults, self.seed)

    @property
    def caught(self) -> bool:
        """Not accepted."""
        return bool(self.disposition) and self.disposition != Disposition.ACCEPT.value


COLUMNS = tuple(field.name for field in fields(StudyRow))
_READ: dict[str, Callable[[str], Any]] = {
    "str": str,
    "int": int,
    "float": float,
    "bool": lambda text: text == "True",
}


class _Oracle(Watcher):
    """Asks the world of every judged reading as its step ends."""

    def __init__(self, truth: Any, unit: Any, steps: dict[str, Any]) -> None:
        self.failed: Callable[[], None] = lambda: None  # called when a step has failed
        self.found: list[tuple[Judged, bool | None]] = []
        self.first: tuple[str, float] = "", 0.0
        self._truth, self._unit, self._steps = truth, unit, steps
        self._kept: dict[str, float] = {}

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        for one in judged:
            if one.verdict is Verdict.NONE and one.quantity != "idle_current":
                continue  # currents are asked for as they are read: a drift goes by them
            if one.verdict in FAILS and not self.first[0]:
                self.first = step_id, bench_s
            asked = ToldOf(self._truth, self._unit, self._steps[step_id], one, self._kept)
            true = told(asked)
            if one.limit is not None:
                self.found.append((one, None if true is None else violates(one, true)))
        if any(one.verdict in FAILS for one in judged):
            self.failed()


def run_case(case: StudyCase, made_with: str = "", *, to_first_fail: bool = False) -> StudyRow:
    """Make one run, in a folder that is gone afterwards.

    Args:
        to_first_fail: end it after the step that fails first; it is aborted then, and what its
            findings named comes from what was read until there.
    """
    import tempfile

    from seqrun.runner.preparation import prepare
    from seqrun.runner.run import Options, execute
    from seqrun.runner.signals import Interrupts

    key = (case.sequence, case.unit, case.bench, case.faults, case.seed, made_with)
    began = time.process_time()
    try:
        plan, files = prepare(
            case.sequence, case.bench, case.unit, faults=case.asked, seed=case.seed
        )
    except SeqrunError as error:
        return StudyRow(*key, refused=str(error).splitlines()[0])
    oracle = _Oracle(files.demo.truth, files.view.unit, {a.id: a.step for a in plan.actions})
    with tempfile.TemporaryDirectory() as folder:
        options, interrupts = Options(f"STUDY-{case.seed}", "", Path(folder)), Interrupts()
        if to_first_fail:
            oracle.failed = lambda: interrupts.stop("the first fail")
        done = execute(plan, files, None, oracle, options, interrupts)
    if "interrupted" in done.reason and not (to_first_fail and oracle.first[0]):
        raise KeyboardInterrupt
    found, cause = done.findings, ""
    if found is not None and found.faulty:
        cause = "unknown" if found.unfamiliar else found.causes[0].id
    truly = [one for one, outside in oracle.found if outside]
    failed = [pair for pair in oracle.found if pair[0].verdict in FAILS]
    accepted = done.disposition is Disposition.ACCEPT
    rejected = done.disposition is Disposition.REJECT
    return StudyRow(
        *key,
        disposition=done.disposition.value,
        first_fail=oracle.first[0],
        first_fail_s=round(oracle.first[1], 1),
        cause=cause,
        violated=_listed(one.quantity for one in truly),
        untold=_listed(one.quantity for one, outside in oracle.found if outside is None),
        false_accept=accepted and bool(truly),
        # Where the world tells nothing of a reading that failed, nobody says that it was false.
        false_reject=rejected and all(outside is False for _, outside in failed),
        bench_s=round(done.bench_s, 1),
        cpu_s=round(time.process_time() - began, 2),
        reason=done.reason[:200],
    )


def _listed(names: Iterable[str]) -> str:
    return " ".join(dict.fromkeys(names))


@cache
def made_with() -> str:
    """A digest of everything that a simulated run comes from: code, drivers, shipped files."""
    import demo_sim
    from seqrun.files.shipped import folder

    roots = [Path(__file__).parents[1], Path(str(demo_sim.__file__)).parent]
    roots += [folder("sequence"), folder("driver")]
    digest = hashlib.sha256()
    for root in roots:
        for path in sorted((*root.rglob("*.py"), *root.rglob("*.toml"))):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def cases_of(
    sequence: str,
    units: Sequence[str],
    faults: Sequence[str],
    seeds: Iterable[int],
    bench: str = "demo",
) -> list[StudyCase]:
    """Every fault in every unit at every seed, so that a study cut short has some of each."""
    return [
        StudyCase(sequence, unit, bench, fault, seed)
        for seed in seeds
        for unit in units
        for fault in faults
    ]


def catalogue(severities: Sequence[float] = (), mistakes: bool = False) -> list[str]:
    """A healthy unit and every fault of the simulated bench, at the usual severity or at these."""
    from demo_sim import fault_catalogue

    found = [HEALTHY]
    for info in fault_catalogue():
        if info.kind == "mistake" and not mistakes:
            continue
        found += [f"{info.name}={s:g}" for s in severities or (info.default_severity,)]
    return found


def checked(faults: Sequence[str], severities: Sequence[float] = ()) -> list[str]:
    """Faults as they were typed, each read once before the first run; several in one unit are
    joined by spaces. Those without a severity get each of ``severities``.

    Raises:
        UsageError: one that there is not.
    """
    from demo_sim import parse_fault
    from demo_sim.errors import DemoError

    found: list[str] = []
    for text in faults:
        for one in () if text == HEALTHY else text.split():
            try:
                parse_fault(one)
            except DemoError as error:
                raise UsageError(
                    str(error), where="--fault", hint="seqrun faults lists them"
                ) from (error)
        bare = text != HEALTHY and "=" not in text and bool(severities)
        found += [f"{text}={s:g}" for s in severities] if bare else [text]
    return found


def accept_many(
    cases: Sequence[StudyCase],
    file: Path | None = None,
    *,
    processes: int = 1,
    scheduler: str | None = None,
    work: Callable[..., StudyRow] = run_case,
    told: TellProgress = lambda done, of: None,
) -> list[StudyRow]:
    """Make the runs that the file does not hold yet; all rows, in the order of the cases.

    Args:
        file: where every row is put as soon as it is there; None: nowhere.
        work: makes one run; a function of a module.
        told: called with how many are done, and of how many.

    Raises:
        UsageError: the file is something else, or a scheduler cannot be reached.
    """
    version = made_with()
    there = {row.case: row for row in read_rows(file) if row.made_with == version} if file else {}
    left = [case for case in cases if case not in there]
    done = len(cases) - len(left)
    told(done, len(cases))
    for _, row in as_done(
        _Versioned(work, version), left, processes=processes, scheduler=scheduler
    ):
        there[row.case] = row
        if file is not None:
            _append(file, row)
        done += 1
        told(done, len(cases))
    return [there[case] for case in cases]


@dataclass(frozen=True)
class _Versioned:
    """A run with its digest: workers on other machines need not have the same folders."""

    work: Callable[..., StudyRow]
    version: str

    def __call__(self, case: StudyCase) -> StudyRow:
        return self.work(case, self.version)


def _append(file: Path, row: StudyRow) -> None:
    new = not file.exists() or file.stat().st_size == 0
    with file.open("a", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        if new:
            writer.writerow(COLUMNS)
        writer.writerow([getattr(row, name) for name in COLUMNS])
        out.flush()
        os.fsync(out.fileno())


def read_rows(file: Path) -> list[StudyRow]:
    """The rows of a file; a last line that a power cut has torn is left out.

    Raises:
        UsageError: it is not the file of such a study.
    """
    if not file.exists():
        return []
    text = file.read_text(encoding="utf-8")
    lines = text.splitlines(keepends=True)
    if not lines:
        return []
    if lines[0].rstrip("\r\n") != ",".join(COLUMNS):
        raise UsageError(
            "not the file of an acceptance study, or one of another version",
            expected=f"a first line that begins {','.join(COLUMNS[:4])}",
            where=str(file),
            hint="name another file",
        )
    if not lines[-1].endswith("\n"):
        kept = "".join(lines[:-1])
        file.write_text(kept, encoding="utf-8", newline="")
        lines = lines[:-1]
    return list(_rows(lines))


def _rows(lines: Sequence[str]) -> Iterator[StudyRow]:
    for entry in csv.DictReader(lines):
        values: dict[str, Any] = {}
        for field in fields(StudyRow):
            values[field.name] = _READ[str(field.type)](entry[field.name])
        yield StudyRow(**values)
