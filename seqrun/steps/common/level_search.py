"""The level that a generator is set to next, from what its last ones gave."""

from __future__ import annotations

from collections.abc import Sequence

APART = 0.05  # two levels that tell a slope differ by so much of the larger
#: times what the last ratio says: beyond these a slope is not believed. Above them an output gives
#: less and less the more it is given, and is not driven harder for it.
LEAST, MOST = 0.5, 1.1
#: how much more gain than was thought is tried when an output is beyond the scope's range
LOUDER = 4.0


def next_level(seen: Sequence[tuple[float, float]], wanted_v: float) -> float:
    """The level at which an output should give ``wanted_v``.

    By the ratio of the last reading; by the line through the last two where they tell one: a
    generator of millivolts is off by a fixed amount, and what feeds it back is not in proportion.

    Args:
        seen: (level, output) as they were set and read, V, the latest last; an output of 0 says
            nothing. At least the last one says something.
    """
    told = [(level, volts) for level, volts in seen if volts > 0.0 and level > 0.0]
    level, volts = told[-1]
    by_ratio = wanted_v * level / volts
    for before, then in reversed(told[:-1]):
        if abs(level - before) > APART * max(level, before):
            slope = (volts - then) / (level - before)
            by_line = level + (wanted_v - volts) / slope if slope > 0.0 else 0.0
            believed = LEAST * by_ratio < by_line < MOST * by_ratio
            return by_line if believed else by_ratio
    return by_ratio


def lower_level(seen: Sequence[tuple[float, float]], level: float) -> float:
    """The level to go down to from one at which an output was beyond the scope's range.

    Half way to what was seen whole, where something was: at millivolts an output seems to have far
    less gain than it has, and who goes back to that level learns nothing new.

    Args:
        seen: as :func:`next_level`. level: that was too much, V.
    """
    under = max((at for at, volts in seen if volts > 0.0 and at < level), default=0.0)
    return 0.5 * (under + level) if under > 0.0 else level / LOUDER
