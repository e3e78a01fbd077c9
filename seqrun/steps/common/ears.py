"""Listening to all outputs at once while something else goes on: a soak."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from seqrun.errors import NotMeasured
from seqrun.measure.listening import NOTHING, Listened, listen_driven, listen_quiet
from seqrun.plan.context import Context
from seqrun.steps.common.contact import TONE_HZ, TONE_V, prove_contact
from seqrun.steps.common.drive import Drive, across

RECORD_S = 1.6  # between two records the trips are looked at
PER_CYCLE = 10  # samples of a tone
QUIET_HZ = 10e3  # samples per second without one
START_V, LEAST_V, ROOM = 0.5, 0.01, 4.0
REST_S = 1.0  # that a loop of listening and looking rests between two records


def key_of(step_id: str) -> str:
    """Under which a step keeps what it has heard."""
    return f"heard {step_id}"


class Ears:
    """The outputs of a unit, by the scope.

    Args:
        drive: what plays; None: the unit is at idle.
    """

    def __init__(self, ctx: Context, drive: Drive | None) -> None:
        self.ctx = ctx
        self.drive = drive
        self.channels = tuple(ctx.view.unit.channels)
        self.heard: dict[str, Listened] = dict.fromkeys(self.channels, NOTHING)
        self.deaf: dict[str, str] = {}
        #: of each record: the faintest crackle that it tells, V rms over 5 ms, and its length, s
        self.looks: dict[str, list[tuple[float, float]]] = {c: [] for c in self.channels}
        unit = ctx.view.unit
        # The terminals of a bridge on a single rail rest at half of it.
        self._coupling: Literal["DC", "AC"] = (
            "AC" if unit.bridged and unit.rails == "single" else "DC"
        )
        self._peak_v = START_V
        self._ranged = False
        self._probes = {c: ctx.view.scope_on(f"out.{c}")[:2] for c in self.channels}
        if drive is None:
            for channel in self.channels:
                self._prove(channel)

    @property
    def live_s(self) -> float:
        """How long the output that was listened to least was."""
        return min(
            (heard.live_s for c, heard in self.heard.items() if c not in self.deaf), default=np.inf
        )

    def heard_s(self, channel: str, faintest_v: float) -> float:
        """How long a crackle that faint would have been heard, s."""
        return math.fsum(seconds for least, seconds in self.looks[channel] if least <= faintest_v)

    def least_v(self, channel: str) -> float:
        """The faintest crackle that half of the records tell, V rms over 5 ms."""
        return float(np.median([least for least, _ in self.looks[channel]] or [0.0]))

    def _add(self, channel: str, one: Listened) -> None:
        self.heard[channel] += one
        self.looks[channel].append((one.least_v, one.live_s))

    def told(self) -> str:
        """What there was to hear, for people."""
        drops = sum(h.drop_outs for h in self.heard.values())
        crackles = sum(h.crackles for h in self.heard.values())
        return f"{drops} drop-outs, {crackles} crackles"

    def listen(self) -> None:
        """One record of every output."""
        if self.drive is not None:
            self._driven(self.drive)
        else:
            self._quiet()

    def _driven(self, drive: Drive) -> None:
        rate = self.ctx.scope.sample_rate_near(PER_CYCLE * drive.frequency_hz)
        points = min(round(RECORD_S * rate), self.ctx.scope.max_points)
        for channel, wave in drive.capture(rate_hz=rate, points=points).items():
            try:
                one = listen_driven(
                    wave.volts,
                    1.0 / wave.dt_s,
                    drive.frequency_hz,
                    step_v=wave.lsb_v,
                    clipped=wave.clipped,
                )
            except NotMeasured as reason:
                self.deaf[channel] = reason.found
                continue
            self._add(channel, one)

    def _quiet(self) -> None:
        self.ctx.poll()
        probes = [n for pair in self._probes.values() for n in pair if n is not None]
        points = min(round(RECORD_S * QUIET_HZ), self.ctx.scope.max_points)
        got = self.ctx.scope.acquire(
            dict.fromkeys(probes, self._peak_v),
            sample_rate_hz=QUIET_HZ,
            points=points,
            coupling=self._coupling,
        )
        waves = {c: across(got, *pair) for c, pair in self._probes.items()}
        top = max(float(np.abs(wave.volts).max()) for wave in waves.values())
        if not self._ranged and not any(wave.clipped for wave in waves.values()):
            self._peak_v, self._ranged = max(ROOM * top, LEAST_V), True
            return
        for channel, wave in waves.items():
            if wave.clipped:
                # What was quiet a moment ago and is beyond its range now has crackled.
                self._add(channel, Listened(0, 0.0, 1, top, wave.volts.size * wave.dt_s))
                continue
            try:
                self._add(channel, listen_quiet(wave.volts, 1.0 / wave.dt_s, step_v=wave.lsb_v))
            except NotMeasured as reason:
                self.deaf[channel] = reason.found
        if any(wave.clipped for wave in waves.values()):
            most = 1.2 * self.ctx.view.unit.largest_peak
            self._peak_v = min(10.0 * self._peak_v, most)
            self._ranged = self._peak_v >= most

    def _prove(self, channel: str) -> None:
        hot, cold, hookup = self.ctx.view.scope_on(f"out.{channel}")

        def loudness() -> float:
            got = self.ctx.scope.acquire(
                dict.fromkeys([n for n in (hot, cold) if n is not None], 3.0 * TONE_V),
                sample_rate_hz=50.0 * TONE_HZ,
                points=min(5000, self.ctx.scope.max_points),
                coupling=self._coupling,
            )
            return across(got, hot, cold).rms_v

        try:
            prove_contact(self.ctx, f"out.{channel}", hookup, loudness)
        except NotMeasured as reason:
            self.deaf[channel] = reason.found
