"""Straight lines through readings over time: which way a quantity moves, and how sure that is.

For the readings y_i ± u_i of one quantity at times t_i the line is that of least squares, each
reading weighted by 1/u_i². Its slope b has two uncertainties:

- by what is stated: u_b² = 1 / Σ w (t − t̄)²; the readings' errors are taken as independent. What
  one instrument reads wrong alike every time does not tilt the line, so this is rather too large.
- by the scatter about the line: u_b² · χ²/(n − 2), which also holds what the unit itself does
  from day to day (JCGM 100:2008, 4.2 and H.3). It has n − 2 degrees of freedom.

The expanded uncertainty of the slope is the larger of the two after each is widened for its own
degrees of freedom to the same 95.45 %: k = 2, and Student's factor for n − 2. So few
readings with a little scatter make no trend.

Assumes that the quantity moves evenly. A step (a repair between two runs) also tilts the line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from seqrun.errors import NotMeasured
from seqrun.values import COVERAGE_FACTOR, student

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Indices = NDArray[np.intp]

LEAST_READINGS = 3  # two make a line through any scatter


@dataclass(frozen=True, slots=True)
class Lines:
    """One line per group, as arrays of equal length. NaN where a group allows none.

    Attributes:
        count: readings in the group.
        start, end: first and last time, in the unit of t.
        mean: weighted mean of y, which the line has at ``centre``.
        centre: weighted mean of t.
        slope: in units of y per unit of t.
        u_stated, u_scatter: standard uncertainty of the slope by either way; ``u_stated`` is NaN
            when a reading of the group states none.
        expanded: expanded uncertainty of the slope, about 95 %.
    """

    count: Array
    start: Array
    end: Array
    mean: Array
    centre: Array
    slope: Array
    u_stated: Array
    u_scatter: Array
    expanded: Array


@dataclass(frozen=True, slots=True)
class StraightLine:
    """The same for one group."""

    count: int
    start: float
    end: float
    mean: float
    centre: float
    slope: float
    u_stated: float
    u_scatter: float
    expanded: float

    def at(self, time: float) -> float:
        """Value on the line."""
        return self.mean + self.slope * (time - self.centre)

    @property
    def moved(self) -> float:
        """How far the line moves from the first reading to the last."""
        return self.slope * (self.end - self.start)

    @property
    def expanded_moved(self) -> float:
        """Expanded uncertainty of :attr:`moved`."""
        return self.expanded * (self.end - self.start)


def line(times: Array, values: Array, uncertainties: Array | None = None) -> StraightLine:
    """The line through one quantity's readings.

    Args:
        times, values: equal length, finite.
        uncertainties: standard uncertainty of each value; None, or any that is zero: not stated.

    Raises:
        NotMeasured: fewer than three readings, or all at one time.
    """
    import numpy as np

    groups = np.zeros(len(values), dtype=np.intp)
    u = np.zeros(len(values)) if uncertainties is None else np.asarray(uncertainties, dtype=float)
    found = lines(groups, 1, np.asarray(times, dtype=float), np.asarray(values, dtype=float), u)
    if not np.isfinite(found.slope[0]):
        raise NotMeasured(
            f"no trend can be found in {len(values)} readings",
            expected=f"at least {LEAST_READINGS} readings, not all at one time",
        )
    cells = {name: float(getattr(found, name)[0]) for name in Lines.__dataclass_fields__}
    return StraightLine(count=int(cells.pop("count")), **cells)


def lines(groups: Indices, size: int, times: Array, values: Array, u: Array) -> Lines:
    """A line for each group of readings at once, for histories of many.

    Args:
        groups: number of each reading's group, 0 to ``size`` − 1.
        times, values, u: of each reading; finite. ``u`` (standard) zero: not stated, and then the
            whole group is weighted alike.
    """
    import numpy as np

    def total(weights: Array) -> Array:
        found: Array = np.bincount(groups, weights=weights, minlength=size).astype(float)
        return found

    count = np.bincount(groups, minlength=size).astype(float)
    silent = np.bincount(groups, weights=u <= 0.0, minlength=size) > 0
    start, end = np.full(size, np.inf), np.full(size, -np.inf)
    np.minimum.at(start, groups, times)
    np.maximum.at(end, groups, times)
    with np.errstate(divide="ignore", invalid="ignore"):
        w = np.where(silent[groups], 1.0, 1.0 / np.square(u))
        weight = total(w)
        centre, mean = total(w * times) / weight, total(w * values) / weight
        t, y = times - centre[groups], values - mean[groups]
        stt = total(w * t * t)
        slope = total(w * t * y) / stt
        rest = y - slope[groups] * t
        chi2 = total(w * rest * rest)
        usable = (count >= LEAST_READINGS) & (end > start) & (stt > 0.0)
        freedom = np.where(usable, count - 2.0, 1.0)
        u_stated = np.where(silent, np.nan, 1.0 / np.sqrt(stt))
        u_scatter = np.sqrt(chi2 / freedom / stt)
        widened = u_scatter * np.array([student(nu) for nu in freedom])
        expanded = COVERAGE_FACTOR * np.fmax(u_stated, widened)

    def where_usable(numbers: Array) -> Array:
        return np.where(usable, numbers, np.nan)

    return Lines(
        count,
        start,
        end,
        mean,
        centre,
        *(where_usable(x) for x in (slope, u_stated, u_scatter, expanded)),
    )
