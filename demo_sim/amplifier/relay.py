"""The output relay: closes some seconds after the rails are up, opens when they fall or on DC,
and, where the protection is faulty, when the output is loud for a while."""

from __future__ import annotations

import math

from demo_sim.amplifier.spec import RelaySpec

DC_TRIP_S = 0.2


class Relay:
    """State of one channel's relay; times in bench seconds.

    ``closes_at`` / ``opens_at`` are pending events (inf when none). ``closed_since`` and
    ``open_since`` tell when the present state began.
    """

    def __init__(self, spec: RelaySpec) -> None:
        self.spec = spec
        self.closed = False
        self.latched = False  # protection has acted; rails must go down to release it
        self.closes_at = math.inf
        self.opens_at = math.inf
        self.closed_since = math.inf
        self.open_since = 0.0
        self._dc_since = math.inf
        self._loud_since = math.inf
        self._lets_go = False  # it is too loud for the protection; not latched
        self._film_broken = False

    def observe(self, now: float, rails_up: bool, dc_v: float, load_a: float = 0.0) -> None:
        """Take note of rails, DC and the load's current (its mean magnitude) at ``now``; sets or
        cancels what is pending."""
        if not rails_up:
            self.latched = self._lets_go = False
            self.closes_at = math.inf
            self._dc_since = self._loud_since = math.inf
            if self.closed and math.isinf(self.opens_at):
                self.opens_at = now + self.spec.release_s
            return
        if abs(dc_v) <= self.spec.dc_trip_v:
            self._dc_since = math.inf
        elif math.isinf(self._dc_since):
            self._dc_since = now
        if now - self._dc_since >= DC_TRIP_S:
            self.latched = True
            if self.closed and math.isinf(self.opens_at):
                self.opens_at = now + self.spec.release_s
        if not (self.closed and load_a > self.spec.loud_a):
            self._loud_since = math.inf
        elif math.isinf(self._loud_since):
            self._loud_since = now
        if now - self._loud_since >= self.spec.loud_s and not self._lets_go:
            self._lets_go = True
            self.opens_at = now + self.spec.release_s
        if self.latched:
            self.closes_at = math.inf
        elif not self.closed and math.isinf(self.closes_at) and not self.spec.never_closes:
            self.closes_at = now + self.spec.pull_in_s
        elif self.closed and not self._lets_go:
            self.opens_at = math.inf  # the rails came back in time

    @property
    def calm(self) -> bool:
        """Whether it times nothing: while what it goes by stays, only its next event moves it."""
        return math.isinf(self._dc_since) and math.isinf(self._loud_since) and not self.dry

    @property
    def dry(self) -> bool:
        """Whether it has closed on a film that nothing has broken yet."""
        return self.closed and self.spec.dry_v > 0.0 and not self._film_broken

    def swung(self, volts: float) -> bool:
        """Take note of how far the stage swings about its mean; True when that broke the film."""
        if not (self.dry and volts > self.spec.dry_v):
            return False
        self._film_broken = True
        return True

    def mute(self, now: float, seconds: float) -> None:
        """Open at once and stay open for a while (an input was changed)."""
        if self.closed:
            self.opens_at = now
            self.act(now)
            self.closes_at = now + seconds
        elif not math.isinf(self.closes_at):
            self.closes_at = max(self.closes_at, now + seconds)

    def next_event(self) -> float:
        dc_event = self._dc_since + DC_TRIP_S if self.closed and not self.latched else math.inf
        loud_event = math.inf if self._lets_go else self._loud_since + self.spec.loud_s
        return min(self.closes_at, self.opens_at, dc_event, loud_event)

    def act(self, now: float) -> bool:
        """Carry out what is due; True when the contact moved."""
        if self.opens_at <= now:
            self.opens_at = math.inf
            self.closed, self.open_since = False, now
            self._lets_go, self._loud_since = False, math.inf
            return True
        if self.closes_at <= now:
            self.closes_at = math.inf
            self.closed, self.closed_since = True, now
            self._film_broken = False
            return True
        return False
