"""A rise over the room as it is being recorded, and what can be said of its end."""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass

import numpy as np
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.cooling_down import seconds_until
from seqrun.measure.heat import (
    SETTLED_OVER_S,
    SETTLED_WITHIN_K,
    RisePrediction,
    SettledRise,
    climb_by,
    drift_carried,
    predict_rise,
    predicted_end,
    settled_end,
    settled_rise,
    still_climbing,
)
from seqrun.plan.context import Indication
from seqrun.values import COVERAGE_FACTOR, Limit

#: of a current, up to the limit of the rise: so much more heat leaves a saturating curve what it is
#: (our own choice; a stage runs away where each kelvin brings another one)
LITTLE_CLIMB = 0.2


class RiseCurve:
    """A rise over ambient and what is drawn, as they are being recorded (s, K, A)."""

    def __init__(self, begun: float = 0.0) -> None:
        """Args:
        begun: bench time at which its time is 0, s.
        """
        self.begun = begun
        self.times: list[float] = []
        self.rises: list[float] = []
        self.amperes: list[float] = []
        self._latest: RisePrediction | None = None

    def indication(self) -> Indication:
        """The rise as it is, and where the latest fit saw it end."""
        rise, fit = self.rises[-1], self._latest
        if fit is None:
            return Indication("rise", rise, "K", judged=True)
        end, tau = fit.end_k, float(fit.tau_s.nominal_value)
        return Indication(
            "rise", rise, "K", True, float(end.nominal_value), float(end.std_dev), tau
        )

    def add(self, time_s: float, rise_k: float, amperes: float) -> None:
        self.times.append(time_s)
        self.rises.append(rise_k)
        self.amperes.append(amperes)

    def without(self, k_per_s: float, since_s: float) -> RiseCurve:
        """The curve over a room that has drifted evenly, and not over what it was at first.

        Args:
            since_s: from the first reading of the room to the beginning of the record.
        """
        found = RiseCurve(self.begun)
        for time, rise, amperes in zip(self.times, self.rises, self.amperes, strict=True):
            found.add(time, rise - k_per_s * (time + since_s), amperes)
        return found

    def prediction(self, systematic: UFloat | None = None) -> RisePrediction | None:
        """The fitted end value, None while the curve does not bend enough to have one."""
        try:
            times, rises = np.array(self.times), np.array(self.rises)
            self._latest = predict_rise(times, rises, systematic=systematic)
        except NotMeasured:
            self._latest = None
        return self._latest

    def end(self, systematic: UFloat, drift_k_per_s: UFloat, since_s: float) -> UFloat | None:
        """Where the rise ends, by the whole of the record, else by its last half hour; None where
        neither tells, or it does not tell what a drift of the room makes of it.

        The last half hour alone takes the slower part of a rise, which is all that it sees, for the
        only one, and knows nothing of a still slower one.

        Args:
            systematic: as :func:`predict_rise`; the drift of the room until now is in it.
            drift_k_per_s: of the room, an even one. since_s: from the reading of the room to the
                beginning of the record.
        """
        if (prediction := self.prediction(systematic)) is not None:
            found, way = prediction.end_k, predicted_end
        elif (settled := self.settling(systematic)) is not None:
            found, way = settled.rise_k, settled_end
        else:
            return None
        try:
            carried = drift_carried(np.array(self.times), np.array(self.rises), since_s, way)
        except NotMeasured:
            return None
        return found + drift_k_per_s * max(carried - (self.times[-1] + since_s), 0.0)

    def settling(self, systematic: UFloat | None = None) -> SettledRise | None:
        """Whether it has levelled off, None while the record is too short to say."""
        if self.times[-1] - self.times[0] < SETTLED_OVER_S:
            return None
        try:
            return settled_rise(np.array(self.times), np.array(self.rises), systematic=systematic)
        except NotMeasured:
            return None

    def predicted(self, within_k: float) -> bool:
        """The end value is known within ``within_k`` (k = 2) by the fit alone."""
        found = self.prediction()
        return found is not None and COVERAGE_FACTOR * float(found.end_k.std_dev) <= within_k

    def climbs_on(self, high_k: float | None) -> bool:
        """Whether what is drawn climbs without slowing down, so that no end of the rise is known
        yet. A climb that makes little more heat even where the rise meets its limit is none.

        Args:
            high_k: the limit; None: none.
        """
        if not still_climbing(self.times, self.amperes):
            return False
        if high_k is None:
            return True
        try:
            share = climb_by(self.times, self.rises, self.amperes, high_k)
        except NotMeasured:
            return True
        most = share.nominal_value + COVERAGE_FACTOR * share.std_dev
        return bool(most > LITTLE_CLIMB)

    def decided(self, limit: Limit | None, apart_k: float, seen: float) -> bool:
        """The guarded verdict on the end value cannot change any more, and what is past of the
        rise is enough; a rise that will be too large need not be waited for.

        Args:
            apart_k: standard uncertainty that all readings share. seen: share of the final rise.
        """
        found = self.prediction()
        if found is None:
            return False
        end = float(found.end_k.nominal_value)
        guard = COVERAGE_FACTOR * math.hypot(float(found.end_k.std_dev), apart_k)
        high = limit.high if limit is not None else None
        if high is not None and end - guard > high:
            return True
        return (high is None or end + guard <= high) and self.rises[-1] >= seen * end

    def to_share(self, seen: float, high_k: float | None) -> tuple[float, float]:
        """The rise, K, that is a share of where this one ends, and the time that it takes to get
        there, s, as the fit has it; what it has come to, and no time, where the end is not known or
        beyond its limit.

        Args:
            high_k: the limit; None: none.
        """
        found, now = self.prediction(), self.rises[-1]
        if found is None:
            return now, 0.0
        end = float(found.end_k.nominal_value)
        target = seen * end
        if target <= now or (high_k is not None and end > high_k):
            return now, 0.0
        # What is left to its end shrinks as the rise of a sink that cools does.
        tau = float(found.tau_s.nominal_value)
        return target, seconds_until(end - now, end - target, tau)

    def settled(self) -> bool:
        # The change itself first: what still moves by more needs no statistics to say so.
        before = bisect.bisect_left(self.times, self.times[-1] - SETTLED_OVER_S)
        if abs(self.rises[-1] - self.rises[before]) > 1.2 * SETTLED_WITHIN_K:
            return False
        found = self.settling()
        return found is not None and found.settled


@dataclass(frozen=True)
class OverTheRoom:
    """A rise over the room: its curve, what it is now, what the room may drift by, and the words
    for how the room was read."""

    curve: RiseCurve
    now: UFloat
    drift_k_per_h: UFloat
    told: str = ""
