"""Cautions that go with what somebody is sent to do to a unit, for runs and reports alike."""

from __future__ import annotations

import re

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
_POWERED = re.compile(
    r"\b(while|driven|voltages?|coil|signal|ripple|drop across|cool|warm|tap)\b", re.IGNORECASE
)


def caution(*steps: str) -> str:
    """The caution for what is to be done next: for a unit that is off, and before it for one that
    is powered where a step sends somebody there."""
    return f"{POWERED} {OFF}" if any(_POWERED.search(step) for step in steps) else OFF
