"""From the accuracy table of a driver file to numbers that carry their uncertainty.

An instrument's error is of two kinds. What it does wrong always on one range of one function, a
gain error and an offset error, is one unknown number each: two variables, made when first needed
and kept as long as the instrument is open. So the difference of two readings on one range is not
burdened with an offset that both share (JCGM 100:2008, F.1.2.3). What changes from reading to
reading, scatter and the step of the display, is a new variable each time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property

from uncertainties import UFloat

from seqrun.files.driver import AccuracyRow, Driver
from seqrun.quantity import render
from seqrun.values import normal, rectangular

#: 0.9545 quantile of Student's t (two-sided) over 2, by degrees of freedom: what makes k = 2 hold
#: for the mean of few readings (JCGM 100:2008, table G.2).
_FEW = (6.984, 2.263, 1.653, 1.435, 1.324, 1.258, 1.213, 1.182, 1.159)


#: 0.95 quantile of chi-square over its degrees of freedom: scatter beyond it is not chance
_CHANCE = (3.841, 2.996, 2.605, 2.372, 2.214, 2.099, 2.010, 1.938, 1.880)


def by_chance(ratio: float, degrees_of_freedom: int) -> bool:
    """Whether so few readings scatter ``ratio`` times as much as known by chance alone (95 %)."""
    if degrees_of_freedom <= len(_CHANCE):
        return ratio * ratio <= _CHANCE[degrees_of_freedom - 1]
    # Wilson and Hilferty's approximation
    part = 2.0 / (9.0 * degrees_of_freedom)
    return ratio * ratio <= (1.0 - part + 1.645 * math.sqrt(part)) ** 3


def student(degrees_of_freedom: int) -> float:
    """Factor on s/√n so that twice it covers 95.45 %; 1 for very many readings."""
    if degrees_of_freedom < 1:
        return math.inf
    if degrees_of_freedom <= len(_FEW):
        return _FEW[degrees_of_freedom - 1]
    return 1.0 + 1.25 / degrees_of_freedom + 1.9 / degrees_of_freedom**2


class Accuracy:
    """The accuracy table of one open instrument.

    Args:
        name: the instrument's key; names its contributions in budgets.
    """

    def __init__(self, name: str, driver: Driver) -> None:
        self._name = name
        self._driver = driver
        self._persistent: dict[tuple[str, str, str], tuple[UFloat, UFloat]] = {}

    @cached_property
    def _units(self) -> dict[str, str]:
        from seqrun.files.operations import ACCURACY

        return ACCURACY[self._driver.role]

    def row(self, function: str, value: float) -> AccuracyRow:
        """The row of the smallest range that holds ``value``."""
        return self._driver.row(function, value)

    def label(self, function: str, full_scale: float | None, place: str = "") -> str:
        """What budgets call a range: ``meter dc_voltage 10 V``."""
        parts = [self._name, place, function]
        if full_scale is not None:
            parts.append(render(full_scale, self._units[function]))
        return " ".join(part for part in parts if part)

    def variables(
        self, row: AccuracyRow, full_scale: float, place: str = ""
    ) -> tuple[UFloat, UFloat]:
        """Gain error (a fraction) and offset error (function's unit) of one range, mean 0.

        Args:
            place: tells outputs or channels apart, each of which has its own errors.
        """
        key = (row.function, f"{full_scale:.6g}", place)
        if key not in self._persistent:
            label = self.label(row.function, full_scale, place)
            owner = f"instrument {self._name}"
            self._persistent[key] = (
                rectangular(0.0, row.gain, f"{label}, % of reading", owner),
                rectangular(0.0, row.zero(full_scale), f"{label}, % of range", owner),
            )
        return self._persistent[key]

    def attach(
        self, value: float, row: AccuracyRow, place: str = "", full_scale: float | None = None
    ) -> UFloat:
        """A value with the table's gain, offset and resolution attached; no scatter.

        Args:
            value: a reading, or the mean of several, in the function's unit.
        """
        scale = full_scale if full_scale is not None else row.range or abs(value)
        gain, offset = self.variables(row, scale, place)
        measured: UFloat = value + value * gain + offset
        if row.resolution:
            label = self.label(row.function, row.range, place)
            measured = measured + rectangular(0.0, row.resolution / 2.0, f"{label}, resolution")
        return measured

    def measured(
        self,
        readings: Sequence[float],
        row: AccuracyRow,
        place: str = "",
        full_scale: float | None = None,
        noise: float | None = None,
    ) -> UFloat:
        """The mean of the readings, with accuracy table and scatter (Type A) combined.

        The noise that the data sheet states is the scatter of a measurement that is well known;
        it stands as long as the readings' own is no more than chance makes of it (JCGM 100:2008,
        4.2.4). Beyond that the readings' own scatter counts, by Student's t for its few degrees
        of freedom.

        Args:
            noise: standard deviation of one reading of a steady input; the table's without.
        """
        count = len(readings)
        mean = math.fsum(readings) / count
        value = self.attach(mean, row, place, full_scale)
        spread = row.noise if noise is None else noise
        if count > 1:
            s = math.sqrt(math.fsum((x - mean) ** 2 for x in readings) / (count - 1))
            if spread <= 0.0 or not by_chance(s / spread, count - 1):
                spread = s * student(count - 1)
        if spread > 0.0:
            label = self.label(row.function, row.range, place)
            u = spread / math.sqrt(count)
            value = value + normal(0.0, u, f"{label}, scatter of {count}")
        return value
