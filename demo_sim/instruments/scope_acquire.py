"""Acquisition of the virtual scope: settings, waiting for a trigger, filling a record.

All channels sample together. The scope's clips are one node and that node is earth, so a channel
shows its tip against earth, wherever the operator put the clip; a clip on a live node does not
move the reference but shorts the node, which is the world's business.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from demo_sim.instruments import scope_frontend as front
from demo_sim.instruments import specifications as spec
from demo_sim.instruments.hidden import HiddenErrors
from demo_sim.instruments.scope_coupling import Capacitor, corner_hz, without_dc
from demo_sim.instruments.scope_probe import Offered, through_probe
from demo_sim.instruments.scope_trigger import first_edge
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.noise import nearly_normal
from demo_sim.scpi import ScpiError

RATE_STEPS = (1.0, 2.0, 4.0, 5.0, 8.0)
EARTH = "ground"  # the unit's ground is earthed by the generator's shields and by the clips
ARM_S = 0.002
# With no edge for this long, automatic sweep starts a record anyway; also the piece of signal that
# one search for an edge looks through.
AUTO_WAIT_S = 0.05
SEARCH_POINTS, FIRST_POINTS = 8192, 1024  # of the whole look, and of a first glance
# Hysteresis of the trigger comparator, of full scale.
HYSTERESIS = 0.0375
# The closer look begins this many coarse steps before the edge, and is no longer than that.
REFINE_STEPS, REFINE_POINTS = 40, 32768
# The front end's curvature is of slow kinds too (self-heating, dielectrics): it lags by up to this.
CURVATURE_LAG_S = 1e-3
MOST_AVERAGED = 16_000_000  # samples of all sweeps and channels together
HIGH_RESOLUTION_FOLD = 256  # samples that high-resolution mode folds at most: four more bits

Acquisition = Literal["plain", "average", "high resolution"]


PIECE_S = 0.02  # of a record while rails or relays move


@dataclass(slots=True)
class Channel:
    """One channel as it is set; volts at the probe tip by the declared probe factor."""

    sensed: bool = False
    range_pp_v: float = 50.0
    offset_v: float = 0.0
    coupling: Literal["AC", "DC"] = "DC"
    probe: float = 1.0


@dataclass(slots=True)
class Trigger:
    source: int = 1
    level_v: float = 0.0
    rising: bool = True
    automatic: bool = True  # with no edge, acquire anyway
    time_out_s: float = 10.0


@dataclass(slots=True)
class Settings:
    rate_hz: float = 400e3
    points: int = 2_000
    averaging: bool = False
    oversampling: bool = False
    count: int = 1
    trigger: Trigger = field(default_factory=Trigger)
    channels: dict[int, Channel] = field(
        default_factory=lambda: {
            n: Channel(sensed=n == 1) for n in range(1, spec.SCOPE_CHANNELS + 1)
        }
    )

    @property
    def kind(self) -> Acquisition:
        """Averaging over sweeps goes before averaging within one."""
        if self.averaging:
            return "average"
        return "high resolution" if self.oversampling else "plain"


@dataclass(frozen=True, slots=True)
class Trace:
    """Codes of one channel with what turns them into volts."""

    codes: NDArray[np.uint16]
    range_pp_v: float
    offset_v: float

    @property
    def increment_v(self) -> float:
        return self.range_pp_v / front.CODES


@dataclass(frozen=True, slots=True)
class Record:
    """One finished acquisition; the first sample is ``origin_s`` after the trigger."""

    traces: dict[int, Trace]
    increment_s: float
    origin_s: float
    triggered: bool


def available_rate(wanted_hz: float) -> float:
    """The nearest step 1-2-4-5-8-10 at or below the wanted rate, Hz."""
    wanted_hz = min(wanted_hz, spec.SCOPE_MAX_RATE_HZ)
    decade = 10.0 ** math.floor(math.log10(wanted_hz) + 1e-12)
    step = max(s for s in RATE_STEPS if s * decade <= wanted_hz * (1.0 + 1e-9))
    return float(step * decade)


class Acquirer:
    """The scope's inside. ``key`` is its name on the bench; ``bits`` the converter's width."""

    def __init__(
        self,
        world: Surroundings,
        key: str = "scope",
        bits: int = spec.SCOPE_BITS,
    ) -> None:
        self._world = world
        self._key = key
        self.bits = bits
        self.settings = Settings()
        self._errors = HiddenErrors(world, key)
        self._noise = world.rng(f"{key}.noise")
        self._async = world.rng(f"{key}.sampling")
        self._capacitors: dict[int, tuple[str | None, Capacitor]] = {}
        self._timebase = 1.0 + self._errors.within(spec.SCOPE_TIMEBASE, "timebase")

    def _fitted(self, number: int) -> float:
        """Attenuation of the probe that is really there."""
        return self._world.probe_fitted(
            f"{self._key}.{number}", self.settings.channels[number].probe
        )

    def tip_volts(self, number: int, t: NDArray[np.float64]) -> NDArray[np.float64]:
        """What channel ``number`` is offered at bench times t, after its coupling."""
        tip = self._world.node_of(f"{self._key}.{number}")
        pickup = self._world.pickup(f"{self._key}.{number}")

        def offered(times: NDArray[np.float64]) -> NDArray[np.float64]:
            volts = self._world.voltage(tip, EARTH, times)
            return volts if pickup is None else volts + pickup.at(times)

        ratio, treble = self._world.probe_errors(f"{self._key}.{number}")
        if ratio or treble:
            return self._after_coupling(number, through_probe(offered, ratio, treble), t)
        return self._after_coupling(number, offered, t)

    def _after_coupling(
        self, number: int, offered: Offered, t: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        tip = self._world.node_of(f"{self._key}.{number}")
        if self.settings.channels[number].coupling == "DC":
            self._capacitors.pop(number, None)  # it is bridged
            return offered(t)
        corner = corner_hz(self._fitted(number))
        where, capacitor = self._capacitors.get(number, ("", None))
        if capacitor is None or where != tip or capacitor.corner != corner:
            capacitor = Capacitor(corner)
            self._capacitors[number] = (tip, capacitor)
        return without_dc(offered, t, capacitor)

    def front_end(self, number: int) -> front.FrontEnd:
        """The channel's chain as set, with its hidden errors."""
        channel = self.settings.channels[number]
        at_input = channel.range_pp_v / channel.probe
        # One attenuator setting serves a 1-2-5 step; its errors belong to that step.
        decade = 10.0 ** math.floor(math.log10(at_input) + 1e-12)
        step = next(s * decade for s in (1.0, 2.0, 5.0, 10.0) if at_input <= s * decade * 1.000001)
        error = self._errors.of(spec.accuracy("scope", "voltage"), f"{number}.{step:g}")
        total = self._errors.within(
            10.0 ** (spec.SCOPE_DISTORTION_DBC / 20.0), f"distortion.{number}"
        )
        angle = self._errors.within(math.pi, f"curvature.{number}")
        lag = abs(self._errors.within(CURVATURE_LAG_S, f"lag.{number}"))
        return front.FrontEnd(
            range_pp_v=channel.range_pp_v,
            offset_v=channel.offset_v,
            probe_declared=channel.probe,
            probe_fitted=self._fitted(number),
            gain_error=error.gain,
            offset_error=error.offset,
            second=2.0 * total * math.cos(angle),
            third=4.0 * total * math.sin(angle),
            late=round(lag * self.settings.rate_hz),
            noise_of_range=spec.SCOPE_NOISE_OF_RANGE,
            bits=self.bits,
        )

    def wait_for_edge(self) -> float | None:
        """Look through one piece of signal from now on; time passes up to the edge.

        Returns the bench time of the edge, or None after ``AUTO_WAIT_S`` without one.
        """
        world, start = self._world, self._world.now
        rate = min(self.settings.rate_hz, SEARCH_POINTS / AUTO_WAIT_S)
        whole = math.ceil(AUTO_WAIT_S * rate)
        position = self._edge(start, rate, min(FIRST_POINTS, whole))
        if position is None and whole > FIRST_POINTS:
            position = self._edge(start, rate, whole)
        if position is None:
            world.advance(AUTO_WAIT_S)
            return None
        offset = position / rate
        if self.settings.rate_hz > rate:  # a second look, closer, from a little before the edge
            finer = self.settings.rate_hz
            lead_in = min(offset, REFINE_STEPS / rate)
            points = min(REFINE_POINTS, math.ceil((lead_in + 1.0 / rate) * finer))
            close = self._edge(start + offset - lead_in, finer, points)
            if close is not None:
                offset += close / finer - lead_in
        world.advance(offset)
        return start + offset

    def _edge(self, start: float, rate: float, points: int) -> float | None:
        """First edge within ``points`` samples from ``start``, in samples."""
        trigger = self.settings.trigger
        channel = self.settings.channels[trigger.source]
        seen = channel.probe / self._fitted(trigger.source)
        t = start + np.arange(points, dtype=np.float64) / rate
        return first_edge(
            self.tip_volts(trigger.source, t) * seen,
            trigger.level_v,
            trigger.rising,
            HYSTERESIS * channel.range_pp_v,
        )

    def check(self) -> None:
        """Refuse more sweeps than the averaging memory takes: −221."""
        s = self.settings
        sensed = sum(channel.sensed for channel in s.channels.values())
        if s.kind == "average" and s.count * s.points * sensed > MOST_AVERAGED:
            raise ScpiError(-221, f"averaging takes {MOST_AVERAGED} samples in all")

    def acquire(self, triggered: bool) -> Record:
        """Fill a record from now on. Averaging waits for an edge before each further sweep."""
        s = self.settings
        numbers = [n for n, channel in s.channels.items() if channel.sensed]
        ends = {n: self.front_end(n) for n in numbers}
        # The sampling clock is not locked to the trigger: the first sample is part of a step late.
        late = float(self._async.uniform(0.0, 1.0)) / s.rate_hz
        sweeps = s.count if s.kind == "average" else 1
        sums: dict[int, NDArray[np.float32]] = {}
        codes: dict[int, NDArray[np.uint16]] = {}
        for sweep in range(sweeps):
            if sweep:
                self._world.advance(ARM_S)
                self.wait_for_edge()
            codes = self._sweep(ends, late)
            if sweeps > 1:
                for n, c in codes.items():
                    sums[n] = sums[n] + c if n in sums else c.astype(np.float32)
        if sweeps > 1:
            codes = {n: np.rint(total / sweeps).astype(np.uint16) for n, total in sums.items()}
        return Record(
            traces={
                n: Trace(codes[n], s.channels[n].range_pp_v, s.channels[n].offset_v)
                for n in numbers
            },
            increment_s=1.0 / s.rate_hz,
            origin_s=late,
            triggered=triggered,
        )

    def _sweep(self, ends: dict[int, front.FrontEnd], late: float) -> dict[int, NDArray[np.uint16]]:
        s = self.settings
        step = self._timebase / s.rate_hz
        t = np.arange(s.points, dtype=np.float64)
        t *= step
        t += self._world.now + late
        fold, bits = 1, self.bits
        if s.kind == "high resolution":
            fold = int(min(HIGH_RESOLUTION_FOLD, max(1.0, spec.SCOPE_MAX_RATE_HZ / s.rate_hz)))
            bits = front.high_resolution_bits(self.bits, fold)
        codes = {}
        tips = self._tips(tuple(ends), t, step)
        for n, end in ends.items():
            volts = tips[n]
            of_probe = self._world.probe_noise(f"{self._key}.{n}")
            if of_probe:
                volts = volts + of_probe * nearly_normal(volts.size, self._noise)
            codes[n] = front.convert(front.screen(volts, end, self._noise, fold), bits)
        return codes

    def _tips(
        self, numbers: tuple[int, ...], t: NDArray[np.float64], step: float
    ) -> dict[int, NDArray[np.float64]]:
        """Volts at the probes' tips over a record; time passes to its end.

        A unit at rest is taken as it is when the record begins; one whose rails or relays move, in
        pieces, of which one ends where a relay opens or closes.
        """
        if not self._world.restless(t.size * step):
            found = {n: self.tip_volts(n, t) for n in numbers}
            self._world.advance(t.size * step)
            return found
        length = max(1, round(PIECE_S / step))
        parts: dict[int, list[NDArray[np.float64]]] = {n: [] for n in numbers}
        start = 0
        while start < t.size:
            left = min(self._world.relay_moves_in() / step, float(length))
            some = t[start : start + max(1, math.ceil(left))]
            for n in numbers:
                parts[n].append(self.tip_volts(n, some))
            self._world.advance(some.size * step)
            start += some.size
        return {n: np.concatenate(found) for n, found in parts.items()}
