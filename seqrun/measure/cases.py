"""Output devices told apart by the warmth of their cases, each felt for itself by one probe.

A case stands above its heatsink by the heat of its device times the joint between the two, and gets
there within seconds, while the heatsink takes minutes. So with one probe, moved from case to case,
each device is driven and left at rest again under the probe, and only what the case does within
those seconds is taken: the probe's own error is the same before and after and cancels but for its
slope; what it loses by touching badly counts in proportion to these few kelvins alone; the
heatsink's own drift is read while the unit is at rest and taken off.

Two tones are played: a large one, whose heat all devices in parallel share alike where their
ballasts or their own feedback make them, and a small one, about as large as the idle current. The
warmth by the large tone tells joint and heat together. That by the small one over that by the large
one no longer holds the joint, nor how the probe touches.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.values import COVERAGE_FACTOR, rectangular

#: how well the heatsink's own warming is told from the case's: of what was taken off (our own
#: choice; by the simulated heat of units of 2 × 25 W and 2 × 40 W it is within 3 %)
TAKEN_OFF = 0.05
#: by how many seconds of its warming a case has less of it, when a tone ends, than the heatsink has
#: taken up by a moment later, ±: case and probe are behind the heatsink, and what the cases hold by
#: then still goes into it; so twice 8 J/K on 0.4 to 1 K/W, and a small probe of 3 to 5 s
#: (from memory)
BEHIND_S = (15.0, 6.0)
#: a heatsink's time constant, s, between which and which (common practice): its drift at rest dies
#: away with it, and was larger at the end of the small tone than when it is read
TAU_S = (300.0, 900.0)
#: a probe that touches shows at least this part of what it shows, on the cases before and after, of
#: the metal's warmth over the room
TOUCHES = 0.4
#: and one that warms by at least this part of what is usual is taken to be felt
ALIKE = 0.5
#: less than this part of what is usual is no warming that shows a probe to be on its case
FAINT = 0.2
#: least warmth of the metal over the room by which a probe in the air is told from one on it, K
TOLD_APART_K = 3.0
#: a case at rest that moves otherwise than its neighbours, in the time of a tone, by more than this
#: part of its rise has not settled
STILL = 0.1
TURNS = 4  # of working out heat and drift, each with the other: they hardly lean on one another


@dataclass(frozen=True, slots=True)
class Visit:
    """What a probe showed on one case, °C, and when, s, five times: at rest before the tones, at
    the end of the large tone, at the end of the small one that follows at once, at rest as long
    after that, and at rest later still."""

    celsius: tuple[UFloat, ...]
    times: tuple[float, ...]

    @property
    def rest(self) -> UFloat:
        return self.celsius[0]

    @property
    def large(self) -> UFloat:
        return self.celsius[1]

    @property
    def small(self) -> UFloat:
        return self.celsius[2]

    @property
    def calm(self) -> UFloat:
        return self.celsius[3]

    @property
    def drift(self) -> UFloat:
        """Of case and heatsink at rest, K/s."""
        return (self.celsius[4] - self.celsius[3]) / (self.times[4] - self.times[3])


@dataclass(frozen=True, slots=True)
class Warmth:
    """How much warmer a case got over its heatsink, K, by the large tone and by the small one;
    ``small`` is None where the case had not settled."""

    large: UFloat
    small: UFloat | None


def warmths(visits: Sequence[Visit], contact: float) -> list[Warmth]:
    """What each case did by itself.

    Assumes that all visits keep the same rhythm and the same tones, that a case settles within the
    time that a tone is held (about five seconds for one of 8 J/K on 0.6 K/W), and that the heat of
    all of them goes into one heatsink. The large tone is taken from its beginning, so a case that
    has not yet settled at its end reads too little, and still far more than its neighbours; the
    small one from its end, where the heatsink no longer takes up any heat.

    Args:
        visits: in the order in which they were made.
        contact: which part of a rise the probe may lose or gain where it is put (rectangular).

    Raises:
        NotMeasured: fewer than two cases.
    """
    if len(visits) < 2:
        raise NotMeasured(f"{len(visits)} case", expected="at least two, to be compared")
    touches = [rectangular(0.0, contact, "contact of the probe, as it was put") for _ in visits]
    drifts = [_heatsink(visits, k) for k in range(len(visits))]
    small = [_small(visit, drift) for visit, drift in zip(visits, drifts, strict=True)]
    told = [float(s.nominal_value) for s in small if s is not None]
    by_small = max(statistics.median(told), 0.0) if told else 0.0
    taken_up = statistics.median(
        float((v.calm - v.rest - d * (v.times[3] - v.times[0])).nominal_value)
        for v, d in zip(visits, drifts, strict=True)
    )
    part = 1.0  # of what the heatsink takes up, by the large tone
    rises: list[UFloat] = []
    behind = rectangular(*BEHIND_S, "how far case and probe are behind the heatsink")
    for _ in range(TURNS):
        rises = [
            v.large
            - v.rest
            - d * (v.times[1] - v.times[0])
            - max(taken_up, 0.0) * part * (1.0 - behind / (v.times[1] - v.times[0]))
            for v, d in zip(visits, drifts, strict=True)
        ]
        by_large = statistics.median(float(rise.nominal_value) for rise in rises)
        part = by_large / (by_large + by_small) if by_large > 0.0 else 1.0
    found = []
    for visit, drift, touch, rise, s in zip(visits, drifts, touches, rises, small, strict=True):
        held = abs(float(drift.nominal_value)) * (visit.times[1] - visit.times[0])
        off = TAKEN_OFF * (max(taken_up, 0.0) * part + held)
        if s is not None:
            s = s + max(taken_up, 0.0) * (1.0 - part) / (visit.times[2] - visit.times[1]) * behind
        found.append(
            Warmth((rise + _error(off)) * (1.0 + touch), None if s is None else s * (1.0 + touch))
        )
    return found


def _heatsink(visits: Sequence[Visit], number: int) -> UFloat:
    """The heatsink's drift at a visit, K/s: what the case shows at rest; of a case that is itself
    still moving, what the middle one of three that follow one another shows."""
    first = min(max(number - 1, 0), max(len(visits) - 3, 0))
    three = sorted(visits[first : first + 3], key=lambda v: float(v.drift.nominal_value))
    own, usual = visits[number], three[len(three) // 2].drift
    return usual if _moves(own, usual) else own.drift


def _moves(visit: Visit, usual: UFloat) -> bool:
    """Whether a case has not settled when it is at rest."""
    apart = visit.drift - usual
    seconds = visit.times[3] - visit.times[2]
    most = STILL * abs(float((visit.large - visit.rest).nominal_value))
    return abs(float(apart.nominal_value)) * seconds > most + COVERAGE_FACTOR * float(
        apart.std_dev * seconds
    )


def _small(visit: Visit, drift: UFloat) -> UFloat | None:
    """What the case falls by when the small tone ends, less what the heatsink does meanwhile."""
    if _moves(visit, drift):
        return None
    seconds = visit.times[3] - visit.times[2]
    before = 0.5 * (visit.times[4] - visit.times[2])  # from middle to middle
    low, high = sorted(math.exp(before / tau) for tau in TAU_S)
    drift = drift * rectangular(
        0.5 * (low + high), 0.5 * (high - low), "how the heatsink's drift dies away"
    )
    return visit.small - visit.calm + drift * seconds


def _error(half_k: float) -> UFloat:
    return rectangular(0.0, half_k, "what the heatsink itself took up")


def departures(values: Sequence[UFloat | None]) -> list[UFloat | None]:
    """How far each is from the middle one of the others, as a ratio of that; 0: alike, -1: nothing.

    The middle one, and not the mean: one that stands out must not make its neighbours stand out to
    the other side. Of an even number of others it is the lower of the two in the middle; those that
    are nothing beyond their uncertainty are no measure for others. None for None, and for one that
    has no others. Of two that differ, which is the odd one cannot be told: both stand out.

    Raises:
        NotMeasured: fewer than two, or all are nothing beyond their uncertainty.
    """
    there = [v for v in values if v is not None]
    if len(there) < 2:
        raise NotMeasured(f"{len(there)} case", expected="at least two, to be compared")
    warm = [v for v in there if float(v.nominal_value) > COVERAGE_FACTOR * float(v.std_dev)]
    if not warm:
        most = max(float(v.nominal_value) for v in there)
        raise NotMeasured(
            f"no case gets warmer by more than its uncertainty: {most:.2g} at the most",
            expected="cases that get warmer when the unit is driven",
            hint="hold the probe on the metal of each case; more power tells more",
        )
    found: list[UFloat | None] = []
    for value in values:
        others = sorted((v for v in warm if v is not value), key=lambda v: float(v.nominal_value))
        if value is None or not others:
            found.append(None)
        else:
            found.append(value / others[(len(others) - 1) // 2] - 1.0)
    return found


def untouched(visits: Sequence[Visit], heat: Sequence[Warmth], room: UFloat) -> list[str]:
    """For each visit why its probe may not have been on its case; "" where it was.

    A case that gets warmer with the tone, about as its neighbours do, shows by itself that it is
    felt. One that does not, or by much less, is that of a dead device, or is felt badly or not at
    all: the metal's warmth over the room tells them apart, where there is enough of it.

    Args:
        room: °C, by any thermometer.
    """
    usual = statistics.median(float(one.large.nominal_value) for one in heat)
    over = [visit.rest - room for visit in visits]
    found = []
    for k, one in enumerate(heat):
        large = float(one.large.nominal_value)
        seen = large > max(COVERAGE_FACTOR * float(one.large.std_dev), FAINT * usual)
        if seen and large >= ALIKE * usual:
            found.append("")
            continue
        beside = [float(over[n].nominal_value) for n in (k - 1, k + 1) if 0 <= n < len(over)]
        metal, shows = statistics.fmean(beside), float(over[k].nominal_value)
        known = metal >= TOLD_APART_K + COVERAGE_FACTOR * float(over[k].std_dev)
        if known and shows < TOUCHES * metal:
            found.append(
                f"the probe shows {shows:.2g} K over the room, and on the cases before and after "
                f"{metal:.2g} K: it does not touch, or hangs in the air"
            )
        elif not seen and not known:
            found.append(
                "the case does not get warmer, and the metal is too cool to tell a dead device "
                "from a probe that is not on its case"
            )
        else:
            found.append("")
    return found
