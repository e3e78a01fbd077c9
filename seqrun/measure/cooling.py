"""Output devices told apart by cooling one case after another, from the current of all of them.

At idle a bipolar device that is cooled by some kelvins gives up a part of what it carries (its
base-emitter voltage rises by about 2 mV/K, and what drives it stays), so the current of the whole
unit falls in proportion to what that one device carried. One that carries nothing changes nothing;
one that takes more than its neighbours drops more. No hand cools two cases alike: a fall is held
against those of its neighbours, and tells a dead device from one that works, not a share of current
to a few percent.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.uncertain import mean
from seqrun.quantity import render
from seqrun.values import COVERAGE_FACTOR, rectangular

#: by how much two cases may differ in how far they were cooled: of a fall, ± (our own choice, for
#: one pair of hands, one cold block and one time, and joints to the heatsink that differ by half)
UNLIKE = 0.3
#: the heatsink cools a little with each case, and all devices with it: this part of a usual fall,
#: ±, is none of the device's own (by the simulated heat of units of 2 × 25 W and 2 × 40 W)
OF_SINK = (0.1, 0.1)
#: a neighbour that falls by less than this part of what is usual is no measure for others
ALIKE = 0.25


@dataclass(frozen=True, slots=True)
class Cooled:
    """The current of the whole unit, A, before a case was cooled, while it was cold, and once it
    had gone back, and when each was read, s."""

    before: UFloat
    cold: UFloat
    after: UFloat
    times: tuple[float, float, float]

    @property
    def moved(self) -> float:
        """How far the current has not come back, A: drift of the whole, or a case still cold."""
        return abs(float((self.after - self.before).nominal_value))

    @property
    def fall(self) -> UFloat:
        """How far the current fell while the case was cold, A, from where it would have been.

        Where that was lies on the line from before to after; how far from it, half of what the two
        differ by bounds (rectangular).
        """
        first, at, last = self.times
        gone = (at - first) / (last - first)
        line = self.before + (self.after - self.before) * gone
        drift = rectangular(0.0, 0.5 * self.moved, "drift of the current while a case was cold")
        return line + drift - self.cold


@dataclass(frozen=True, slots=True)
class Compared:
    """A device's fall over the mean of its neighbours', less one (0: alike, -1: nothing); None
    where ``why`` says that it cannot be told."""

    share: UFloat | None
    why: str = ""


def compared(cooled: Sequence[Cooled], banks: Sequence[str]) -> list[Compared]:
    """Each device's fall against the mean of those beside it in parallel.

    Only neighbours that fall about as others do are a measure. Where none of a bank does, or a
    device is alone in its bank, all others of the unit are.

    Assumes that all cases were cooled for the same time by the same means, within ``UNLIKE``, and
    that the devices are bipolar and idle at a current of their own: of one biased where heat
    does not change its current nothing is seen.

    Args:
        cooled: one for each device, in the order in which they were cooled.
        banks: which devices are in parallel: those of one name.

    Raises:
        NotMeasured: fewer than two devices, or no fall of any is beyond its uncertainty.
    """
    if len(cooled) < 2:
        raise NotMeasured(f"{len(cooled)} device", expected="at least two, to be compared")
    seen = [one.fall for one in cooled]
    told = [float(fall.nominal_value) for fall in seen if _beyond(fall)]
    if not told:
        most = max(float(fall.nominal_value) for fall in seen)
        raise NotMeasured(
            f"the current falls by {render(max(most, 0.0), 'A', digits=2)} at the most, whichever "
            "case is cold: no more than its uncertainty",
            expected="devices that idle at a current of their own, read finely enough",
            hint="cool longer, let the unit warm up and settle first, or read a finer ammeter",
        )
    usual = statistics.median(told)
    of_sink = usual * rectangular(*OF_SINK, "heatsink that cools with a case")
    falls = [
        fall * (1.0 + rectangular(0.0, UNLIKE, "how far each case was cooled")) - of_sink
        for fall in seen
    ]
    measures = [_beyond(f) and float(f.nominal_value) >= ALIKE * usual for f in seen]
    return [_one(number, cooled, falls, measures, banks) for number in range(len(cooled))]


def _beyond(fall: UFloat) -> bool:
    return float(fall.nominal_value) > COVERAGE_FACTOR * float(fall.std_dev)


def _one(
    number: int,
    cooled: Sequence[Cooled],
    falls: Sequence[UFloat],
    measures: Sequence[bool],
    banks: Sequence[str],
) -> Compared:
    others = [n for n in range(len(cooled)) if n != number and measures[n]]
    beside = [n for n in others if banks[n] == banks[number]] or others
    if not beside:
        return Compared(None, "no other case makes the current fall: nothing to hold it against")
    usual = mean([falls[n] for n in beside])
    amperes = float(usual.nominal_value)
    if cooled[number].moved > amperes:
        return Compared(
            None,
            f"the current came back {render(cooled[number].moved, 'A', digits=2)} away from where "
            f"it was, and a neighbour makes it fall by {render(amperes, 'A', digits=2)}: it "
            "drifts, or the case was still cold",
        )
    return Compared(falls[number] / usual - 1.0)
