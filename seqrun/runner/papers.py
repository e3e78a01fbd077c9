"""The papers of a bench: what calibration dates and the origin of accuracy figures say against a
release."""

from __future__ import annotations

import datetime
from collections.abc import Mapping

from seqrun.files.bench import Bench
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
    found = []
    for key, entry in bench.instrument.items():
        if drivers[key].role in NO_PAPERS:
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
