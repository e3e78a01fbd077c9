"""Any value as plain JSON: what ``run.json`` and ``budgets.jsonl`` hold."""

from __future__ import annotations

import dataclasses
import json
import math
import os
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from enum import Enum
from io import BufferedReader
from pathlib import Path, PurePath
from typing import Any

from seqrun.record.cells import utc
from seqrun.record.errors import RecordError, from_os
from seqrun.values import Contribution, Source


def plain(value: object) -> Any:
    """A value as dicts, lists, text, numbers, booleans and None.

    Measured numbers become value and standard uncertainty; NaN and infinity, which JSON does not
    know, become None.
    """
    if isinstance(value, Enum):
        return plain(value.value)
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, datetime):
        return utc(value) if value.tzinfo else value.isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, PurePath):
        return value.name
    return _compound(value)


def _compound(value: Any) -> Any:
    if hasattr(value, "nominal_value") and hasattr(value, "std_dev"):
        return {
            "value": plain(float(value.nominal_value)),
            "standard_uncertainty": plain(float(value.std_dev)),
        }
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if hasattr(value, "model_dump"):
        return plain(value.model_dump(mode="json"))
    if hasattr(value, "_asdict"):
        return plain(value._asdict())
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, Iterable):
        return [plain(item) for item in value]
    return str(value)


def merged(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """``old`` with ``new`` put in: tables within tables are joined, all else is replaced."""
    result = dict(old)
    for key, value in new.items():
        before = result.get(key)
        if isinstance(before, dict) and isinstance(value, dict):
            result[key] = merged(before, value)
        else:
            result[key] = value
    return result


def write_json(path: Path, value: object) -> None:
    """Write a whole JSON file, so that a reader finds either the old or the new one.

    Raises:
        RecordError: the disk is full or the folder cannot be written.
    """
    beside = path.with_name(path.name + ".part")
    try:
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            json.dump(plain(value), file, ensure_ascii=False, indent=2, allow_nan=False)
            file.write("\n")
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise from_os(error, path, "writing the record") from error


def opened(path: Path) -> BufferedReader:
    """A file of a record, open to be read. A pipe or a device may have nothing to read for ever.

    Raises:
        RecordError: it is one.
        OSError: it cannot be opened.
    """
    if path.exists() and not (path.is_file() or path.is_dir()):
        raise RecordError(
            "is a pipe or a device",
            expected="a file",
            where=str(path),
            hint="move it away, or choose another folder",
        )
    return path.open("rb")


def read_json(path: Path) -> dict[str, Any]:
    """A JSON object; empty when the file is not there.

    Raises:
        RecordError: it cannot be read or is not a JSON object.
    """
    try:
        with opened(path) as file:
            found = json.loads(file.read().decode("utf-8"))
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise from_os(error, path, "reading the record") from error
    except (ValueError, RecursionError) as error:
        raise RecordError(f"not JSON: {error}", where=str(path)) from error
    if not isinstance(found, dict):
        raise RecordError("not a JSON object", where=str(path))
    return found


def budget_line(number: int, step: str, quantity: str, budget: Iterable[Contribution]) -> str:
    """One reading's budget as a line of ``budgets.jsonl``; ``number`` counts the run's readings."""
    lines = [_contribution(c) for c in budget]
    entry = {"reading": number, "step": step, "quantity": quantity, "contributions": lines}
    return json.dumps(entry, ensure_ascii=False, allow_nan=False)


def _contribution(c: Contribution) -> dict[str, Any]:
    line = {
        "source": c.source.name,
        "distribution": c.source.distribution,
        "degrees_of_freedom": plain(c.source.degrees_of_freedom),
        "standard_uncertainty": plain(c.standard_uncertainty),
    }
    if c.source.owner:
        line |= {"owner": c.source.owner, "sensitivity": plain(c.sensitivity)}
    return line


def budget_of_entry(entry: Mapping[str, Any]) -> tuple[Contribution, ...]:
    """The budget that :func:`budget_line` was given.

    Raises:
        KeyError, TypeError: the line does not hold one.
    """
    found = []
    for line in entry["contributions"]:
        dof = line["degrees_of_freedom"]
        # Records made before errors had owners have neither: nothing of them is known to last.
        owner, slope = str(line.get("owner", "")), line.get("sensitivity")
        nu = math.inf if dof is None else dof
        source = Source(line["source"], line["distribution"], nu, owner)
        u = line["standard_uncertainty"]
        found.append(Contribution(source, math.inf if u is None else u, slope))
    return tuple(found)
