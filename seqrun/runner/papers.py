"""The papers of a bench: what calibration dates and the origin of accuracy figures say against a
release."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence

from seqrun.files.bench.file import Bench
from seqrun.files.driver.file import Driver

#: roles that read or set nothing that a verdict rests on
NO_PAPERS = frozenset({"switch"})


def against_release(
    bench: Bench, drivers: Mapping[str, Driver], on: datetime.date
) -> tuple[str, ...]:
    """Why no accept that releases a unit comes from this bench, one line an instrument.

    Args:
        on: the day of the run.
    """
    found: list[str] = []
    for key, entry in bench.instrument.items():
        if drivers[key].role in NO_PAPERS:
            continue
        if drivers[key].sound is not None and bench.sound is not None:
            found += _levelled(bench, key, bench.sound.levelled, on)
            continue
        if drivers[key].verified:
            pass
        elif not entry.accuracy_checked:
            found.append(
                f"{key}: the accuracy figures of its driver were not read in a data sheet, and the "
                f"bench file names nobody who compared them (accuracy_checked_by and "
                f"accuracy_checked_on under [instrument.{key}])"
            )
        elif (checked := entry.accuracy_checked_on) is not None and checked > on:
            found.append(f"{key}: its accuracy_checked_on {checked} is in the future")
        if entry.calibrated is None:
            found.append(f"{key}: the bench file has no calibration date")
        elif entry.calibrated > on:
            found.append(f"{key}: its calibration date {entry.calibrated} is in the future")
        elif entry.overdue(on):
            found.append(f"{key}: its calibration was due on {entry.calibration_due}")
    return tuple(found)


def _levelled(
    bench: Bench, key: str, levelled: datetime.date, on: datetime.date
) -> tuple[str, ...]:
    """Of a sound interface: its figures were found on this bench, on a day that has to be past."""
    due = bench.instrument[key].calibration_due
    if levelled > on:
        return (f"{key}: the day on which it was levelled, {levelled}, is in the future",)
    if due is not None and due < on:
        return (f"{key}: it was due to be levelled again on {due}",)
    return ()


def levels_of_another_meter(bench: Bench, meters: Sequence[str]) -> tuple[str, ...]:
    """Where a sound interface was levelled against another meter than the one in use: its levels
    are as good as that one was, whatever is known of this.

    Args:
        meters: what the meters of this run said they are.
    """
    if bench.sound is None:
        return ()
    then = bench.sound.against.strip().lower()
    if not meters or any(one[: len(then)].strip().lower() == then for one in meters):
        return ()
    return (
        f"the sound interface was levelled against '{bench.sound.against}', and the meter in use "
        f"is '{meters[0]}': 'seqrun bench sound FILE' levels it against this one",
    )
