"""Devices in parallel, one by one: who carries how much, and how that goes with temperature."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.levels import shares
from seqrun.values import COVERAGE_FACTOR, rectangular

BEND = 0.05  # of what it cools by between two readings: a decay over less than a third of its τ


@dataclass(frozen=True, slots=True)
class Busiest:
    """The device that carries most of its bank's current.

    ``share`` is its part of the whole (1/n when all are alike); ``ahead`` the difference of its
    share to the next one's. Both are ratios.
    """

    index: int
    share: UFloat
    ahead: UFloat


def busiest(currents: Sequence[UFloat]) -> Busiest:
    """Which of the devices in parallel carries most, as a part of the bank's whole current.

    The gain error of a common meter range cancels; ballast tolerances do not.

    Args:
        currents: of each device, A.

    Raises:
        NotMeasured: fewer than two devices, or no current beyond its uncertainty.
    """
    parts = [(departure + 1.0) / len(currents) for departure in shares(currents)]
    order = sorted(range(len(parts)), key=lambda k: -float(parts[k].nominal_value))
    first, second = order[0], order[1]
    return Busiest(first, parts[first], parts[first] - parts[second])


def current_per_kelvin(hot: UFloat, cold: UFloat, hot_c: UFloat, cold_c: UFloat) -> UFloat:
    """How much a device's current grows for each kelvin of the heatsink between two states, A/K.

    A chord, not a tangent: the current of a junction grows exponentially where nothing holds it.

    Args:
        hot, cold: the current in both states, A.
        hot_c, cold_c: the heatsink's temperature in both, °C.

    Raises:
        NotMeasured: the temperatures do not differ beyond their uncertainty.
    """
    rise = hot_c - cold_c
    expanded = COVERAGE_FACTOR * float(rise.std_dev)
    if not float(rise.nominal_value) > expanded:
        raise NotMeasured(
            f"the heatsink differs by {rise.nominal_value:.2g} K between the two readings",
            expected=f"more than {expanded:.2g} K, the uncertainty of that",
            hint="warm it longer, or with more power",
        )
    return (hot - cold) / rise


def moved_since(celsius: UFloat, towards: float, seconds: float, tau_s: float) -> UFloat:
    """A heatsink's temperature some time after it was read, °C, on its way to another.

    How fast it goes is not known: by nothing, or by as much as if that were where it ends, in time
    constants of the heatsink.

    Args:
        towards: °C, beyond which it does not go. seconds: since it was read.
    """
    most = towards - float(celsius.nominal_value)
    half = 0.5 * most * -math.expm1(-max(seconds, 0.0) / tau_s)
    return celsius + rectangular(half, abs(half), "the heatsink since it was read")


def on_the_way(before: UFloat, after: UFloat, share: float) -> UFloat:
    """A temperature between two readings of a decay, °C: on the line between them, which a few
    minutes of it follow closely enough (``bend of the cooling``).

    Args:
        share: of the time between the two that has passed.
    """
    # A line between the ends of a decay lies above it by at most an eighth of its curvature.
    bend = abs(float((before - after).nominal_value)) * BEND
    return before + share * (after - before) + rectangular(0.0, bend, "bend of the cooling")
