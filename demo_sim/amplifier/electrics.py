"""One instant's operating point of all output stages: volts, currents, dissipation.

Arrays are (legs, samples) over one period of each leg's signal, or one sample at idle. Everything
here is quasi-static: feedback makes each leg follow its input until the rails, the drivers or the
loop's own speed stop it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.signal import Period
from demo_sim.amplifier.spec import AmplifierSpec, LegSpec
from demo_sim.amplifier.stage import Curve, OutputStage

Floats = NDArray[np.float64]
SHORT_OHM = 0.05  # a failed device, collector to emitter
LETTING_GO_ROUNDS = 20
LEAST_NEED_V = 1e-12
CUT = 1.005  # what is wanted over what comes, from which on it has been cut off
GIVING_WAY_ROUNDS = 3  # each halves what is left, and more


@dataclass(frozen=True, slots=True)
class Rails:
    """Rail voltages inside the unit to its ground, V; ``neg`` is 0 on a single rail."""

    pos: float
    neg: float


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """What the legs would put out if nothing limited them.

    ``volts`` (legs, samples) around the leg's middle, without DC offset; ``weights`` (legs,
    samples) sum to 1 per leg: the share of time of each sample. ``hertz``: of each leg, the
    frequency of the period that all its samples but the last are; 0 for a leg that rests.
    """

    volts: Floats
    weights: Floats
    hertz: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Operating:
    """``device_a`` (legs, 2, devices, samples); means are over time."""

    volts: Floats
    load_a: Floats
    base_v: Floats
    device_a: Floats
    device_mean_a: Floats
    power_w: Floats
    pos_a: float
    neg_a: float
    clipped: bool


@dataclass(frozen=True, eq=False)
class ChannelTables:
    """One channel over a period: leg volts (legs, points) and device currents.

    Without a period there is one point. ``currents`` works the device currents out.
    """

    period: Period | None
    volts: Floats
    currents: Callable[[], Floats]
    clipped: bool

    @cached_property
    def device_a(self) -> Floats:
        """A, (legs, 2, devices, points), worked out for the first who asks."""
        return self.currents()


def _part_of(curve: Curve, alive: float) -> Floats:
    return curve.currents() * alive


def _within(need: Floats, down: float, up: float) -> bool:
    """Whether every need, V, has room below and above."""
    if min(down, up) < LEAST_NEED_V:
        return False
    return bool(
        np.maximum.reduce(need, axis=None) <= up and np.minimum.reduce(need, axis=None) >= -down
    )


class Electrics:
    """The output stages of one amplifier between its rails and its loads."""

    def __init__(self, spec: AmplifierSpec) -> None:
        self.spec = spec
        self.legs: list[LegSpec] = [leg for channel in spec.channels for leg in channel.legs]
        self.channel_of = [i for i, channel in enumerate(spec.channels) for _ in channel.legs]
        ballasts = [d.ballast_ohm for leg in self.legs for d in leg.upper + leg.lower]
        self.stage = OutputStage(self.legs, spec.idle_current, float(np.median(ballasts)))
        self.offset = np.array([leg.offset_v for leg in self.legs])[:, None]
        self._offset_per_k = np.array([leg.offset_v_per_k for leg in self.legs])
        self._offset_step = np.array([leg.offset_step_v for leg in self.legs])
        self._offset_step_c = np.array([leg.offset_step_c for leg in self.legs])
        self._drifts = bool(self._offset_per_k.any() or self._offset_step.any())
        self._offset_per_v = np.array([[leg.offset_per_v] for leg in self.legs])
        self._offset_from_v = np.array([[leg.offset_from_v] for leg in self.legs])
        self._rectifies = bool(self._offset_per_v.any())
        self._squash = np.array([[leg.squash] for leg in self.legs])
        self._squash_from_v = np.array([[leg.squash_from_v] for leg in self.legs])
        self._squashes = bool(self._squash.any())
        self._sticks = any(leg.stick_s for leg in self.legs)
        self._limited = any(np.isfinite(leg.limit_a) for leg in self.legs)
        # Of each leg behind an output capacitor: its leak, Ω. DC that gets through is that alone.
        parts = [spec.channels[i].capacitor for i in self.channel_of]
        self.coupled = any(part is not None for part in parts)
        self._leak = np.array([[0.0 if p is None else p.leak_ohm] for p in parts])
        states = [
            np.array([[d.state == "shorted" for d in half] for half in (leg.upper, leg.lower)])
            for leg in self.legs
        ]
        self._alive: tuple[Rails | None, float] = (None, 0.0)
        self._shorted = [(i, state) for i, state in enumerate(states) if state.any()]
        dead: NDArray[np.bool_] = np.logical_not(self.stage.good.any(axis=2))
        self._one_sided = [
            (i, halves) for i, halves in enumerate(dead) if halves.any() and not states[i].any()
        ]

    def alive(self, rails: Rails) -> float:
        """0…1: how far drivers and bias work at these rails."""
        asked, value = self._alive
        if asked is rails:  # asked for several times at one point
            return value
        least = self._common(rails) if self.spec.split else 0.5 * rails.pos
        dead, alive = self.spec.rails.dead_v, self.spec.rails.alive_v
        value = float(min(1.0, max(0.0, (least - dead) / (alive - dead))))
        self._alive = (rails, value)
        return value

    @staticmethod
    def _common(rails: Rails) -> float:
        """What two rails let through that only works with both: their harmonic mean, V."""
        pos, neg = max(rails.pos, 0.0), max(-rails.neg, 0.0)
        return 2.0 * pos * neg / (pos + neg) if pos + neg > 0.0 else 0.0

    def bias(self, sensor_c: Floats, rails: Rails) -> Floats:
        """Between the bases, V; a little less at low rails, where less current feeds it."""
        least = self._common(rails) if self.spec.split else rails.pos
        missing = 1.0 - min(1.0, least / self.spec.rail_voltage)
        bias = self.stage.bias(sensor_c, self.alive(rails))
        return np.asarray(bias - self.spec.rails.bias_sag_v * missing)

    def middle(self, rails: Rails) -> float:
        """Where the legs rest, V to ground."""
        return 0.0 if self.spec.split else 0.5 * rails.pos

    def into(
        self,
        volts: Floats,
        admittance: Floats,
        wanted: Wanted | None = None,
        period: Period | None = None,
    ) -> Floats:
        """Currents that legs at ``volts``, (legs, samples), drive into loads and into one another,
        A. Of what is behind an output capacitor only the leak is DC; what else the capacitor takes
        away is told by the ``period`` that the samples are, or by that of what is ``wanted``, whose
        samples they are; with neither it takes away nothing else."""
        if not self.coupled:
            return np.asarray(admittance @ volts)
        if wanted is None:
            mean = volts.mean(axis=1, keepdims=True)
        else:
            mean = (volts * wanted.weights).sum(axis=1, keepdims=True)
        siemens = np.maximum(admittance.sum(axis=1, keepdims=True), 0.0)
        arrives = mean / (1.0 + self._leak * siemens)
        moving = volts - mean
        if period is not None:
            moving = self._through_capacitors(moving, admittance, period.frequencies())
        elif wanted is not None and any(wanted.hertz):
            bins = np.fft.rfftfreq(volts.shape[1] - 1, 1.0 / (volts.shape[1] - 1))
            frequencies = np.outer(wanted.hertz, bins)
            moving[:, :-1] = self._through_capacitors(moving[:, :-1], admittance, frequencies)
        return np.asarray(admittance @ (moving + arrives))

    def _through_capacitors(
        self, moving: Floats, admittance: Floats, frequencies: Floats
    ) -> Floats:
        """What of a period of each leg, (legs, samples), arrives behind its output capacitor. Its
        mean arrives whole: what becomes of DC is another matter. ``frequencies``: of the bins of a
        real FFT over the period, Hz, one row for all legs or one for each."""
        spectrum = np.fft.rfft(moving, axis=1)
        rows = np.broadcast_to(frequencies, spectrum.shape)
        for leg, channel in enumerate(self.channel_of):
            part = self.spec.channels[channel].capacitor
            if part is not None and rows[leg].any():
                # Paralleled legs come together before it: their load is that of them all.
                mates = [i for i, c in enumerate(self.channel_of) if c == channel]
                into = max(float(admittance[np.ix_(mates, mates)].sum()), 0.0)
                spectrum[leg, 1:] *= part.passes(rows[leg, 1:], into)
        return np.asarray(np.fft.irfft(spectrum, moving.shape[1], axis=1))

    def dc_through(self, means: Floats, admittance: Floats) -> Floats:
        """DC at the far ends of output capacitors from that of their legs, (legs,), V."""
        siemens = np.maximum(admittance.sum(axis=1), 0.0)
        siemens = siemens + [
            0.0 if (part := self.spec.channels[c].capacitor) is None else 1.0 / part.bleed_ohm
            for c in self.channel_of
        ]
        return np.asarray(means / (1.0 + self._leak[:, 0] * siemens))

    def limit(
        self,
        wanted: Floats,
        rails: Rails,
        admittance: Floats,
        sensor_c: Floats,
        given_way: Floats | None = None,
    ) -> tuple[Floats, bool]:
        """Leg volts to ground after clipping; True when anything clipped.

        A leg follows until drivers' drop-out plus what the current drops leave no more room; both
        grow together with the swing, so the limit is a factor on it. ``given_way`` (2, samples):
        by how much the upper and the lower rail stand below their mean, V.
        """
        path, middle = self.spec.path, self.middle(rails)
        alive = self.alive(rails)
        offset = self.offset
        if self._squashes:
            mean = np.maximum(np.abs(wanted).mean(axis=1, keepdims=True), LEAST_NEED_V)
            over = np.maximum(1.0 - self._squash_from_v / mean, 0.0)
            wanted = wanted * (1.0 - self._squash * over)
        if self._drifts:
            moved = self._offset_per_k * (sensor_c - 25.0)
            moved = moved + np.where(sensor_c > self._offset_step_c, self._offset_step, 0.0)
            offset = offset + moved[:, None]
        if self._rectifies:
            beyond = np.abs(wanted).mean(axis=1, keepdims=True) - self._offset_from_v
            offset = offset + self._offset_per_v * np.maximum(beyond, 0.0)
        swing = wanted + offset
        if alive != 1.0:
            swing *= alive
        current = self.into(swing + middle, admittance)
        need = swing + path.drop_ohm * current
        up = max(0.0, rails.pos - path.drop_v - middle)
        down = max(0.0, middle - rails.neg - path.drop_v)
        strongest = np.abs(current)
        if given_way is None:
            if _within(need, down, up) and np.maximum.reduce(strongest, axis=None) <= path.most_a:
                return swing + middle, False  # room for all of it, as nearly always
            room = np.where(need >= 0.0, up, down)
        else:
            room = np.where(
                need >= 0.0,
                np.maximum(0.0, up - given_way[0]),
                np.maximum(0.0, down - given_way[1]),
            )
        size = np.maximum(np.abs(need), LEAST_NEED_V)
        factor = np.minimum(1.0, room / size)
        factor = np.where(
            factor * strongest > path.most_a, path.most_a / np.maximum(strongest, 1e-12), factor
        )
        return middle + swing * factor, bool((factor < 1.0).any())

    def operate(
        self,
        wanted: Wanted,
        rails: Rails,
        admittance: Floats,
        junction_c: Floats,
        sensor_c: Floats,
        start: Floats | None = None,
    ) -> Operating:
        """The operating point; ``admittance`` (legs, legs) gives load currents from leg volts."""
        volts, clipped = self.limit(wanted.volts, rails, admittance, sensor_c)
        volts = self._let_go(volts, admittance, rails)
        load_a = self.into(volts, admittance, wanted)
        alive = self.alive(rails)
        if alive > 0.0:
            bias = self.bias(sensor_c, rails)
            base_v, device_a = self.stage.solve(load_a, bias, junction_c, start)
            # Without drive nothing conducts but what the rails can push: fade it out with them.
            device_a = device_a * alive if alive < 1.0 else device_a
        else:
            base_v = np.zeros_like(load_a)
            device_a = np.zeros((*self.stage.ballast.shape, load_a.shape[1]))
        if self._shorted:
            volts, load_a, device_a = self._short_circuits(volts, device_a, rails, admittance)
        # Means over time as products: of i, i·v and i² with their shares of it.
        shape = self.stage.ballast.shape
        each = device_a.reshape(shape[0], -1, device_a.shape[3])
        weights = wanted.weights[:, :, None]
        mean = (each @ weights).reshape(shape)
        at_output = (each @ (wanted.weights * volts)[:, :, None]).reshape(shape)
        square = ((each * each) @ weights).reshape(shape)
        power = -square * self.stage.ballast
        power[:, 0] += rails.pos * mean[:, 0] - at_output[:, 0]
        power[:, 1] += at_output[:, 1] - rails.neg * mean[:, 1]
        quiescent = len(self.spec.channels) * self.spec.rails.quiescent_a * alive
        return Operating(
            volts=volts,
            load_a=load_a,
            base_v=base_v,
            device_a=device_a,
            device_mean_a=mean,
            power_w=np.maximum(power, 0.0),
            pos_a=float(np.add.reduce(mean[:, 0], axis=None)) + quiescent,
            neg_a=float(np.add.reduce(mean[:, 1], axis=None)) + quiescent,
            clipped=clipped,
        )

    def waveforms(
        self,
        period: Period | None,
        wanted: Floats,
        rails: Rails,
        admittance: Floats,
        junction_c: Floats,
        sensor_c: Floats,
        channels: int = 1,
    ) -> ChannelTables:
        """Volts and currents over a period, with the distortion that feedback leaves.

        ``channels`` draw like this one from the same rails at the same time.

        What the open-loop stage would add is divided, harmonic by harmonic, by one plus the loop
        gain there; that is first order in the error, which is small beside the signal.
        """
        volts, clipped = self.limit(wanted, rails, admittance, sensor_c)
        if period is not None and self.spec.rails.slow_ohm:
            for _ in range(GIVING_WAY_ROUNDS):
                given_way = self._given_way(period, self.into(volts, admittance), channels)
                volts, clipped = self.limit(wanted, rails, admittance, sensor_c, given_way)
        if period is not None and self._limited:
            held = self._held(period, self.into(volts, admittance))
            volts = self.middle(rails) + (volts - self.middle(rails)) * held
            clipped = clipped or bool((held < 1.0).any())
        if period is not None and self._sticks and clipped:
            volts = self._stuck(period, wanted, volts, rails)
        volts = self._let_go(volts, admittance, rails)
        load_a = self.into(volts, admittance, period=period)
        alive = self.alive(rails)
        bias = self.bias(sensor_c, rails)
        currents: Callable[[], Floats]
        if period is None:
            base_v, device_a = self.stage.solve(load_a, bias, junction_c)
            currents = partial(np.multiply, device_a, alive)
        else:
            base_v, curve = self.stage.solve_many(load_a, bias, junction_c)
            base_v = base_v.copy()  # the curve goes by it still
            currents = partial(_part_of, curve, alive)
        path = self.spec.path
        if period is not None and alive > 0.0:
            for leg, _ in self._one_sided:  # where it is let go its drive says nothing
                base_v[leg] = 0.0
            swing = (volts - self.middle(rails)) / self.spec.rail_voltage
            curved = self.spec.rail_voltage * (path.second * swing**2 + path.third * swing**3)
            loop = path.loop_gain / (1.0 + 1j * period.frequencies() / path.loop_pole_hz)
            left = np.fft.rfft(base_v + curved, axis=1) / (1.0 + loop)
            volts = volts - np.fft.irfft(left, period.points, axis=1)
        if self._shorted:
            volts, _, device_a = self._short_circuits(volts, currents(), rails, admittance)
            currents = partial(np.asarray, device_a)
        return ChannelTables(period, volts, currents, clipped)

    def _let_go(self, volts: Floats, admittance: Floats, rails: Rails) -> Floats:
        """Leg volts where a leg with a half that conducts nothing goes wherever the others and the
        loads take it, as long as it would have to carry current by that half.

        Projected Gauss-Seidel: each such leg in turn, from what it would do by itself.
        """
        if not self._one_sided:
            return volts
        # What is behind a capacitor rests where it is let go.
        rest = self.middle(rails) if self.coupled else 0.0
        left = volts - rest
        for _ in range(1 if len(self._one_sided) == 1 else LETTING_GO_ROUNDS):
            for leg, (upper, lower) in self._one_sided:
                own = float(admittance[leg, leg])
                if own <= 0.0:
                    continue
                from_others = admittance[leg] @ left - own * left[leg]
                drawn = volts[leg] - rest
                current = from_others + own * drawn
                blocked = (upper & (current > 0.0)) | (lower & (current < 0.0))
                left[leg] = np.where(blocked, -from_others / own, drawn)
        return left + rest

    def _given_way(self, period: Period, load_a: Floats, channels: int) -> Floats:
        """By how much the rails stand below their mean under slow current, V: (2, points)."""
        spec = self.spec.rails
        drawn = channels * np.stack(
            (np.maximum(load_a, 0.0).sum(axis=0), np.maximum(-load_a, 0.0).sum(axis=0))
        )
        spectrum = np.fft.rfft(drawn, axis=1) * spec.slow(np.maximum(period.frequencies(), 1e-9))
        spectrum[:, 0] = 0.0
        given_way = np.asarray(np.fft.irfft(spectrum, period.points, axis=1))
        if period.every_s:
            # The regulation holds the mean of bursts and rest; at the end of a burst the rail has
            # given way to what the burst draws beyond that as far as it is quick enough.
            beyond = drawn.mean(axis=1, keepdims=True) * (1.0 - period.duty)
            given_way = given_way + beyond * spec.slow_ohm * -math.expm1(
                -2.0 * math.pi * spec.slow_hz * period.on_s
            )
        return given_way

    def _held(self, period: Period, load_a: Floats) -> Floats:
        """What the upper halves' protection leaves of the swing, (legs, points)."""
        upper = np.maximum(load_a, 0.0)
        smoothing = np.array([[2.0 * np.pi * leg.limit_s] for leg in self.legs])
        spectrum = np.fft.rfft(upper, axis=1) / (1.0 + 1j * period.frequencies() * smoothing)
        smooth = np.fft.irfft(spectrum, period.points, axis=1)
        most = np.array([[leg.limit_a] for leg in self.legs])
        beyond = (smooth > most) & (load_a > most)
        return np.asarray(np.where(beyond, most / np.maximum(load_a, 1e-12), 1.0))

    def _stuck(self, period: Period, wanted: Floats, volts: Floats, rails: Rails) -> Floats:
        """Leg volts where what was cut off stays there for a while after it should come back."""
        middle = self.middle(rails)
        found = volts.copy()
        cut = np.abs(wanted) > CUT * np.abs(volts - middle)
        cut &= np.abs(wanted) > 0.5 * np.abs(wanted).max(axis=1, keepdims=True)
        for i, leg in enumerate(self.legs):
            longest = round(leg.stick_s * period.frequency_hz * period.points)
            for end in np.flatnonzero(cut[i] & ~np.roll(cut[i], -1)) if longest else ():
                after = np.arange(end + 1, end + 1 + min(longest, period.points - 1))
                found[i, after % period.points] = volts[i, end]
        return found

    def _short_circuits(
        self, volts: Floats, device_a: Floats, rails: Rails, admittance: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Leg volts, load currents and device currents with the shorted devices in place.

        A shorted device pulls its leg to the rail. A half without one is driven against it and
        gives what it can (``most_a`` with full drive); what it cannot hold moves the output.
        """
        alive = self.alive(rails)
        volts, device_a = volts.copy(), device_a.copy()
        for leg, shorts in self._shorted:
            ohms = SHORT_OHM + self.stage.ballast[leg]
            upper, lower = np.where(shorts, 1.0 / ohms, 0.0).sum(axis=1)
            load = 0.0 if self.coupled else float(admittance[leg].sum())
            pulled = rails.pos * upper + rails.neg * lower
            held = np.zeros(volts.shape[1])  # into the leg from a half that still works
            for half, sign in ((0, 1.0), (1, -1.0)):
                working = self.stage.good[leg, half]
                if shorts[half].any() or not working.any():
                    continue
                needed = volts[leg] * (upper + lower + load) - pulled
                given = np.clip(sign * needed, 0.0, self.spec.path.most_a * alive)
                held += sign * given
                device_a[leg, half] = np.where(working[:, None], given / working.sum(), 0.0)
            volts[leg] = (pulled + held) / (upper + lower + load)
            if shorts.any(axis=1).all() and self.spec.split:
                # Rail to rail: two supplies of one kind at their limits balance about ground.
                volts[leg] = 0.0
            for half, rail, sign in ((0, rails.pos, 1.0), (1, rails.neg, -1.0)):
                if shorts[half].any():
                    device_a[leg, half] = 0.0
                for k in np.flatnonzero(shorts[half]):
                    device_a[leg, half, k] = sign * (rail - volts[leg]) / ohms[half, k]
        return volts, self.into(volts, admittance), device_a
