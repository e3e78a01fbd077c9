"""What the world really is, for tests and studies; no instrument sees any of it.

Everything is exact: no noise, no instrument, the world's own values at this moment.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.sections import section_response
from demo_sim.amplifier.signal import (
    FEWEST_POINTS,
    POINTS_PER_CYCLE,
    InputSignal,
    Period,
    common_period,
    path_response,
)
from demo_sim.amplifier.spec import HALVES
from demo_sim.cold_truth import ColdTruth
from demo_sim.disturbances import SUPPLY_BANDWIDTH_HZ
from demo_sim.errors import DemoError
from demo_sim.front import Front
from demo_sim.noise import SLOW_RATE_HZ
from demo_sim.passing_truth import PassingTruth
from demo_sim.powered import PoweredUnit
from demo_sim.rails_truth import RailsTruth
from demo_sim.waveforms import Waveforms
from demo_sim.wiring import Load, leg_label

Floats = NDArray[np.float64]
NOTHING = 1e-9  # of a line beside the strongest: rounding


class Truth(PassingTruth, RailsTruth, ColdTruth):
    """Exact values of one world."""

    def __init__(
        self,
        unit: PoweredUnit,
        waves: Waveforms,
        front: Front,
        loads: Callable[[], Mapping[str, Load]],
        node_of: Callable[[str], str | None],
        ripple: Callable[[str], float],
    ) -> None:
        super().__init__(unit, waves)
        self._front = front
        self._loads = loads
        self._node_of = node_of
        self._ripple = ripple

    # --- DC and currents ---

    def dc(self, node: str, against: str = "ground") -> float:
        """Mean volts of a node, without noise."""
        return self._waves.node(node).minus(self._waves.node(against)).dc

    def offset(self, channel: str) -> float:
        """DC between a channel's speaker terminals, V."""
        hi, lo = self.terminals(channel)
        return self.dc(hi, lo)

    def device_current(self, channel: str, half: str, number: int, side: str = "") -> float:
        """Mean current of one output device, A; ``number`` from 1."""
        leg, n = self._device(channel, side, half, number)
        return float(self._unit.operating().device_mean_a[leg, HALVES.index(half), n])

    @property
    def device_places(self) -> tuple[tuple[str, str, str, int], ...]:
        """Channel, side ("" but for a bridge), half and number of every output device."""
        return tuple(
            (channel.name, leg.side, half, number)
            for channel in self._unit.spec.channels
            for leg in channel.legs
            for half in HALVES
            for number, _ in leg.numbered(half)
        )

    def ballast(self, channel: str, half: str, number: int, side: str = "") -> float:
        """Ω of one ballast resistor."""
        leg, n = self._device(channel, side, half, number)
        return float(self._unit.electrics.stage.ballast[leg, HALVES.index(half), n])

    def output_ballast(self, channel: str, side: str, stage: int) -> float:
        """Ω of the output ballast of a stage in parallel with others, number from 1."""
        return self._unit.electrics.legs[self._leg(channel, side, stage)].output_ohm

    def stage_places(self, channel: str) -> tuple[tuple[str, int], ...]:
        """Side and number of each of a channel's stages in parallel with others."""
        legs = self._unit.spec.channel(channel).legs
        return tuple((leg.side, leg.stage) for leg in legs if leg.stage)

    def stage_current(self, channel: str, side: str, stage: int) -> tuple[float, float]:
        """Current out of a stage in parallel with others, A: its mean, and its rms without that."""
        leg, weights = self._leg(channel, side, stage), self._unit.wanted().weights
        amps = self._unit.operating().load_a[leg]
        mean = float((amps * weights[leg]).sum())
        return mean, float((((amps - mean) ** 2) * weights[leg]).sum()) ** 0.5

    def load_on(self, name: str) -> bool:
        """Whether both leads of a dummy load are on the unit."""
        return all(self._node_of(f"load.{name}.{end}") for end in (1, 2))

    def load_ohm(self, name: str) -> float:
        """Ω of a dummy load as it is."""
        return self._loads()[name].ohm

    # --- heat ---

    def temperature(self, name: str) -> float:
        """°C of "ambient", "sink", "bias.<leg>", "junction." or "case." + "<leg>.<half>.<n>"."""
        if name == "ambient":
            return self._unit.ambient_c
        return self._unit.temperature_c(name)

    def case_rises(self) -> dict[str, float]:
        """K of each case over the heatsink, where its heat as it is now would take it."""
        unit = self._unit
        power = unit.power(unit.heat.rise_k)
        rises = unit.heat.steady(power)
        at = unit.heat.network.index
        return {
            name.removeprefix("case."): float(rises[at(name)] - rises[at("sink")])
            for name in unit.heat.network.names
            if name.startswith("case.")
        }

    def sink_rise(self) -> float:
        """Sink over ambient now, K."""
        return self._unit.temperature_c("sink") - self._unit.ambient_c

    def settled_sink_rise(self) -> float:
        """Sink over ambient where the present conditions end, K; inf when they run away."""
        heat = self._unit.heat
        rise = heat.rise_k.copy()
        for _ in range(400):
            after = heat.steady(self._exact_power(rise))
            change = float(np.abs(after - rise).max())
            rise = rise + 0.7 * (after - rise)
            if change < 1e-4:
                return float(rise[heat.network.index("sink")])
            if float(rise.max()) > 500.0:
                break
        return math.inf

    def heat_at(self, sink_rise_k: float) -> float:
        """W of all output devices with the sink held at a rise and all else settled to it."""
        network = self._unit.heat.network
        sink, rise = network.index("sink"), self._unit.heat.rise_k.copy()
        others = [i for i in range(rise.size) if i != sink]
        inner = network.conductance[np.ix_(others, others)]
        to_sink = network.conductance[others, sink] * sink_rise_k
        rise[sink] = sink_rise_k
        for _ in range(100):
            after = np.linalg.solve(inner, self._exact_power(rise)[others] - to_sink)
            moved = float(np.abs(after - rise[others]).max())
            rise[others] += 0.7 * (after - rise[others])
            if moved < 1e-5:
                break
        watts = float(self._exact_power(rise)[self._unit.junction_nodes].sum())
        self._unit.changed()
        return watts

    def dissipation(self) -> float:
        """W of all output devices."""
        return float(self._unit.operating().power_w.sum())

    def runaway_gain(self) -> float:
        """Loop gain of idle current through heat: above 1 it runs away (settled, at this point).

        The largest real eigenvalue of Rth · dP/dT, by differences around the present rises.
        """
        heat = self._unit.heat
        base = self._exact_power(heat.rise_k)
        columns = []
        for i in range(base.size):
            moved = heat.rise_k.copy()
            moved[i] += 0.05
            columns.append((self._exact_power(moved) - base) / 0.05)
        self._unit.changed()
        gain = np.linalg.solve(heat.network.conductance, np.stack(columns, axis=1))
        return float(np.linalg.eigvals(gain).real.max())

    def _exact_power(self, rise_k: Floats) -> Floats:
        """W into each thermal node, worked out anew."""
        self._unit.changed()
        return self._unit.power(rise_k)

    # --- signal ---

    def gain(self, channel: str, frequency_hz: float = 1000.0) -> float:
        """Volts at the speaker terminals per volt at the input, small signal, magnitude."""
        spec = self._unit.spec.channel(channel)
        f = np.array([frequency_hz])
        legs = [i for i, c in enumerate(self._unit.electrics.channel_of) if self._named(c, channel)]
        ends = [self._terminal(channel, side) for side in spec.sides]
        each = np.array(
            [
                leg.gain * path_response(f, leg.low_cut_hz, leg.pole_hz, leg.resonance)[0]
                for leg in spec.legs
            ]
        )
        out = self._unit.joined.outputs[np.ix_(ends, legs)] @ each
        size = float(abs(out[0] - out[1]) if len(ends) == 2 else abs(out[0]))
        if spec.capacitor is not None:
            into = float(self._unit.joined.admittance[np.ix_(legs, legs)].sum())
            size *= float(abs(spec.capacitor.passes(f, into)[0]))
        return size

    def polarity(self, channel: str) -> int:
        """+1 where the speaker terminals follow the input, −1 where they are its mirror image."""
        return 1 if self._unit.spec.channel(channel).legs[0].gain >= 0.0 else -1

    def input_v_rms(self, channel: str) -> float:
        """V rms of the lowest tone at a channel's input now, 0 without one."""
        signal = self._unit.inputs[channel]
        if signal.volts is None:
            return 0.0
        return float(np.abs(np.fft.rfft(signal.volts))[1]) * math.sqrt(2.0) / signal.volts.size

    def input_tones(self, channel: str) -> dict[float, float]:
        """V rms of each tone at a channel's input now, by frequency, Hz."""
        signal = self._unit.inputs[channel]
        return {} if signal.period is None else _lines(signal.period, signal.volts)

    def section_gain(
        self, channel: str, frequency_hz: float = 1000.0, **turned: str | float | bool
    ) -> float:
        """Volts at the power stage's plug per volt at the selected socket; knobs as they are, but
        for those that are ``turned``."""
        spec = self._unit.spec.channel(channel)
        if spec.section is None:
            raise DemoError("this unit has no small-signal sections", found=channel)
        number = self._unit.spec.channel_names.index(channel)
        divided = spec.input_ohm / (spec.input_ohm + spec.section.output_ohm)
        knobs = self._front.knobs
        for name, value in turned.items():
            names = self._unit.spec.channel_names
            knobs = knobs.turned(name, value, self._unit.spec.inputs, names)
        response = section_response(np.array([frequency_hz]), spec.section, knobs, number)
        return float(abs(response[0])) * divided

    def leakage_db(self, channel: str, frequency_hz: float = 1000.0) -> float:
        """How far a tone on a socket that is not selected lies below the same selected."""
        section = self._unit.spec.channel(channel).section
        if section is None:
            raise DemoError("this unit has no small-signal sections", found=channel)
        return -20.0 * math.log10(section.leak * frequency_hz / 1000.0)

    def output(self, channel: str) -> tuple[Period | None, Floats]:
        """One period at the speaker terminals, V, and its time base."""
        hi, lo = self.terminals(channel)
        signal = self._waves.node(hi).minus(self._waves.node(lo))
        if not signal.tables:
            return None, np.array([signal.dc])
        period, table = signal.tables[0]
        return period, table + signal.dc

    def clips(self, channel: str) -> bool:
        """Whether the tops of a channel's output are cut off at the present drive."""
        return self._waves.tables.of(self._unit.spec.channel_names.index(channel)).clipped

    def thd(
        self, channel: str, input_v_rms: float | None = None, frequency_hz: float = 1000.0
    ) -> float:
        """Harmonics over fundamental at the output; at the present drive when no level is given,
        else with all channels driven by a pure sine."""
        if input_v_rms is None:
            return _distortion(self.output(channel)[1])
        with self.driven(input_v_rms, frequency_hz):
            return _distortion(self.output(channel)[1])

    def power(self, channel: str, input_v_rms: float, frequency_hz: float = 1000.0) -> float:
        """W into the channel's load, all channels driven."""
        with self.driven(input_v_rms, frequency_hz):
            return self._power(channel)

    def max_power(self, channel: str, thd: float = 0.01, frequency_hz: float = 1000.0) -> float:
        """W into the load at a distortion (a fraction), all channels driven alike."""
        spec = self._unit.spec
        full = spec.rail_voltage * (2.0 if spec.topology != "single_ended" else 1.0)
        gain = max(self.gain(channel, frequency_hz), 1e-9)
        low, high = 0.0, 2.0 * full / gain
        for _ in range(40):
            middle = 0.5 * (low + high)
            with self.driven(middle, frequency_hz):
                if _distortion(self.output(channel)[1]) > thd:
                    high = middle
                else:
                    low = middle
        return self.power(channel, low, frequency_hz)

    @contextmanager
    def driven(self, input_v_rms: float, frequency_hz: float = 1000.0) -> Iterator[None]:
        """All inputs at a pure sine for a moment; no time passes."""
        period = Period(frequency_hz, 0.0, FEWEST_POINTS)
        phase = 2.0 * np.pi * np.arange(FEWEST_POINTS) / FEWEST_POINTS
        wave = math.sqrt(2.0) * input_v_rms * np.sin(phase)
        signal = InputSignal(0.0, period, wave)
        with self._with(dict.fromkeys(self._unit.inputs, signal)):
            yield

    @contextmanager
    def driven_by(
        self,
        channel: str,
        tones: Mapping[float, float],
        on_s: float = 0.0,
        every_s: float = 0.0,
        *,
        others: bool = True,
    ) -> Iterator[None]:
        """A channel's input at pure tones (Hz: V rms) for a moment; no time passes.

        ``on_s`` of every ``every_s``: a burst. ``others``: all inputs alike, else those are silent.
        """
        base, numbers = common_period(list(tones))
        points = FEWEST_POINTS
        while points < POINTS_PER_CYCLE * max(numbers):
            points *= 2
        phase = 2.0 * np.pi * np.arange(points) / points
        wave = np.zeros(points)
        for number, v_rms in zip(numbers, tones.values(), strict=True):
            wave += math.sqrt(2.0) * v_rms * np.sin(number * phase)
        signal = InputSignal(0.0, Period(base, 0.0, points, on_s, every_s), wave)
        silent = signal if others else InputSignal()
        with self._with({**dict.fromkeys(self._unit.inputs, silent), channel: signal}):
            yield

    @contextmanager
    def _with(self, inputs: Mapping[str, InputSignal]) -> Iterator[None]:
        before = self._unit.inputs
        self._unit.drive(inputs)
        try:
            yield
        finally:
            self._unit.drive(before)

    def _power(self, channel: str) -> float:
        _, table = self.output(channel)
        swing = table - table.mean()
        return float((swing**2).mean()) / self.load_ohm(channel)

    # --- noise ---

    def noise_density(self, node: str, frequencies_hz: Floats, against: str = "ground") -> Floats:
        """V/√Hz of the unit's white and flicker noise between two nodes.

        Lines, bursts, and what a generator brings to an input are not in it.
        """
        square = np.zeros(frequencies_hz.shape)
        for name, share in self._disturbances(node, against).items():
            kind, _, rest = name.partition(".")
            if kind == "amplifier":
                own = self._unit.spec.channel(rest.split(".")[0]).noise
                # Drawn on a coarse grid and joined by straight lines: a low-pass of sinc².
                smooth = np.sinc(frequencies_hz / SLOW_RATE_HZ) ** 4
                flicker = smooth * own.flicker_hz / np.maximum(frequencies_hz, 1e-3)
                square += (share * self._waves.disturbances.white(own)) ** 2 * (1.0 + flicker)
            elif kind == "ripple":
                square += (share * self._ripple(rest)) ** 2 / SUPPLY_BANDWIDTH_HZ
        return np.sqrt(square)

    def lines(self, node: str, against: str = "ground") -> dict[float, float]:
        """V rms of the steady lines between two nodes, by frequency (Hz): hum, pick-up, ripple."""
        phasors: dict[float, complex] = {}
        for name, share in self._disturbances(node, against).items():
            for part in self._waves.disturbances.steady(name):
                phasor = share * part.peak * np.exp(1j * part.phase_rad)
                phasors[part.frequency_hz] = phasors.get(part.frequency_hz, 0.0) + complex(phasor)
        return {f: abs(p) / math.sqrt(2.0) for f, p in sorted(phasors.items())}

    def brought_in_v(self, node: str, against: str = "ground") -> float:
        """V rms, 22 Hz to 22 kHz, of the noise that generators bring in between two nodes."""
        shares = self._disturbances(node, against)
        return math.hypot(0.0, *(v for name, v in shares.items() if name.startswith("generator.")))

    def tones(self, node: str, against: str = "ground") -> dict[float, float]:
        """V rms of what is periodic between two nodes, by frequency, Hz: signal, and what the
        unit's own supply switches with."""
        squares: dict[float, float] = {}
        for period, table in self._waves.node(node).minus(self._waves.node(against)).tables:
            for frequency, rms in _lines(period, table).items():
                squares[frequency] = squares.get(frequency, 0.0) + rms**2
        return {f: math.sqrt(square) for f, square in sorted(squares.items())}

    def _disturbances(self, node: str, against: str) -> Mapping[str, float]:
        return self._waves.node(node).minus(self._waves.node(against)).noises

    # --- state ---

    def thump_on(self, channel: str) -> float:
        """V of the largest magnitude, DC and all, as the relay closes."""
        rest = self.offset(channel)
        return max(abs(rest), abs(rest + self._unit.spec.channel(channel).thump.on_v))

    def oscillation_v(self, channel: str, input_v_rms: float, into: str = "loaded") -> float:
        """V rms of what a channel's stage oscillates with at a drive of 1 kHz, while it does;
        ``into``: "loaded", "unloaded", or "capacitive": with a capacitor across its load."""
        ringing = self._unit.spec.channel(channel).oscillation
        stands = ("always", "loaded", "capacitive") if into == "capacitive" else ("always", into)
        if ringing.when not in stands:
            return 0.0
        with self.driven(input_v_rms):
            swing = self.output(channel)[1] / len(self._unit.spec.channel(channel).sides)
        return ringing.peak_v / math.sqrt(2.0) if ringing.reached(swing) else 0.0

    @property
    def damage(self) -> tuple[str, ...]:
        """What has been destroyed or shorted, in words."""
        return tuple(self._unit.damage)

    # --- places ---

    def _named(self, number: int, channel: str) -> bool:
        return self._unit.spec.channels[number].name == channel

    def _leg(self, channel: str, side: str, stage: int = 0) -> int:
        """The half-bridge, or the one of that number among those in parallel there."""
        at = 0
        for c in self._unit.spec.channels:
            for leg in c.legs:
                if c.name == channel and leg.side == side and stage in (0, leg.stage):
                    return at
                at += 1
        raise DemoError("no such half-bridge", found=leg_label(channel, side))

    def _device(self, channel: str, side: str, half: str, number: int) -> tuple[int, int]:
        """The half-bridge of an output device, and its place there, from 0."""
        first = self._leg(channel, side)
        for at, leg in enumerate(self._unit.electrics.legs[first:], first):
            for n, (known, _) in enumerate(leg.numbered(half)):
                if known == number and leg.side == side:
                    return at, n
        raise DemoError("no such device", found=f"{leg_label(channel, side)}.{half}.{number}")

    def _terminal(self, channel: str, side: str) -> int:
        pairs = [(c.name, s) for c in self._unit.spec.channels for s in c.sides]
        return pairs.index((channel, side))

    def terminals(self, channel: str) -> tuple[str, str]:
        """The nodes of a channel's speaker terminals, the one that follows the input first."""
        if len(self._unit.spec.channel(channel).sides) == 1:
            return f"out.{channel}", "ground"
        return f"out.{channel}.pos", f"out.{channel}.neg"


def _lines(period: Period, table: Floats | None) -> dict[float, float]:
    """V rms by frequency of a table, what is nothing beside the strongest left out."""
    if table is None:
        return {}
    rms = np.abs(np.fft.rfft(table))[1:] * math.sqrt(2.0) / table.size
    least = NOTHING * float(rms.max(initial=0.0))
    return {
        (n + 1) * period.frequency_hz: float(rms[n]) for n in np.flatnonzero(rms > least).tolist()
    }


def _distortion(table: Floats) -> float:
    """Harmonics 2 … 20 over the fundamental of one period."""
    if table.size < 64:
        return 0.0
    size = np.abs(np.fft.rfft(table))
    return float(np.sqrt((size[2:21] ** 2).sum()) / max(size[1], 1e-30))
