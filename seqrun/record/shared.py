"""What two runs read with in common, so that its error is the same in both."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from seqrun.record.load import RunData

#: answers of ``*IDN?`` that name no serial number (IEEE 488.2, 10.14)
_NO_SERIAL = ("", "0")


def shared_owners(before: RunData, after: RunData, *, new_ballasts: bool = False) -> frozenset[str]:
    """Owners of lasting errors (:class:`~seqrun.values.Source`) that are the same in both runs.

    An instrument: by maker, model and serial number, in one calibration, overdue in neither
    run. What else is on the bench, loads and sensors: by name, when the bench has the same name
    and every instrument on it is the same one. The unit's ballast resistors: when it is the same
    unit.

    Args:
        new_ballasts: ballast resistors were replaced between the two runs.
    """
    owners = _owners(before) & _owners(after)
    same = {key for key in _equipment(before) if _same_instrument(key, before, after)}
    one_bench = (
        before.run.bench == after.run.bench
        and bool(same)
        and same == _equipment(before).keys() == _equipment(after).keys()
    )
    one_unit = (before.run.serial, before.run.model) == (after.run.serial, after.run.model)

    def lasts(owner: str) -> bool:
        kind, _, key = owner.partition(" ")
        if kind == "instrument":
            return key in same
        if owner.startswith("ballast."):
            return one_unit and not new_ballasts
        return one_bench

    return frozenset(filter(lasts, owners))


def _owners(run: RunData) -> set[str]:
    owners = {c.source.owner for judged in run.judged for c in judged.reading.budget}
    return owners - {""}


def _equipment(run: RunData) -> Mapping[str, Mapping[str, Any]]:
    listed = run.facts.get("equipment")
    if not isinstance(listed, list):
        return {}
    return {str(item.get("key")): item for item in listed if isinstance(item, Mapping)}


def _same_instrument(key: str, before: RunData, after: RunData) -> bool:
    one, two = (_equipment(run).get(key, {}) for run in (before, after))
    name, calibrated = _name(one), one.get("calibrated")
    if not name or name != _name(two) or not calibrated or calibrated != two.get("calibrated"):
        return False
    return not (_overdue(one, before) or _overdue(two, after))


def _name(item: Mapping[str, Any]) -> tuple[str, ...]:
    """Maker, model and serial number; nothing when no serial number is told. The firmware may
    change without the instrument."""
    fields = [field.strip() for field in str(item.get("identity", "")).split(",")]
    return tuple(fields[:3]) if len(fields) >= 3 and fields[2] not in _NO_SERIAL else ()


def _overdue(item: Mapping[str, Any], run: RunData) -> bool:
    due = item.get("calibration_due")
    return due is not None and str(due) < run.run.started_utc[:10]
