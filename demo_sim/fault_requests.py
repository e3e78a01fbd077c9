"""Faults as they are asked for: what an entry of the catalogue is, and how a request is read.

The entries themselves stand in ``demo_sim.faults``.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from demo_sim.bench_parts import BenchSpec
from demo_sim.errors import DemoError

Kind = Literal["fault", "mistake"]
Change = Callable[[BenchSpec, str, float], BenchSpec]


@dataclass(frozen=True, slots=True)
class FaultInfo:
    """One entry of the catalogue, for people.

    Args:
        name: as typed. summary: one line. physics: what it does, and what severity 1 means.
        channels: it sits in one channel (the first when none is named).
        default_severity: without "=…". kind: of the unit, or of the bench around it.
    """

    name: str
    summary: str
    physics: str
    channels: bool
    default_severity: float
    kind: Kind


@dataclass(frozen=True, slots=True)
class FaultRequest:
    """``name[@channel][=severity]``, read; ``channel`` is None when none was named."""

    name: str
    channel: str | None
    severity: float

    def __str__(self) -> str:
        at = f"@{self.channel}" if self.channel else ""
        return f"{self.name}{at}={self.severity:g}"


_CATALOGUE: dict[str, tuple[FaultInfo, Change]] = {}


def entry(
    name: str,
    summary: str,
    default: float,
    channels: bool = True,
    kind: Kind = "fault",
) -> Callable[[Change], Change]:
    """Enter a change under ``name``; its docstring is the physics."""

    def enter(change: Change) -> Change:
        physics = " ".join((change.__doc__ or "").split())
        info = FaultInfo(name, summary, physics, channels, default, kind)
        _CATALOGUE[name] = (info, change)
        return change

    return enter


_REQUEST = re.compile(r"\s*([A-Za-z_]+)\s*(?:@\s*([A-Za-z0-9_]+))?\s*(?:=\s*(\S+))?\s*")


def fault_catalogue() -> list[FaultInfo]:
    """Every fault and mistake, in the order of the catalogue."""
    return [info for info, _ in _CATALOGUE.values()]


def parse_fault(text: str) -> FaultRequest:
    """Read ``dc_offset@left=0.6``.

    Raises:
        DemoError: unknown name (with the nearest known one), a channel where none belongs, or a
            severity outside 0 … 1.
    """
    match = _REQUEST.fullmatch(text)
    if match is None:
        raise DemoError("cannot read the fault", found=text, expected="NAME[@CHANNEL][=SEVERITY]")
    name, channel, severity = match.groups()
    if name not in _CATALOGUE:
        near = difflib.get_close_matches(name, _CATALOGUE, 1, 0.0)
        raise DemoError("no such fault", found=name, hint=f"nearest known name: {near[0]}")
    info = _CATALOGUE[name][0]
    if channel is not None and not info.channels:
        raise DemoError(f"{name} does not belong to a channel", found=text, expected=name)
    try:
        value = info.default_severity if severity is None else float(severity)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 1.0:
        raise DemoError(f"severity of {name}", found=str(severity), expected="a number from 0 to 1")
    return FaultRequest(name, channel, value)


def apply_faults(bench: BenchSpec, requests: Sequence[FaultRequest]) -> BenchSpec:
    """The bench with every fault in it, in the order given.

    Raises:
        DemoError: a channel that the unit does not have, or a fault that its topology cannot have.
    """
    for request in requests:
        channel = request.channel or bench.amplifier.channel_names[0]
        bench.amplifier.channel(channel)
        if request.severity > 0.0:
            bench = _CATALOGUE[request.name][1](bench, channel, request.severity)
    return bench
