"""Whether a reading drifts from run to run, and which limit it is on its way to.

The straight line through the readings (:mod:`seqrun.measure.trend`) is held against what would
matter by the rule of two readings (:mod:`seqrun.judge.change`): it drifts when what it moved is
greater than its expanded uncertainty; it is steady when a movement that would matter is excluded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from seqrun.judge.change import SHARE, Change, classify, least_that_matters
from seqrun.values import Limit

if TYPE_CHECKING:
    from seqrun.measure.trend import StraightLine

#: a limit is foretold no further ahead than twice the time that was looked at; our own rule
AHEAD = 2.0


@dataclass(frozen=True, slots=True)
class Drift:
    """What can be said of a line. Times in s since 1970, values in the reading's unit."""

    change: Change | None  # None: too few readings for a line
    matters: float  # the least movement that matters
    slight: bool = False  # it drifts, and certainly by less than matters
    reaches: tuple[float, float] | None = None  # the limit ahead, and when it is met


def drift(
    line: StraightLine | None,
    limit: Limit | None,
    unit: str,
    values: Sequence[float] = (),
    share: float = SHARE,
) -> Drift:
    """What a line through readings says.

    Args:
        limit: what the latest reading is held against, in ``unit``.
        values: the largest and the smallest reading, for one without a limit.
        share: of what the limit allows, that a movement must reach before it matters.

    Raises:
        UsageError: ``share`` is not more than 0 and at most 1.
    """
    matters = least_that_matters(limit, unit, values, share)
    if line is None or not math.isfinite(line.slope):
        return Drift(None, matters)
    change = classify(line.moved, line.moved, line.expanded_moved, matters)
    slight = change is Change.CHANGED and abs(line.moved) + line.expanded_moved <= matters
    ahead = change is Change.CHANGED and not slight
    return Drift(change, matters, slight, _reaches(line, limit) if ahead else None)


def _reaches(line: StraightLine, limit: Limit | None) -> tuple[float, float] | None:
    """The limit that the line runs into, and when; None when there is none ahead."""
    if limit is None or not line.slope:
        return None
    side = limit.high if line.slope > 0.0 else limit.low
    if side is None:
        return None
    ahead = (side - line.at(line.end)) / line.slope
    if not 0.0 < ahead <= AHEAD * (line.end - line.start):
        return None
    return side, line.end + ahead
