"""A run as the reports show it: one frozen value that page and terminal both read.

Only this module knows how a record is laid out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.record.seal import NOT_COUNTED
from seqrun.report.shared import verdicts
from seqrun.report.shared.rows import Row
from seqrun.values import COVERAGE_FACTOR, Disposition, Verdict

if TYPE_CHECKING:
    from seqrun.record import RunData
    from seqrun.record.photos import Photo


@dataclass(frozen=True, slots=True)
class Equipment:
    """One instrument, load or sensor that was used. Empty text: not on record."""

    key: str
    role: str = ""
    identity: str = ""
    driver: str = ""
    calibrated: str = ""
    calibration_due: str = ""
    certificate: str = ""
    resource: str = ""


@dataclass(frozen=True, slots=True)
class Summary:
    """Everything that is said about a run, in words and numbers."""

    run_id: str
    rows: tuple[Row, ...]
    disposition: Disposition | None  # None: the run has no end on record
    reason: str = ""
    started_utc: str = ""
    ended_utc: str = ""
    serial: str = ""
    model: str = ""
    sequence: str = ""
    sequence_title: str = ""
    revision: str = ""
    bench: str = ""
    operator: str = ""
    simulated: bool = False
    version: str = ""
    decision: str = "guarded"
    facts: Mapping[str, object] = field(default_factory=dict)
    traces: tuple[tuple[str, Path], ...] = ()
    files: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()  # what the record has lost, in words
    sounds: tuple[Path, ...] = ()
    photos: tuple[Photo, ...] = ()

    @property
    def limits(self) -> tuple[Row, ...]:
        """Rows that were, or should have been, held against a limit."""
        return tuple(r for r in self.rows if r.verdict is not Verdict.NONE)

    @property
    def heading(self) -> str:
        return (self.disposition or Disposition.ABORTED).value.upper()

    @property
    def heading_words(self) -> str:
        if self.disposition is None:
            return "No end of this run is on record. It says nothing in favour of the unit."
        return verdicts.DISPOSITION_WORDS[self.disposition]

    @property
    def deciding(self) -> list[verdicts.Said]:
        said = verdicts.deciding(self.rows, self.disposition, self.reason)
        if self.unconfirmed:
            names = "; ".join(self.unconfirmed)
            said.insert(0, verdicts.Said(f"The safe state could not be confirmed: {names}."))
        if self.missing:
            lost = "; ".join(self.missing)
            known = "cannot be shown to be whole" if lost == NOT_COUNTED else "is not whole"
            said.insert(0, verdicts.Said(f"This record {known}: {lost}. It proves nothing."))
        return said

    def limit_from(self, step: str) -> str:
        """Where the limit of a step comes from, as the sequence says; "" where it does not."""
        plan = self.facts.get("plan")
        origins = plan.get("limits_from") if isinstance(plan, Mapping) else None
        return str(origins.get(step, "")) if isinstance(origins, Mapping) else ""

    @property
    def releases(self) -> bool:
        """Whether an accept by this sequence is proof enough to release the unit."""
        return self.facts.get("releases") is True

    @property
    def next_actions(self) -> list[str]:
        if self.missing:
            return ["Restore the record from a backup, or do the sequence again."]
        if self.disposition is Disposition.ACCEPT and not self.releases:
            return [verdicts.NO_RELEASE]
        if self.simulated and self.disposition is Disposition.ACCEPT:
            return [
                "Nothing: the bench was simulated. On a real one this would be an accept.",
                f"There, {verdicts.RELEASE}",
            ]
        said = verdicts.next_actions(self.rows, self.disposition or Disposition.ABORTED)
        return [verdicts.LIVE, *said] if self.unconfirmed else said

    @property
    def watermark(self) -> str:
        """What stands across every page, or nothing."""
        words = ["SIMULATED"] if self.simulated else []
        if self.disposition in (Disposition.ABORTED, Disposition.HOLD, None):
            words.append(self.heading)
        return " · ".join(words)

    @property
    def title(self) -> str:
        return self.sequence_title or self.sequence or "Run"

    @property
    def coverage(self) -> float:
        return next((r.coverage_factor for r in self.rows if r.coverage_factor), COVERAGE_FACTOR)

    @property
    def decision_words(self) -> list[str]:
        return verdicts.rule_in_words(self.decision, self.coverage)

    @property
    def cautions(self) -> list[str]:
        return texts(self.facts.get("cautions"))

    @property
    def notes(self) -> list[str]:
        """What came up during the run, and what the plan warned of beforehand."""
        plan = self.facts.get("plan")
        warned = texts(plan.get("warnings")) if isinstance(plan, Mapping) else []
        return list(dict.fromkeys([*warned, *texts(self.facts.get("notes"))]))

    @property
    def unconfirmed(self) -> list[str]:
        """What was not shown to be off or discharged when the run ended."""
        safe = self.facts.get("safe")
        return texts(safe.get("unconfirmed")) if isinstance(safe, Mapping) else []

    @property
    def hookups(self) -> list[str]:
        return texts(self.facts.get("hookups"))

    @property
    def trip(self) -> str:
        lines = [
            line.strip() for text in texts(self.facts.get("trip")) for line in text.split("\n")
        ]
        return "; ".join(line for line in lines if line)

    @property
    def equipment(self) -> list[Equipment]:
        listed = self.facts.get("equipment")
        if not isinstance(listed, Sequence) or isinstance(listed, str):
            return []
        names = Equipment.__dataclass_fields__
        return [
            Equipment(**{"key": "", **{k: _text(v) for k, v in item.items() if k in names}})
            for item in listed
            if isinstance(item, Mapping)
        ]

    @property
    def conditions(self) -> list[tuple[str, str]]:
        """What the run was done under, and how long it took, as names and texts."""
        from seqrun.quantity import render

        found = self.table("conditions")
        names = (
            ("virtual_time_s", "virtual bench time"),
            ("bench_time_s", "bench time"),
            ("wall_time_s", "wall time"),
        )
        for key, name in names:
            seconds = self.seconds(key)
            if seconds is not None:
                found.append((name, render(seconds, "s", digits=3)))
        return found

    def seconds(self, key: str) -> float | None:
        """A duration among the facts, in seconds."""
        value = self.facts.get(key)
        return float(value) if isinstance(value, int | float) else None

    def table(self, key: str) -> list[tuple[str, str]]:
        """A table among the facts (``conditions``, ``unit``) as names and texts in words."""
        table = self.facts.get(key)
        if not isinstance(table, Mapping):
            return []
        return [named_value(str(name), value) for name, value in table.items() if value is not None]


#: facts whose names tell no unit
_UNITS = {"relay_delay": "s", "input_impedance": "Ω", "source_impedance": "Ω", "frequency": "Hz"}
#: how a name's suffix tells the unit (the names of facts end in their unit)
_SUFFIXES = {
    "_c": "°C",
    "_k": "K",
    "_v": "V",
    "_a": "A",
    "_w": "W",
    "_ohm": "Ω",
    "_hz": "Hz",
    "_s": "s",
    "_db": "dB",
    "_percent": "%",
}


def named_value(name: str, value: object) -> tuple[str, str]:
    """A fact in words: ``("ambient_c", 23.4)`` is ``("ambient", "23.4 °C")``."""
    from seqrun.files.unit.names import UNIT_OF_NAME
    from seqrun.quantity import render

    units = {**UNIT_OF_NAME, **_UNITS}
    if name in units and isinstance(value, int | float):
        if not units[name] and name.endswith("_tolerance"):
            return name.replace("_", " "), f"{100.0 * value:.3g} %"
        return name.replace("_", " "), render(value, units[name])
    for suffix, unit in _SUFFIXES.items():
        if name.endswith(suffix) and isinstance(value, int | float):
            return name.removesuffix(suffix).replace("_", " "), render(value, unit)
    text = _text(value)
    # single_ended and its like are words of the files
    return name.replace("_", " "), text.replace("_", " ") if text.islower() else text


def texts(value: object) -> list[str]:
    """A fact that may be one text, a list of texts or a list of tables, as a list of texts."""
    if value is None or value == "":
        return []
    if isinstance(value, Mapping):
        return [
            _text(value["words"])
            if "words" in value
            else ", ".join(" ".join(named_value(str(k), v)) for k, v in value.items())
        ]
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [text for item in value for text in texts(item)]
    return [_text(value)]


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, Mapping):
        return ", ".join(" ".join(named_value(str(k), v)) for k, v in value.items())
    if isinstance(value, Sequence) and not isinstance(value, str):
        return ", ".join(_text(item) for item in value)
    return str(value)


def summarise(run: RunData) -> Summary:
    """A run on record as the reports show it."""
    row, facts = run.run, run.facts
    rows = tuple(map(Row.of, run.judged))
    decision = facts.get("decision")
    return Summary(
        run_id=row.run_id,
        rows=rows,
        disposition=row.disposition if row.finished else None,
        reason=row.reason,
        started_utc=row.started_utc,
        ended_utc=row.ended_utc,
        serial=row.serial,
        model=row.model,
        sequence=row.sequence,
        sequence_title=_text(facts.get("sequence_title")),
        revision=row.revision,
        bench=row.bench,
        operator=row.operator,
        # once anything of it was simulated, all of it is marked
        simulated=row.simulated
        or any(reading.simulated for reading in run.judged)
        or _simulated(facts),
        version=row.version,
        decision=decision
        if isinstance(decision, str)
        else next((r.decision for r in rows if r.has_limit), "guarded"),
        facts=facts,
        traces=tuple((trace.name, trace.path) for trace in run.traces),
        files=tuple(path.name for path in run.files),
        missing=run.missing,
        sounds=run.sounds,
        photos=photos_of_run(run),
    )


def photos_of_run(run: RunData) -> tuple[Photo, ...]:
    """The photographs of the unit that belong to a run: taken after the run of it before that, and
    before the one after it."""
    from seqrun.record import Store
    from seqrun.record.cases import Cases
    from seqrun.record.photos import photos_of

    store = Store(run.folder.parent)
    entries = Cases(store).entries(run.run.serial)
    if not any(entry.kind == "photo" for entry in entries):
        return ()
    rows = store.runs(run.run.serial)
    began = run.run.started_utc
    since = max((row.ended_utc for row in rows if row.started_utc < began), default="")
    until = min((row.started_utc for row in rows if row.started_utc > began), default="")
    between = [e for e in entries if e.time_utc > since and (not until or e.time_utc < until)]
    return photos_of(store.folder, between)


def _simulated(facts: Mapping[str, object]) -> bool:
    run = facts.get("run")
    return isinstance(run, Mapping) and run.get("simulated") is True
