"""What a sound interface can do, what it must not be put on, and what it decides."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

from seqrun.errors import BenchLacks
from seqrun.files.driver.file import AccuracyRow, Driver
from seqrun.plan.floors import STEPS_OF_CURVATURE, distortion_floor
from seqrun.values import COVERAGE_FACTOR

if TYPE_CHECKING:
    from seqrun.files.bench.file import Bench
    from seqrun.plan.needs import Needs
    from seqrun.plan.view import BenchView

#: nodes without DC of their own, of a healthy unit
_AC_ONLY = ("out.", "in.", "phones.", "ground")
DISTORTIONS = frozenset({"thd", "thd_n", "sinad"})
#: what the plan compares with: bits of usual scopes, and a usual sound interface's distortion
USUAL_BITS = (8, 12)
USUAL_SOUND = 3e-5


def as_levelled(bench: Bench, drivers: Mapping[str, Driver]) -> dict[str, Driver]:
    """The drivers of a bench, those of a sound interface with what was found out about it."""
    sound = bench.sound
    found = dict(drivers)
    for key, driver in drivers.items():
        if driver.sound is None or sound is None:
            continue
        half = math.sqrt(3.0) * sound.level_uncertainty / COVERAGE_FACTOR
        # From out to in: neither end alone is worse than both together.
        rows = [_row("level", half), _row("flatness", sound.flatness)]
        update: dict[str, object] = {}
        if driver.scope is not None:
            probe = max(bench.instrument[key].probe, default=1.0)
            update["scope"] = driver.scope.model_copy(
                update={
                    "ranges": (2.0 * min(sound.input_full_scale) / probe,),
                    "distortion": sound.distortion,
                    "noise": sound.floor / probe,
                }
            )
            rows = [_row("voltage", half)]
        if driver.generator is not None:
            update["generator"] = driver.generator.model_copy(
                update={
                    "most_level": min(sound.output_full_scale) / math.sqrt(2.0),
                    "distortion": sound.distortion,
                }
            )
        found[key] = driver.changed(**update, accuracy=tuple(rows))
    return found


def _row(function: str, half: float) -> AccuracyRow:
    return AccuracyRow.model_validate({"function": function, "of_reading": f"{100.0 * half:.6g} %"})


def listens(view: BenchView) -> bool:
    """Whether the scope of a bench is a sound interface."""
    return view.has("scope") and view.drivers[view.key("scope")].sound is not None


def check(view: BenchView, needs: Needs) -> None:
    """See that no step puts a sound interface where it cannot or must not be.

    Raises:
        BenchLacks: the first such place.
    """
    if "scope" not in needs.roles or not listens(view):
        return
    key = view.key("scope")
    scope = view.drivers[key].scope
    assert scope is not None, "drivers are checked when they are read"
    if needs.record is not None and needs.record.dc:
        raise BenchLacks(
            f"{key} is a sound interface: it reads no DC, and DC is looked for with it",
            expected="a scope",
            where=view.bench.name,
        )
    for hookup in needs.hookups:
        for terminal, node in hookup.leads:
            if terminal.partition(".")[0] != key:
                continue
            if not node.startswith(_AC_ONLY):
                raise BenchLacks(
                    f"{key} is a sound interface: it reads no DC, and {node} has some",
                    expected="a scope",
                    where=view.bench.name,
                )
            if view.unit.bridged and node.startswith("out.") and not scope.isolated:
                raise BenchLacks(
                    f"{key} is a sound interface on the computer's earth, and {node} is a live "
                    "terminal of a bridge",
                    expected="differential or isolated inputs (isolated = true in its driver file)",
                    where=view.bench.name,
                )


def warnings(view: BenchView, kinds: Collection[str]) -> list[str]:
    """What a sound interface brings along, and, where a kind of step is about distortion, how
    little of it each kind of bench tells."""
    if not (view.has("scope") and view.has("generator")):
        return []
    told = []
    card = [key for key, driver in view.drivers.items() if driver.sound is not None]
    if card:
        told.append(
            "the sound interface's ground is the computer's earth: give the bench one way to "
            "earth, a laptop on its battery, or an isolated USB link; otherwise the hum that is "
            "read is the earth loop's and not the unit's"
        )
        if view.bench.sound is None:
            told.append(
                "the sound interface was never levelled: 'seqrun bench sound FILE' finds its "
                "levels against the meter, and its own floor"
            )
    return [*told, thd_told(view)] if DISTORTIONS & set(kinds) else told


def thd_told(view: BenchView) -> str:
    """What THD this bench can tell from none, and what other benches could."""
    here = distortion_floor(view)
    words = f"THD below about {_percent(here)} cannot be told from this bench's own"
    if listens(view):
        others = [
            f"{_percent(_curvature(bits))} with a scope of {bits} bits" for bits in USUAL_BITS
        ]
        return f"{words}; it would be {', '.join(others)}"
    return f"{words}; with a sound interface it would be about {_percent(USUAL_SOUND)}"


def _curvature(bits: int) -> float:
    return STEPS_OF_CURVATURE * 2.0 ** (1 - bits)


def _percent(share: float) -> str:
    return f"{100.0 * share:.2g} %"
