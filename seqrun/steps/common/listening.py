"""Watching one point with the scope, and the scope itself beside it: what quiet things need.

The smallest range that holds the signal is found first. Where a probe is spare, it sits on ground
and is captured on the same range at the same time: what it reads is the scope's own noise, and
goes into each reading as its floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import quantisation_rms
from seqrun.measure.noise import NoiseLevel, noise_level
from seqrun.measure.pick_up import mains_of, without
from seqrun.measure.spectrum import power_spectrum
from seqrun.measure.weighting import BAND_HZ, Weighting, power_weights
from seqrun.measure.windows import HANN
from seqrun.plan.context import Context
from seqrun.plan.needs import Hookup, Needs, ScopeRecord
from seqrun.plan.view import BenchView
from seqrun.steps.common.contact import channels_proved, loudness_at, prove_contact, prove_rail
from seqrun.steps.common.drive import Waveform, across
from seqrun.values import rectangular

Array = NDArray[np.float64]
START_V = 0.5  # largest magnitude that is looked for first
LEAST_V = 0.01
ROOM = 2.5  # between what was seen and the range: bursts rise above what was there before
#: another channel of one scope has about the same noise as this one (common practice)
ALIKE = 0.25
ALIKE_LEADS = 2.0
#: a scope's own noise where no probe is spare to see it: up to so many steps of its converter, over
#: the whole of its band (our own choice)
UNSEEN_STEPS = 3.0
MAINS_HZ = 55.0  # between 50 Hz and 60 Hz, for a weighting


def unseen_v(wave: Waveform, band_hz: float) -> float:
    """The most that a scope's own noise is taken for where nothing has shown it, V rms in a band:
    steps of the converter (lsb/√12 is the least that it can be, IEEE 1241)."""
    steps = UNSEEN_STEPS * math.sqrt(12.0)
    return quantisation_rms(steps * wave.lsb_v, band_hz, 1.0 / wave.dt_s)


def spare_probe(view: BenchView, but: tuple[int | None, ...] = ()) -> int | None:
    """A scope channel that no lead is fixed to and that ``but`` does not name."""
    scope = view.key("scope")
    for n in range(1, view.drivers[scope].channels + 1):
        if view.fixed.get(f"{scope}.{n}", "ground") == "ground" and n not in but:
            return n
    return None


def on_ground(view: BenchView, number: int) -> Hookup:
    """A probe's tip on ground, where its clip is."""
    scope = view.key("scope")
    return Hookup(
        ((f"{scope}.{number}", "ground"),),
        f"scope {scope}.{number} probe tip to ground, beside its own clip: it reads the scope's "
        "own noise",
    )


def listening_hookups(view: BenchView, at: str) -> tuple[Hookup, ...]:
    """The probe on the point, and the spare one on ground."""
    hot, cold, hookup = view.scope_on(at)
    spare = spare_probe(view, (hot, cold))
    return (hookup, on_ground(view, spare)) if spare is not None else (hookup,)


def listening_needs(
    view: BenchView,
    at: str,
    seconds: float,
    least_s: float = 0.0,
    rate_hz: float = 0.0,
    filtered_hz: float = 0.0,
) -> Needs:
    """What a step needs that looks at one point of a unit without drive.

    Args:
        least_s: the shortest record that says anything of what it listens for, s.
        rate_hz, filtered_hz: samples per second that it takes, and that are enough for a
            converter with a filter of its own.
    """
    roles = {"scope", "generator"} if view.has("generator") else {"scope"}
    return Needs(
        roles=frozenset(roles),
        hookups=listening_hookups(view, at),
        seconds=seconds,
        live=True,
        record=ScopeRecord(math.ceil(least_s * rate_hz - 1e-6), rate_hz, filtered_hz=filtered_hz),
        proved_on=channels_proved(view, at),
    )


@dataclass(frozen=True, slots=True)
class Heard:
    """One record of a point. ``own`` is what the spare probe on ground read at the same time on
    the same range, shape as the record; None where no probe is spare. ``stated_v``
    is what is known of its noise otherwise, 22 Hz to 22 kHz, V rms at the tip; 0: nothing.
    """

    wave: Waveform
    own: Array | None
    stated_v: float = 0.0

    @property
    def rate_hz(self) -> float:
        return 1.0 / self.wave.dt_s

    def floor(self, rms: float | None, band_hz: float) -> UFloat | float:
        """The scope's own rms in a band.

        Args:
            rms: what the spare probe's record came to in that band, V; None: there is none, and
                what the scope may have is told by its converter's step.
            band_hz: width of the band.
        """
        if rms is not None:
            # A difference of two probes has the noise of both.
            return rms * rectangular(1.0, ALIKE, "own noise, by another channel of the scope")
        return unseen_v(self.wave, band_hz)

    def pick_up_v(self, view: BenchView, weighting: Weighting = Weighting.UNWEIGHTED) -> float:
        """The most of the mains that the lead on the point picks up, V rms, weighted: what the
        bench file says, or twice what the spare probe's lead does where that is more (our own
        choice: leads of one bench differ by about as much)."""
        most = view.bench.dirt.pick_up
        if self.own is not None:
            most = max(most, ALIKE_LEADS * mains_of(power_spectrum(self.own, self.rate_hz, HANN)))
        return most * math.sqrt(float(power_weights(weighting, np.array([MAINS_HZ]))[0]))

    def noise(self, weighting: Weighting = Weighting.UNWEIGHTED) -> NoiseLevel:
        """Noise of the record in the audio band, the scope's own taken out.

        Raises:
            NotMeasured: as :func:`seqrun.measure.noise.noise_level`.
        """
        own = None
        if self.own is not None:
            alone = noise_level(self.own, self.rate_hz, weighting=weighting)
            # What its lead picks up is its own and nobody else's.
            own = without(float(alone.rms.value.nominal_value), alone.mains_v)
        elif self.stated_v > 0.0:
            own = self.stated_v * _of_white(weighting)
        floor = self.floor(own, BAND_HZ[1])
        if own is None:
            floor = floor * _of_white(weighting)
        return noise_level(
            self.wave.volts,
            self.rate_hz,
            weighting=weighting,
            gain=self.wave.gain,
            floor=floor,
            clipped=self.wave.clipped,
        )


