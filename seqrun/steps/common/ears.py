"""Listening to all outputs at once while something else goes on: a soak.

An output at idle is as silent as a lead that has come off: a tone is given now and then, and at the
end. One that plays and falls silent has dropped out; if it stays so to the end, nothing tells an
output that has gone dead from a lead that is off.
"""

from __future__ import annotations

import math
from functools import partial
from typing import Literal

import numpy as np

from seqrun.errors import NotMeasured
from seqrun.measure.listening import NOTHING, Listened, listen_driven, listen_quiet
from seqrun.plan.context import Context
from seqrun.steps.common.contact import loudness_at, prove_contact
from seqrun.steps.common.drive import SEEN, Drive, Waveform, across

RECORD_S = 1.6  # between two records the trips are looked at
PER_CYCLE = 10  # samples of a tone
QUIET_HZ = 10e3  # samples per second without one
START_V, LEAST_V, ROOM = 0.5, 0.01, 4.0
#: of listening at idle, s, until a tone shows once more that the leads are there
PROVED_EVERY_S = 300.0
REST_S = 0.1  # that a loop of listening and looking rests between two records


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
        #: of each record in turn, which tells crackles from its ``least_v`` on
        self.records: dict[str, list[Listened]] = {c: [] for c in self.channels}
        unit = ctx.view.unit
        # The terminals of a bridge on a single rail rest at half of it.
        self._coupling: Literal["DC", "AC"] = (
            "AC" if unit.bridged and unit.rails == "single" else "DC"
        )
        self._peak_v = START_V
        self._ranged = False
        self._began = self._proved_at = ctx.clock.now()
        self._probes = {c: ctx.view.scope_on(f"out.{c}")[:2] for c in self.channels}
        self._plays_v: dict[str, float] = {}  # by channel, as the first record had it
        self._gone: dict[str, float] = {}  # channels that have fallen silent, and when
        if drive is None:
            self._prove(again=False)

    @property
    def live_s(self) -> float:
        """How long the output that was listened to least was."""
        return min(
            (heard.live_s for c, heard in self.heard.items() if c not in self.deaf), default=np.inf
        )

    def heard_s(self, channel: str, faintest_v: float) -> list[float]:
        """For how long a crackle that faint would have been heard in each record, s."""
        return [one.live_s if one.least_v <= faintest_v else 0.0 for one in self.records[channel]]

    def heard_all(self, faintest_v: float) -> float:
        """The same in all records together, of the output where it is least, s."""
        return min(
            (math.fsum(self.heard_s(c, faintest_v)) for c in self.channels if c not in self.deaf),
            default=math.inf,
        )

    def least_v(self, channel: str) -> float:
        """The faintest crackle that half of the records tell, V rms over 5 ms."""
        return float(np.median([one.least_v for one in self.records[channel]] or [0.0]))

    @property
    def least(self) -> float:
        """The same, of the output where it is largest."""
        return max(self.least_v(channel) for channel in self.channels)

    def _add(self, channel: str, one: Listened) -> None:
        self.heard[channel] += one
        self.records[channel].append(one)

    def told(self) -> str:
        """What there was to hear, for people."""
        drops = sum(h.drop_outs for h in self.heard.values())
        crackles = sum(h.crackles for h in self.heard.values())
        return f"{drops} drop-outs, {crackles} crackles"

    def listen(self) -> None:
        """One record of every output."""
        if self.drive is not None:
            self._driven(self.drive)
            return
        if self.ctx.clock.now() - self._proved_at >= PROVED_EVERY_S:
            self._prove(again=True)
        self._quiet()

    def finish(self) -> None:
        """After the last record: whether all was heard through leads that are still there."""
        if self.drive is None:
            self._prove(again=True)
        for channel, at in self._gone.items():
            self.deaf.setdefault(
                channel,
                f"the tone at out.{channel} went away {at:.0f} s after the listening began and did "
                "not come back: an output that has gone dead, or a lead that is off",
            )

    def _driven(self, drive: Drive) -> None:
        rate = self.ctx.scope.sample_rate_near(PER_CYCLE * drive.frequency_hz)
        points = min(round(RECORD_S * rate), self.ctx.scope.max_points)
        waves = drive.capture(rate_hz=rate, points=points, may_be_silent=True)
        for channel, wave in waves.items():
            if self._silent(channel, wave):
                continue
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

    def _silent(self, channel: str, wave: Waveform) -> bool:
        """Whether a whole record holds no tone: a drop-out as long as it lasts."""
        rms = wave.rms_v
        if not rms < SEEN * self._plays_v.setdefault(channel, rms):
            self._gone.pop(channel, None)
            return False
        seconds = wave.volts.size * wave.dt_s
        begins = channel not in self._gone
        self._gone.setdefault(channel, self.ctx.clock.now() - self._began)
        self._add(channel, Listened(int(begins), seconds, 0, 0.0, seconds))
        return True

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

    def _prove(self, *, again: bool) -> None:
        for channel, (hot, cold) in self._probes.items():
            if channel in self.deaf:
                continue
            hookup = self.ctx.view.scope_on(f"out.{channel}")[2]
            loudness = partial(loudness_at, self.ctx, hot, cold)
            try:
                prove_contact(self.ctx, f"out.{channel}", hookup, loudness, again=again)
            except NotMeasured as reason:
                self.deaf[channel] = reason.found
        self._proved_at = self.ctx.clock.now()
