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

from seqrun.errors import NotMeasured
from seqrun.files.driver.file import AccuracyRow, Driver
from seqrun.quantity import render
from seqrun.values import normal, rectangular, student

REFERENCE_HZ = 1000.0  # at which a generator's level is stated


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
        from seqrun.files.driver.operations import ACCURACY

        return ACCURACY[self._driver.role]

    def row(self, function: str, value: float) -> AccuracyRow:
        """The row of the smallest range that holds ``value``.

        Raises:
            NotMeasured: its driver file states that nobody knows the figures.
        """
        row = self._driver.row(function, value)
        if row.unknown:
            raise NotMeasured(
                f"the accuracy of {function.replace('_', ' ')} is not known",
                expected="figures of the data sheet in its driver file", where=self._name,
            )  # fmt: skip
        return row

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
                rectangular(0.0, row.zero(full_scale), f"{label}, {row.zero_named}", owner),
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

        The scatter of the mean is the larger of two: by the noise that the data sheet states,
        which is well known (JCGM 100:2008, 4.2.4), and by the readings' own, with Student's factor
        for their few degrees of freedom. So it covers 95 % also where the unit, or an instrument
        that has aged, scatters more than the sheet says.

        Args:
            noise: standard deviation of one reading of a steady input; the table's without.
        """
        count = len(readings)
        mean = math.fsum(readings) / count
        value = self.attach(mean, row, place, full_scale)
        spread = row.noise if noise is None else noise
        freedom = math.inf
        if count > 1:
            s = math.sqrt(math.fsum((x - mean) ** 2 for x in readings) / (count - 1))
            own = s * student(count - 1) if s > 0.0 else 0.0
            if own > spread:
                spread, freedom = own, count - 1.0
        if spread > 0.0:
            label = self.label(row.function, row.range, place)
            u = spread / math.sqrt(count)
            value = value + normal(0.0, u, f"{label}, scatter of {count}", freedom)
        return value


class LevelOverFrequency:
    """How far the level of a generator's outputs departs from that at 1 kHz, as ``flatness`` of its
    driver file states it. A response has no jumps: what it does wrong on one side of 1 kHz it does
    at all frequencies there, so that each side of an output is one variable.

    Args:
        accuracy: its table. name: the instrument's key; names the contributions in budgets.
        near: what counts as 1 kHz, as a part of it.
    """

    def __init__(self, accuracy: Accuracy, name: str, driver: Driver, near: float = 0.01) -> None:
        self._accuracy, self._name, self._near = accuracy, name, near
        self._stated = "flatness" in driver.rows
        self._departures: dict[tuple[int, bool], UFloat] = {}

    def of(self, level: UFloat, output: int, frequency_hz: float) -> UFloat:
        """A level with what the output's response may make of it at a frequency."""
        at_reference = math.isclose(frequency_hz, REFERENCE_HZ, rel_tol=self._near)
        if not self._stated or at_reference:
            return level
        return level * (1.0 + self._departure(output, frequency_hz < REFERENCE_HZ))

    def _departure(self, output: int, below: bool) -> UFloat:
        key = (output, below)
        if key not in self._departures:
            half = self._accuracy.row("flatness", 0.0).gain
            side = "below" if below else "above"
            name = f"{self._name} output {output} flatness {side} 1 kHz"
            self._departures[key] = rectangular(0.0, half, name, f"instrument {self._name}")
        return self._departures[key]
