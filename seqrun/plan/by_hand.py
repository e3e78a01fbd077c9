"""What hands cannot do: read again and again, take a record, or switch off in time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from seqrun.errors import BenchLacks
from seqrun.plan.supply_checks import LISTENING_W

if TYPE_CHECKING:
    from seqrun.files.sequence.file import Trip
    from seqrun.plan.needs import Needs
    from seqrun.plan.view import BenchView

ROLES = ("supply", "meter", "scope", "generator", "thermometer")
#: what a trip looks at, and the role that reads it
READ_BY = {
    "supply_current": "supply",
    "supply_voltage": "supply",
    "sink_temperature": "meter",
    "out_dc": "meter",
}


def check(view: BenchView, needs: Needs) -> None:
    """See that no step asks of hands what they cannot do.

    Raises:
        BenchLacks: the first thing.
    """
    for role in sorted(needs.by_itself):
        if view.by_hand(role):
            doing = "read by hand, and this step reads it every few seconds"
            if role == "supply":
                doing = "set by hand, and no trip could switch it off while this step goes on"
            raise BenchLacks(
                f"the {role} is {doing}",
                expected=f"a {role} with a remote interface",
                where=view.bench.name,
            )
    if "scope" in needs.roles and not needs.screen and view.by_hand("scope"):
        raise BenchLacks(
            "the scope is read by hand, and this step takes a record of it",
            expected="a scope with a remote interface",
            where=view.bench.name,
        )
    _unguarded(view, needs)


def _unguarded(view: BenchView, needs: Needs) -> None:
    """Power into loads from a supply that nothing but a hand switches off."""
    if not view.by_hand("supply") or max(needs.load_power_w.values(), default=0.0) <= LISTENING_W:
        return
    for key in view.keys("supply"):
        settings = view.drivers[key].supply
        by_hand = view.bench.instrument[key].by_hand
        panel = view.bench.instrument[key].front_panel
        if panel is not None and panel.over_current is not None:
            continue
        if by_hand and settings is not None and "over_current_protection" in settings.absent:
            raise BenchLacks(
                f"{key} is set by hand and does not switch off by itself: nothing would end a "
                "fault at power in time",
                expected="a supply with over-current protection, or one with a remote interface",
                where=view.bench.name,
            )


def asleep(view: BenchView, trips: Iterable[Trip]) -> set[str]:
    """The quantities of trips that hands would have to read: nobody looks at them."""
    return {trip.quantity for trip in trips if view.by_hand(READ_BY[trip.quantity])}


def warnings(view: BenchView, trips: Iterable[Trip]) -> Iterator[str]:
    """What instruments by hand take away from the safety of a run."""
    listed = list(trips)
    for quantity in sorted(asleep(view, listed)):
        why = "only a reading that is typed in can reach it"
        if READ_BY[quantity] == "supply":
            why = "set its current limit, and keep a hand at its switch"
        yield f"the trip on {quantity} is blind: the {READ_BY[quantity]} is by hand; {why}"
    if view.by_hand("supply"):
        yield (
            "the supply is by hand: neither a trip nor the end of the run switches it off; you are "
            "asked to do it, and that it is off is not confirmed"
        )
