"""How a whole stage's current moves while its devices are read one after another.

Devices cool or warm meanwhile, so that the last of them is read at another heat than the first. The
supply's read-back tells by how much all of them together have changed; each is taken to have its
even share in that, and 15 % of it are uncertain (our own choice: parts of one heatsink).
"""

from __future__ import annotations

import math
from statistics import fmean

from uncertainties import UFloat

from seqrun.measure.uncertain import scatter_of_mean, variable
from seqrun.plan.context import Context
from seqrun.values import exactly, rectangular

LOOKS = 3  # of the supply's read-back before and after each reading
UNLIKE = 0.15
_OF, _FIRST = "stage current at ", "stage current at the first of "


class Moment:
    """The stage's current about one reading, A, all rails together."""

    def __init__(self, ctx: Context) -> None:
        view = ctx.view
        self._ctx = ctx
        told = view.has("supply") and not view.by_hand("supply") and not ctx.own_mains
        self._outputs = list(view.rails.values()) if told else []
        self._looks: list[list[float]] = []

    def look(self) -> None:
        """Read the supply, before the reading and after it; of no effect where no remote supply
        feeds the unit."""
        if self._outputs:
            each = range(LOOKS)
            raw = self._ctx.supply.current_raw
            self._looks.append([sum(raw(n) for n in self._outputs) for _ in each])

    def keep(self, step_id: str) -> None:
        """Keep it for that reading, and as the moment of its family where it is the first."""
        if not self._looks:
            return
        middle = sum(map(fmean, self._looks)) / len(self._looks)
        u = math.hypot(*map(scatter_of_mean, self._looks)) / len(self._looks)
        amperes = variable(middle, u, "stage current meanwhile")
        self._ctx.keep(_OF + step_id, amperes)
        if self._ctx.kept(_FIRST + family(step_id)) is None:
            self._ctx.keep(_FIRST + family(step_id), amperes)


def family(step_id: str) -> str:
    """What the ids of steps that are done one after another have in common."""
    return step_id.partition(".")[0]


def to_the_first(ctx: Context, step_id: str) -> UFloat | None:
    """What a device's current would have read more at the moment of the first of its family, A;
    None where nothing tells."""
    now, first = ctx.kept(_OF + step_id), ctx.kept(_FIRST + family(step_id))
    if not (isinstance(now, UFloat) and isinstance(first, UFloat)):
        return None
    if now is first:
        return exactly(0.0)
    devices = 0.5 * len(ctx.view.rails) * len(list(ctx.view.unit.ballasts()))
    more = (first - now) / devices
    half = UNLIKE * abs(float(more.nominal_value))
    return more + rectangular(0.0, half, "devices that do not cool alike")
