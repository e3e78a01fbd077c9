"""Whether a run is proof enough to hand its unit out.

A release rests on one finished run whose disposition is accept, by a sequence that says
``releases = true``, that ended with everything shown to be off and discharged and whose record is
whole; and on no later run of the unit that says otherwise. Runs that cover what that sequence does
not look at (a selector, a phono input, the unit's own supply) may stand beside it: then all of them
have to be accepts of the one unit, and the release is one decision over them. What no run has
covered is told in words. All of it is our own rule.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from seqrun.errors import UsageError
from seqrun.values import Disposition, Verdict


class WorkDone(Protocol):
    """Something that was done to a unit, as its case has it."""

    @property
    def time_utc(self) -> str: ...
    @property
    def text(self) -> str: ...


class WasRead(Protocol):
    """A reading on record."""

    @property
    def quantity(self) -> str: ...
    @property
    def channel(self) -> str: ...
    @property
    def verdict(self) -> Verdict: ...


class Ended(Protocol):
    """A run, as ``runs.csv`` has it."""

    @property
    def run_id(self) -> str: ...
    @property
    def started_utc(self) -> str: ...
    @property
    def serial(self) -> str: ...
    @property
    def model(self) -> str: ...
    @property
    def sequence(self) -> str: ...
    @property
    def disposition(self) -> Disposition: ...
    @property
    def reason(self) -> str: ...
    @property
    def simulated(self) -> bool: ...
    @property
    def finished(self) -> bool: ...


def refuse_release(
    run: Ended,
    *,
    releases: bool,
    unconfirmed: Sequence[str] = (),
    missing: Sequence[str] = (),
    others: Sequence[Ended] = (),
    work: Sequence[WorkDone] = (),
) -> None:
    """Refuse a run that releases nothing, with the reason.

    Args:
        releases: its sequence's accept is proof enough to release a unit.
        unconfirmed: what was not shown to be off or discharged when it ended.
        missing: what its record has lost, in words.
        others: runs on record, to see whether a later one of this unit says otherwise. A simulated
            run says nothing about a real unit, nor the reverse.
        work: what was done to the unit, at any time.

    Raises:
        UsageError: with what was found and what to do about it.
    """
    if not run.finished or run.disposition is not Disposition.ACCEPT:
        what = run.disposition.value if run.finished else "not finished"
        raise UsageError(
            f"the run is {what}: {run.reason}" if run.reason else f"the run is {what}",
            expected="a run whose disposition is accept",
            where=run.run_id,
            hint="its report shows what decided it",
        )
    if missing:
        raise UsageError(
            f"the record of this run is not whole: {'; '.join(missing)}",
            expected="every row and file that the run wrote, unchanged",
            where=run.run_id,
            hint="restore the record from a backup, or do the acceptance again",
        )
    if not releases:
        raise UsageError(
            f"an accept by the sequence '{run.sequence}' does not release a unit",
            expected="a run of a sequence that says releases = true, such as acceptance",
            where=run.run_id,
            hint="do the acceptance, and release the unit on that run",
        )
    if unconfirmed:
        raise UsageError(
            f"the run's safe state could not be confirmed: {'; '.join(unconfirmed)}",
            expected="a run that ended with everything shown to be off and discharged",
            where=run.run_id,
            hint="do the sequence again",
        )
    _refuse_later(run, others, {})
    _refuse_work_after(run, work)


def refuse_beside(
    run: Ended,
    beside: Sequence[Ended],
    *,
    unconfirmed: Mapping[str, Sequence[str]],
    missing: Mapping[str, Sequence[str]],
    others: Sequence[Ended] = (),
    work: Sequence[WorkDone] = (),
) -> None:
    """Refuse runs of other parts of the unit that may not stand beside the one that releases.

    Args:
        beside: those runs. unconfirmed, missing: as in :func:`refuse_release`, by run id.
        others: every run on record.
        work: what was done to the unit, at any time.

    Raises:
        UsageError: one is of another unit, no accept, not whole, or named twice; work was done on
            the unit after the first of them; or a later run of its sequence says otherwise.
    """
    named = [run.run_id, *(one.run_id for one in beside)]
    if len(set(named)) < len(named):
        raise UsageError("a run is named twice", expected="each run once", where="seqrun release")
    for one in beside:
        if (one.serial, one.model, one.simulated) != (run.serial, run.model, run.simulated):
            raise UsageError(
                f"{one.run_id} is of {one.model} {one.serial}",
                expected=f"runs of {run.model} {run.serial}, all on a real bench or none",
                where="seqrun release",
            )
        if not one.finished or one.disposition is not Disposition.ACCEPT:
            what = one.disposition.value if one.finished else "not finished"
            raise UsageError(
                f"{one.run_id} ({one.sequence}) is {what}",
                expected="an accept in every run that the release rests on",
                where="seqrun release",
                hint=f"do '{one.sequence}' again, or leave it out: the sheet then says what was "
                "not tested",
            )
        if said := (*missing.get(one.run_id, ()), *unconfirmed.get(one.run_id, ())):
            raise UsageError(
                f"{one.run_id} ({one.sequence}) proves nothing: {'; '.join(said)}",
                expected="a whole record, and an end with everything off and discharged",
                where="seqrun release",
            )
    in_order = sorted((run, *beside), key=lambda one: one.started_utc)
    _refuse_work_after(in_order[0], work)
    latest = {one.sequence: one for one in in_order}
    _refuse_later(run, others, latest)


def _refuse_later(run: Ended, others: Sequence[Ended], latest: Mapping[str, Ended]) -> None:
    """``latest``: the run that speaks for a sequence; the one that releases where none is named."""
    for other in others:
        speaks = latest.get(other.sequence, run)
        later = (other.started_utc, other.run_id) > (speaks.started_utc, speaks.run_id)
        same = (other.serial, other.model) == (run.serial, run.model)
        kind = other.simulated is run.simulated
        if later and same and kind and other.disposition is not Disposition.ACCEPT:
            raise UsageError(
                f"a later run of this unit is {other.disposition.value}: {other.run_id}",
                expected="that the latest run of the unit is an accept",
                where=run.run_id,
                hint="test the unit again, and release it on that run",
            )


def _refuse_work_after(first: Ended, work: Sequence[WorkDone]) -> None:
    """A proof is of the unit as it was: what was done to it since makes the proof old.

    What was written down while the run went on, or later, may have been done before it; the record
    cannot tell, and so it does not count.
    """
    for done in work:
        if done.time_utc > first.started_utc:
            raise UsageError(
                f"work was done on the unit after {first.run_id} ({first.sequence}): {done.text}",
                expected="runs of the unit as it is handed out",
                where="seqrun release",
                hint=f"do '{first.sequence}' again: it tells of the unit as it was before that. "
                "Work is put on record before the run that proves it",
            )


@dataclass(frozen=True, slots=True)
class PartOfUnit:
    """A part of a unit that an owner knows.

    Attributes:
        sequence: the shipped one that covers it; "" where it is for a key of the unit sheet.
        shown_by: quantities of which each has to have passed; ``at``: at this place.
    """

    words: str
    sequence: str
    shown_by: tuple[str, ...] = ()
    at: str = ""

    def covered(self, readings: Sequence[WasRead]) -> bool:
        """Whether these readings have looked at it, whatever the runs are called."""
        passed = {
            one.quantity
            for one in readings
            if one.verdict is Verdict.PASS and one.channel.startswith(self.at)
        }
        return all(quantity in passed for quantity in self.shown_by)


def parts_beside(unit: Mapping[str, object]) -> tuple[PartOfUnit, ...]:
    """What a unit has that the acceptance on a bench supply does not look at.

    Args:
        unit: its sheet's values, as on record.
    """
    found: list[PartOfUnit] = []
    inputs = unit.get("inputs")
    if isinstance(inputs, list | tuple) and inputs:
        each = f"each input ({', '.join(map(str, inputs))})"
        found.append(PartOfUnit(each, "preamp", ("volume_tracking", "gain")))
        if "phono" in inputs:
            words = "the phono input's equalisation and noise"
            found.append(PartOfUnit(words, "preamp", ("riaa_deviation", "noise")))
        controls = ("volume_tracking", "tone_boost", "tone_cut")
        found.append(PartOfUnit("volume and tone controls", "preamp", controls))
        muting = "muting while the input is changed"
        found.append(PartOfUnit(muting, "relays", ("mute_length",)))
    if unit.get("headphones") is True:
        found.append(PartOfUnit("the headphone output", "preamp", ("gain_to_point",)))
    if unit.get("standby_voltage"):
        words = "the standby supply"
        found.append(PartOfUnit(words, "supplies", ("dc_voltage", "ripple"), at="standby"))
    if unit.get("own_supply", "none") not in ("none", None):
        words = "the unit's own power supply"
        found.append(PartOfUnit(words, "supplies", ("own_rail_voltage",)))
    if "protection_test" in unit:  # a record that knows of such keys
        words = "that a speaker protection opens on steady voltage"
        found.append(PartOfUnit(words, "", ("protection_opens",)))
        words = "long or unusual loudspeaker cables"
        found.append(PartOfUnit(words, "", ("stray_capacitive",)))
    return tuple(found)


def not_covered(unit: Mapping[str, object], readings: Sequence[WasRead]) -> tuple[PartOfUnit, ...]:
    """Of those, what none of the readings has covered, whatever their runs are called."""
    return tuple(part for part in parts_beside(unit) if not part.covered(readings))


def refuse_before(run: Ended, before: Ended) -> None:
    """Refuse a run that cannot stand on the sheet as the one before the repair.

    Raises:
        UsageError: it is of another unit, or not an earlier one.
    """
    if (before.serial, before.model) != (run.serial, run.model):
        raise UsageError(
            f"the run before is of {before.model} {before.serial}",
            expected=f"a run of {run.model} {run.serial}",
            where="--before",
        )
    if before.started_utc >= run.started_utc:
        raise UsageError(
            "the run before is not an earlier one", where="--before", expected="an earlier run"
        )
