"""What the generators of a bench can give, as their driver files say."""

from __future__ import annotations

import math

from seqrun.plan.view import BenchView


def plays_bursts(view: BenchView) -> bool:
    """Whether this bench's generator can play bursts."""
    return view.drivers[view.key("generator")].can("burst")


def most_level(view: BenchView) -> float:
    """The highest level that every generator of a bench gives, V rms: as its driver file says, or
    as far as its accuracy is stated; infinite where neither tells."""
    found = [math.inf]
    for key in view.keys("generator"):
        driver = view.drivers[key]
        told = None if driver.generator is None else driver.generator.most_level
        ranges = [row.range for row in driver.rows.get("level", ()) if row.range is not None]
        found.append(told or max(ranges, default=math.inf))
    return min(found)


def least_level(view: BenchView) -> float:
    """The smallest sine that every generator of a bench gives, V rms; 0 where no driver tells."""
    told = [view.drivers[key].generator for key in view.keys("generator")]
    return max((one.least_level or 0.0 for one in told if one is not None), default=0.0)
