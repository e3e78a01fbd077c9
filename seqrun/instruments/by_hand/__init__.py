"""Instruments without a remote interface: the operator sets them, reads them and types the number.

They play the same roles as instruments that are spoken to, with the accuracy of a driver file like
any other. What a hand sets is never read back: :meth:`~seqrun.instruments.roles.Supply.enabled` and
the rest of what a supply tells of itself raise :class:`~seqrun.errors.NotMeasured`, and the safe
state says that it was said, not confirmed.

A number that was typed stands for :data:`FRESH_S` of bench time, or until a lead or a knob was
moved: a step that polls for a reading to settle has asked for one that stands still.
"""

from __future__ import annotations

from seqrun.errors import InstrumentRefused
from seqrun.files.driver.file import Driver
from seqrun.instruments.by_hand.base import SURE, ByHand
from seqrun.instruments.by_hand.looking import ScopeByHand, Shown, ThermometerByHand
from seqrun.instruments.by_hand.meter import MeterByHand
from seqrun.instruments.by_hand.sources import GeneratorByHand, SupplyByHand
from seqrun.instruments.desk import Desk

__all__ = [
    "SURE", "ByHand", "GeneratorByHand", "MeterByHand", "ScopeByHand", "Shown",
    "SupplyByHand", "ThermometerByHand", "by_hand",
]  # fmt: skip

Hand = MeterByHand | SupplyByHand | GeneratorByHand | ScopeByHand | ThermometerByHand
_OF_ROLE: dict[str, type[Hand]] = {
    "meter": MeterByHand,
    "supply": SupplyByHand,
    "generator": GeneratorByHand,
    "scope": ScopeByHand,
    "thermometer": ThermometerByHand,
}


def by_hand(name: str, driver: Driver, desk: Desk, label: str = "") -> Hand:
    """The instrument of a bench whose resource is "by hand".

    Raises:
        InstrumentRefused: hands cannot play its role.
    """
    kind = _OF_ROLE.get(driver.role)
    if kind is None:
        raise InstrumentRefused(
            f"a {driver.role} by hand", expected=", ".join(_OF_ROLE), where=name
        )
    return kind(name, driver, desk, label)
