"""What must hold between the keys of a scope's driver file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from seqrun.files.common import Problem, one_of
from seqrun.files.driver.operations import PREAMBLE, SCALING

if TYPE_CHECKING:
    from seqrun.files.driver.equipment import ScopeSettings
    from seqrun.files.driver.file import Driver


def scope_problems(driver: Driver, scope: ScopeSettings) -> Iterator[Problem]:
    """What does not fit between [scope] and the operations."""
    yield from _scaling(driver, scope)
    yield from _records(driver, scope)
    yield from _codes(scope)
    if len(set(scope.ranges)) != len(scope.ranges) or min(scope.ranges) <= 0.0:
        yield Problem("scope.ranges", "one is not positive, or stands twice", "each range once")
    for name in ("acquire", "acquire_now"):
        acquire = driver.operation.get(name)
        if acquire is not None and not acquire.answered and "acquired" not in driver.operation:
            yield Problem(
                f"operation.{name}",
                "nothing tells when the acquisition is complete",
                "*OPC? at its end, or the operation 'acquired'",
            )


def _scaling(driver: Driver, scope: ScopeSettings) -> Iterator[Problem]:
    for number, field in enumerate(scope.preamble, 1):
        if field not in PREAMBLE:
            where = f"scope.preamble {number}"
            yield Problem(where, f"unknown field '{field}'", one_of(field, PREAMBLE))
    for table, names in (("keys", scope.keys), ("descriptor", scope.descriptor)):
        for field in names:
            if field not in PREAMBLE:
                yield Problem(f"scope.{table}", f"unknown field '{field}'", one_of(field, PREAMBLE))
    ways = [w for w in ("preamble", "keys", "descriptor") if getattr(scope, w)]
    if len(ways) > 1:
        yield Problem("scope", f"{' and '.join(ways)} together", "one way to read the preamble")
    asked = "preamble" in driver.operation
    if ways and not asked:
        yield Problem("operation", "the operation 'preamble' is missing", "the query for it")
    if asked and not ways:
        yield Problem(
            "scope", "nothing says what the preamble's fields are",
            "preamble = [\"…\"], or [scope.keys], or [scope.descriptor]",
        )  # fmt: skip
    fields = {*scope.preamble, *scope.keys, *scope.descriptor}
    fields |= {name for name in SCALING if name in driver.operation}
    if scope.codes_per_division is not None:
        fields.add("codes_per_division")
    if not fields & {"xincrement", "sample_rate"}:
        yield Problem(
            "scope.preamble", "has no 'xincrement'", "its place, or that of 'sample_rate'"
        )
    if not scope.in_volts and "yincrement" not in fields and not (
        {"volts_per_division", "codes_per_division"} <= fields
    ):  # fmt: skip
        yield Problem(
            "scope.preamble",
            "has no 'yincrement'",
            "its place, or 'volts_per_division' with 'codes_per_division'",
        )


def _records(driver: Driver, scope: ScopeSettings) -> Iterator[Problem]:
    if scope.records and max(scope.records) != scope.max_points:
        yield Problem(
            "scope.max_points", f"{scope.max_points}", f"{max(scope.records)}, the longest record"
        )
    if scope.sets == "time per division" and not scope.time_steps:
        yield Problem("scope.time_steps", "is missing", "steps of a decade, such as [1, 2, 5]")
    if scope.sets == "rate" and scope.time_steps:
        found = 'given, and sets is "rate"'
        yield Problem("scope.time_steps", found, 'sets = "time per division"')
    waveform = driver.operation.get("waveform")
    if waveform is None or scope.piece is None or scope.piece >= scope.max_points:
        return
    if not ({"first", "start"} & waveform.names and {"last", "count"} & waveform.names):
        yield Problem(
            "operation.waveform",
            f"a record of {scope.max_points} points comes in pieces of {scope.piece}, and nothing "
            "says which piece",
            "{first} and {last} in it, or {start} and {count}",
        )


def _codes(scope: ScopeSettings) -> Iterator[Problem]:
    if scope.in_volts or scope.sample == "ascii":
        return
    # A code that no sample can have would mean that clipping is never seen.
    bits = int(scope.sample.removeprefix("u").removeprefix("int"))
    first, last = (
        (0, 2**bits - 1) if scope.sample[0] == "u" else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    )
    if not first <= scope.lowest < scope.highest <= last:
        yield Problem(
            "scope.highest",
            f"codes {scope.lowest} to {scope.highest} in samples of {scope.sample}",
            f"lowest below highest, both within {first} to {last}",
        )
    if scope.code_bits > bits:
        yield Problem("scope.code_bits", f"{scope.code_bits}", f"at most {bits}, as in the samples")
