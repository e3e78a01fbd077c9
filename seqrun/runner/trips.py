"""Trips: protective thresholds, looked at while anything waits.

The supply's own protection acts in microseconds; these act between messages. A trip is watched
only while its quantity can be read without moving a lead: supply current and voltage always, the
sink's temperature while the meter is on its sensor, DC at an output while the meter is on that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

from seqrun.errors import NotMeasured, Tripped
from seqrun.files.sequence.file import Trip
from seqrun.instruments.roles import Supply
from seqrun.plan.by_hand import asleep
from seqrun.plan.view import BenchView
from seqrun.quantity import Quantity
from seqrun.runner.events import Near

#: seconds of bench time between two looks
INTERVAL_S = 1.0
#: a live rail that draws less than this is dead or switched off, A
DEAD_A = 1e-3


class Watched(Protocol):
    """What the trips look at."""

    live: bool

    @property
    def supply(self) -> Supply: ...

    @property
    def view(self) -> BenchView: ...

    def names(self) -> Mapping[str, Quantity]: ...

    def observed(self, quantity: str) -> float | None:
        """The latest value that a step read anyway, None when there is none."""
        ...


@dataclass(frozen=True, slots=True)
class ArmedTrip:
    """One trip with its threshold resolved. ``read`` returns the quantity wherever it is watched
    (each rail, the sink), and nothing where it cannot be read now."""

    quantity: str
    unit: str
    above: float | None
    below: float | None
    why: str
    read: Callable[[], list[float]]

    def look(self) -> Near | None:
        """Read the quantity once; how near it is, None where it cannot be read now.

        Raises:
            Tripped: when it is beyond the threshold, or the instrument has no number for it.
        """
        try:
            values = self.read()
        except NotMeasured as reason:
            # What protects must not go blind: this is no step that could be left out.
            raise self._trip("cannot be read", reason.found) from reason
        for value in values:
            shown = f"is {value:.4g} {self.unit}"
            if self.above is not None and not value <= self.above:
                raise self._trip(shown, f"at most {self.above:.4g} {self.unit}")
            if self.below is not None and not value >= self.below:
                raise self._trip(shown, f"at least {self.below:.4g} {self.unit}")
        if not values:
            return None
        return Near(self.quantity, self.unit, tuple(values), self.above, self.below, self.why)

    def _trip(self, found: str, expected: str) -> Tripped:
        return Tripped(
            f"{self.quantity} {found}: {self.why}",
            expected=expected,
            where="trip",
            hint="find the cause before powering the unit again",
        )


def arm(trips: Iterable[Trip], bench: Watched) -> list[ArmedTrip]:
    """Resolve the thresholds over the unit sheet and say how each quantity is read.

    The supply's own protection is always looked at: an output that it has switched off draws
    nothing, and only then is it worth the message.
    """
    names = bench.names()
    readers: dict[str, Callable[[], list[float]]] = {
        "supply_current": lambda: _supply_currents(bench),
        "supply_voltage": lambda: _supply_voltages(bench),
        "sink_temperature": lambda: _observed(bench, "sink_temperature"),
        "out_dc": lambda: _observed(bench, "out_dc"),
    }
    armed: list[ArmedTrip] = []
    listed = list(trips)
    blind = asleep(bench.view, listed)
    for trip in listed:
        if trip.quantity in blind and trip.quantity in ("supply_current", "supply_voltage"):
            continue  # nobody is asked for a number each second; the plan has said so
        limit = trip.resolve(names)
        armed.append(
            ArmedTrip(
                trip.quantity, trip.unit, limit.high, limit.low, trip.why, readers[trip.quantity]
            )
        )
    return armed


def _supply_currents(bench: Watched) -> list[float]:
    if not bench.live:
        return []
    supply = bench.supply
    found: list[float] = []
    for rail, output in bench.view.rails.items():
        amperes = supply.current_raw(output)
        if amperes < DEAD_A and _off_by_itself(supply, output):
            raise Tripped(
                f"the supply has switched {rail} off by itself",
                expected="an output that stays on; its own protection has acted",
                where="trip",
                hint="find the cause before powering the unit again",
            )
        found.append(amperes)
    return found


def _off_by_itself(supply: Supply, output: int) -> bool:
    """By what the supply can tell: its protection, or that the output is off; else it is not told,
    and an output that it switched off shows in the rail's own steps."""
    told = supply.has("protection_tripped") and supply.protection_tripped(output)
    return told or (supply.has("enabled") and not supply.enabled())


def _supply_voltages(bench: Watched) -> list[float]:
    if not bench.live:
        return []
    return [float(bench.supply.voltage(n).nominal_value) for n in bench.view.rails.values()]


def _observed(bench: Watched, quantity: str) -> list[float]:
    value = bench.observed(quantity)
    return [] if value is None else [value]
