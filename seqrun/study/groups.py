"""Groups of steps to be studied, and how the truth of their readings is told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from seqrun.files.unit.sheet import Unit
from seqrun.study.benches import PlayedTone, Seen, TellTruth, Wanted, WatchTruth


@dataclass(frozen=True, slots=True)
class Group:
    """Steps that are done on one bench, one after another, and what is studied of them.

    Args:
        steps: ``[[step]]`` entries.
        watch: see :func:`seqrun.study.benches.done`.
        faults: given to every unit, where a healthy one has too little of it to be read.
        stages: a ramp in few stages saves time where the bring-up is not studied.
        variants: of the simulated bench, beside clean or dirty.
        unit: its sheet, when other than the demo's usual one.
        awaited: whether the output relays are waited for before the steps.
        powered: whether the unit is.
        tone: played from the first of the steps on, where they only look at what is there.
    """

    name: str
    steps: str
    wanted: tuple[Wanted, ...]
    watch: WatchTruth | None = None
    faults: tuple[str, ...] = ()
    stages: int = 2  # of the bring-up
    variants: tuple[str, ...] = ()
    unit: str | None = None
    awaited: bool = True
    powered: bool = True
    tone: PlayedTone | None = None


def on_unit(group: Group, unit: Unit) -> Group:
    """The same on another unit: faults of the left channel in its first, of the right in its last;
    of two of a kind that would come together the first."""
    first, last = unit.channels[0], unit.channels[-1]
    moved: dict[str, str] = {}
    for fault in group.faults:
        there = fault.replace("@left", f"@{first}").replace("@right", f"@{last}")
        moved.setdefault(there.partition("=")[0], there)
    return replace(group, faults=tuple(moved.values()))


def step(name: str, do: str, **keys: str) -> str:
    """One entry; values are TOML."""
    lines = [f'[[step]]\nid = "{name}"\ndo = "{do}"']
    lines += [f"{key} = {value}" for key, value in keys.items()]
    return "\n".join(lines) + "\n"


def of_channel(tell: Callable[[Any, str], float]) -> TellTruth:
    """By the reading's channel: ``tell(truth, channel)``."""
    return lambda seen: tell(seen.truth, seen.reading.channel)


def at_capture(what: str) -> TellTruth:
    """Of the reading's channel, or of the unit where it has none."""

    def tell(seen: Seen) -> float:
        channel = seen.reading.channel
        return seen.at_capture[f"{what}.{channel}" if channel else what]

    return tell
