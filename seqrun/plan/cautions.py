"""Cautions that go with what somebody is sent to do to a unit, for runs and reports alike."""

from __future__ import annotations

#: for a unit that is off
OFF = (
    "Before touching anything: power off, and each rail confirmed below 2 V by meter. Mains parts "
    "follow local codes and are for licensed people."
)
#: for a unit that is powered
POWERED = (
    "Looking at it while it is powered is live work: one hand, an insulated tool, no rings, test "
    "loads instead of speakers; local codes and licensed practice rule."
)


def caution(*works: str | None) -> str:
    """The caution for what is to be done next, as each of it was declared: "off" or "powered". One
    of which nothing is declared may be either, and gets both."""
    return OFF if all(work == "off" for work in works) else f"{POWERED} {OFF}"