class Listening:
    """The voltage at one point, by the scope.

    Args:
        most_v: beyond this magnitude the point is not quiet.
    """

    def __init__(
        self,
        ctx: Context,
        at: str,
        *,
        sample_rate_hz: float,
        seconds: float,
        coupling: Literal["AC", "DC"] = "AC",
        most_v: float | None = None,
    ) -> None:
        self.ctx = ctx
        self.at = at
        self.hot, self.cold, _ = ctx.view.scope_on(at)
        self.spare = spare_probe(ctx.view, (self.hot, self.cold))
        self.sample_rate_hz = sample_rate_hz
        self.points = min(round(seconds * sample_rate_hz), ctx.scope.max_points)
        self.coupling = coupling
        self.most_v = 1.2 * ctx.view.unit.largest_peak if most_v is None else most_v
        self.peak_v = START_V
        self._ranged = False

    def prove(self, *, again: bool = False) -> None:
        """See that the probe is on the point, before nothing that is heard there may pass.

        Args:
            again: after it was heard: is the probe still there?

        Raises:
            NotMeasured: nothing shows it.
        """
        hookup = self.ctx.view.scope_on(self.at)[2]
        loudness = partial(loudness_at, self.ctx, self.hot, self.cold)
        prove_contact(self.ctx, self.at, hookup, loudness, again=again)
        prove_rail(self.ctx, self.at, self._dc)

    def _dc(self) -> float:
        """Volts of DC at the point, on a range for a rail."""
        probes = [n for n in (self.hot, self.cold) if n is not None]
        got = self.ctx.scope.acquire(
            dict.fromkeys(probes, 1.3 * self.ctx.view.unit.rail_voltage),
            sample_rate_hz=self.sample_rate_hz,
            points=2000,
        )
        return float(across(got, self.hot, self.cold).volts.mean())

    def hear(self) -> Heard:
        """One record on a range that holds it.

        Raises:
            NotMeasured: the point swings over its whole range.
        """
        while True:
            heard, top = self._record()
            if heard.wave.clipped:
                self._widen()
                self._ranged = True
                continue
            wanted = max(ROOM * top, LEAST_V)
            if not self._ranged and wanted < 0.5 * self.peak_v:
                self.peak_v = wanted
                self._ranged = True
                continue
            self._ranged = True
            return heard

    def count(self) -> Heard:
        """The next record of something that comes at random and is counted.

        No record that was taken on a range that had been found is left out, whatever is in it: one
        that a burst has driven beyond its range is looked through as it is, and the next one has a
        larger range. What finds the range is not counted, whatever is in that: a loud one would be
        kept, and a quiet one taken again.

        Raises:
            NotMeasured: the point swings over its whole range.
        """
        while not self._ranged:
            heard, top = self._record()
            if heard.wave.clipped:
                self._widen()
            else:
                self.peak_v = min(max(ROOM * top, LEAST_V), self.peak_v)
                self._ranged = True
        heard, _ = self._record()
        if heard.wave.clipped:
            self._widen()
        return heard

    def _widen(self) -> None:
        if self.peak_v >= self.most_v:
            raise NotMeasured(
                f"{self.at} swings beyond {self.most_v:.3g} V",
                expected="a quiet point",
                where=self.at,
            )
        self.peak_v = min(10.0 * self.peak_v, self.most_v)

    def _record(self) -> tuple[Heard, float]:
        self.ctx.poll()
        hot, cold = self.hot, self.cold
        peaks = {n: self.peak_v for n in (hot, cold, self.spare) if n is not None}
        got = self.ctx.scope.acquire(
            peaks,
            sample_rate_hz=self.sample_rate_hz,
            points=self.points,
            coupling=self.coupling,
        )
        wave = across(got, hot, cold)
        own = None
        if self.spare is not None:
            own = got.volts[self.spare]
            if cold is not None:
                own = own * math.sqrt(2.0)
        return Heard(wave, own, self._stated(cold is not None)), float(np.abs(wave.volts).max())

    def _stated(self, twice: bool) -> float:
        """What the driver states of the scope's own noise, V rms at a tip; at two of them."""
        key = self.ctx.view.key("scope")
        settings = self.ctx.view.drivers[key].scope
        if settings is None or settings.noise is None:
            return 0.0
        probe = max(self.ctx.view.bench.instrument[key].probe, default=1.0)
        return settings.noise * probe * (math.sqrt(2.0) if twice else 1.0)


def _of_white(weighting: Weighting) -> float:
    """What a weighting makes of white noise of the audio band, as a ratio of rms values."""
    f = np.linspace(*BAND_HZ, 2000)
    return math.sqrt(float(power_weights(weighting, f).mean()))
