"""From the unit's state to volts at its nodes over time.

A ``NodeSignal`` is what one node carries: DC, tables over a period, and named disturbances with
their factors. Two of them subtract before anything is drawn, so what both ends share cancels as
it does in a differential measurement.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from demo_sim import noise
from demo_sim.amplifier.electrics import ChannelTables, Electrics
from demo_sim.amplifier.signal import InputSignal, Period, pass_through, path_response, slew_limited
from demo_sim.amplifier.spec import HALVES, ChannelSpec
from demo_sim.dirt import Dirt
from demo_sim.passing import Passing
from demo_sim.powered import PoweredUnit
from demo_sim.rails import Rail
from demo_sim.wiring import GROUND, ballast_node, leg_label

Floats = NDArray[np.float64]

AUDIO_BANDWIDTH_HZ = 22e3
SUPPLY_BANDWIDTH_HZ = 20e6
SAME_SHAPE_K = 0.5
STRAY_V = 0.02  # peak of the line hum on a lead that hangs free or an input left open, V
OPEN_INPUT_PICKUP = 0.0004  # part of it that an open input's resistance leaves


@dataclass(frozen=True, slots=True, eq=False)
class NodeSignal:
    """``tables`` are (period, table) pairs; ``noises`` maps a disturbance's name to a factor.

    ``gate`` names the channel whose relay must be closed for any of it to be there; what comes and
    goes at its output goes by the name too.
    """

    dc: float = 0.0
    tables: tuple[tuple[Period, Floats], ...] = ()
    noises: Mapping[str, float] = field(default_factory=dict)
    gate: str | None = None

    def minus(self, other: NodeSignal) -> NodeSignal:
        tables = list(self.tables)
        for period, table in other.tables:
            for i, (mine, values) in enumerate(tables):
                if mine is period:
                    tables[i] = (mine, values - table)
                    break
            else:
                tables.append((period, -table))
        noises = dict(self.noises)
        for name, factor in other.noises.items():
            noises[name] = noises.get(name, 0.0) - factor
        left = {name: factor for name, factor in noises.items() if factor != 0.0}
        return NodeSignal(self.dc - other.dc, tuple(tables), left, self.gate)


def channel_tables(unit: PoweredUnit, number: int, electrics: Electrics) -> ChannelTables:
    """Waveforms of one channel at the unit's present rails and temperatures.

    ``electrics`` holds that channel alone.
    """
    spec = electrics.spec
    channel = spec.channels[0]
    legs = [i for i, c in enumerate(unit.electrics.channel_of) if c == number]
    admittance = unit.joined.admittance[np.ix_(legs, legs)]
    signal = unit.inputs[channel.name]
    rails = unit.rails.rails
    junction_c, sensor_c = unit.junction_c()[legs], unit.sensor_c()[legs]
    path = spec.path
    if signal.period is None:
        wanted = np.zeros((len(legs), 1))
    else:
        period = signal.period
        seconds = 1.0 / (period.frequency_hz * period.points)
        rows = []
        for leg in channel.legs:
            response = leg.gain * path_response(period.frequencies(), leg.low_cut_hz, leg.pole_hz)
            rows.append(slew_limited(pass_through(signal, response), seconds, path.slew_v_per_s))
        wanted = np.stack(rows)
    alike = sum(
        other.period is not None
        and signal.period is not None
        and other.period.frequency_hz == signal.period.frequency_hz
        for other in unit.inputs.values()
    )
    return electrics.waveforms(
        signal.period, wanted, rails, admittance, junction_c, sensor_c, alike
    )


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """Tables, and the state they were made in."""

    epoch: int
    junction_c: Floats
    device_mean_a: Floats
    tables: ChannelTables


class Waveforms:
    """Volts at nodes for the unit as it is now."""

    def __init__(self, unit: PoweredUnit, seed: int, ripple: Callable[[str], float]) -> None:
        self._unit = unit
        self._seed = seed
        self._ripple = ripple
        # Nodes of sections outside the power stage, and what the unit's own supply puts on a rail.
        self.special: Callable[[str], NodeSignal | None] = lambda name: None
        self.rail_tables: Callable[[str], tuple[tuple[Period, Floats], ...]] = lambda side: ()
        self._tables: dict[int, Kept] = {}
        self._alone: dict[int, tuple[object, Electrics]] = {}
        self.passing = Passing(unit, seed)
        self.dirt = Dirt()
        self._places: dict[str, tuple[int, int, str, int, str]] = {}
        for i, channel in enumerate(unit.spec.channels):
            for j, leg in enumerate(channel.legs):
                for half in HALVES:
                    for n in range(1, len(leg.half(half)) + 1):
                        for end in ("hot", "cold"):
                            node = ballast_node(channel.name, leg.side, half, n, end)
                            self._places[node] = (i, j, half, n, end)

    # --- tables ---

    def tables(self, number: int) -> ChannelTables:
        """Of channel ``number``; kept while nothing that shapes it changes.

        A few tenths of a kelvin change a current's mean (see ``_ballast``) but not its shape.
        """
        unit = self._unit
        point = unit.operating()  # rails in balance
        junction_c = unit.junction_c()
        kept = self._tables.get(number)
        if kept is not None and kept.epoch == unit.epoch:
            moved = float(np.abs(kept.junction_c - junction_c).max())
            if moved < SAME_SHAPE_K:
                return kept.tables
        made = channel_tables(unit, number, self.alone(number))
        self._tables[number] = Kept(unit.epoch, junction_c, point.device_mean_a, made)
        return made

    def alone(self, number: int) -> Electrics:
        """The output stages of one channel by themselves."""
        spec = self._unit.spec
        kept = self._alone.get(number)
        if kept is None or kept[0] is not spec:
            kept = (spec, Electrics(replace(spec, channels=(spec.channels[number],))))
            self._alone[number] = kept
        return kept[1]

    # --- nodes ---

    def node(self, name: str | None) -> NodeSignal:
        """What a node carries against ground; None is a lead in the air."""
        if name is None:
            return NodeSignal(noises={"stray": 1.0})
        if name == GROUND:
            return NodeSignal()
        special = self.special(name)
        if special is not None:
            return special
        kind, _, rest = name.partition(".")
        if kind == "rail" or name.startswith("link.rail."):
            return self._rail(rest.removeprefix("rail."))
        if kind == "in":
            return self._input(rest)
        if kind == "out":
            return self._output(rest)
        if name in self._places:
            return self._ballast(name)
        return NodeSignal(noises={"stray": 0.01})  # sensors carry no volts, only pick-up

    def _rail(self, side: str) -> NodeSignal:
        self._unit.operating()
        rails = self._unit.rails.rails
        return NodeSignal(
            rails.pos if side == "pos" else rails.neg,
            (*self._signal_on_rail(side), *self.rail_tables(side)),
            {f"ripple.{side}": 1.0},
        )

    def _signal_on_rail(self, side: str) -> tuple[tuple[Period, Floats], ...]:
        """What the signal's current leaves on a rail, across its reservoir and feed."""
        rail: Rail = getattr(self._unit.rails, side)
        half, sign = (0, -1.0) if side == "pos" else (1, 1.0)
        found = []
        for number in range(len(self._unit.spec.channels)):
            tables = self.tables(number)
            if tables.period is None or tables.period.every_s:
                continue
            drawn = tables.device_a[:, half].sum(axis=(0, 1))
            admittance = 2j * np.pi * tables.period.frequencies() * rail.spec.reservoir_f
            slow = rail.spec.slow_ohm / (1.0 + 1j * tables.period.frequencies() / rail.spec.slow_hz)
            if not rail.limited:  # a supply at its limit gives no more, whatever the rail does
                admittance = admittance + 1.0 / max(rail.ohm, 1e-6)
            spectrum = np.fft.rfft(drawn)
            spectrum[0] = 0.0  # the mean is in the rail's own balance
            admittance[0] = 1.0
            drop = sign * spectrum * (1.0 / admittance + slow)
            swing = np.fft.irfft(drop, tables.period.points)
            found.append((tables.period, np.asarray(swing)))
        return tuple(found)

    def _input(self, channel: str) -> NodeSignal:
        fed = next((c.name for c in self._unit.spec.channels if c.fed_by == channel), channel)
        signal = self._unit.inputs.get(fed)
        return NodeSignal(noises={"stray": 1.0}) if signal is None else of_input(signal, channel)

    def leg(self, number: int, leg: int) -> NodeSignal:
        """The output of a half-bridge before the relay."""
        tables = self.tables(number)
        channel = self._unit.spec.channels[number]
        return self._with_noise(channel, leg, tables, tables.volts[leg])

    def _with_noise(
        self, channel: ChannelSpec, leg: int, tables: ChannelTables, volts: Floats
    ) -> NodeSignal:
        mean, pairs = _split(tables.period, volts)
        if leg == 0 and channel.thump.off_v:
            mean += channel.thump.off_v * self._fallen()
        alive = self._unit.electrics.alive(self._unit.rails.rails)
        gain = channel.legs[leg].gain * alive
        share = alive if leg == 0 else -alive
        share /= len(channel.legs)
        noises = {f"amplifier.{channel.name}.{leg}": gain, f"slow.{channel.name}": share}
        signal = self._unit.inputs[channel.name]
        for terminal, rms in signal.noise:
            noises[f"generator.{terminal}"] = rms * gain
        if signal.density_v_rt_hz:
            noises[f"section.{channel.name}"] = signal.density_v_rt_hz * gain
        if signal.open:
            noises["stray"] = OPEN_INPUT_PICKUP * gain
        return NodeSignal(mean, pairs, noises)

    def _output(self, label: str) -> NodeSignal:
        unit = self._unit
        labels = [
            (i, j, leg_label(c.name, leg.side))
            for i, c in enumerate(unit.spec.channels)
            for j, leg in enumerate(c.legs)
        ]
        mine = next(k for k, (_, _, one) in enumerate(labels) if one == label)
        number = labels[mine][0]
        relay = unit.relays[number]
        if mine in unit.joined.floating:
            return NodeSignal(noises={"stray": 1.0})
        total = NodeSignal()
        for k, (i, j, _) in enumerate(labels):
            factor = float(unit.joined.outputs[mine, k])
            if factor:
                total = total.minus(_scaled(self.leg(i, j), -factor))
        return replace(total, gate=unit.spec.channels[number].name if relay.closed else None)

    def _ballast(self, name: str) -> NodeSignal:
        number, leg, half, n, end = self._places[name]
        h = HALVES.index(half)
        output = self.leg(number, leg)
        # Upper: hot is the device's end. Lower: hot is the output's end (current flows on down).
        if (half == "upper") == (end == "cold"):
            return output
        tables = self.tables(number)
        place = (self._leg_number(number, leg), h, n - 1)
        ohms = float(self._unit.electrics.stage.ballast[place])
        if self.dirt.ballast_per_k:
            unit = self._unit
            ohms *= 1.0 + self.dirt.ballast_per_k * (unit.temperature_c("sink") - unit.ambient_c)
        drop = tables.device_a[leg, h, n - 1] * ohms
        mean, pairs = _split(tables.period, drop if half == "upper" else -drop)
        # Heat has moved the mean since the table was made.
        since = self._unit.operating().device_mean_a - self._tables[number].device_mean_a
        mean += float(since[place]) * (ohms if half == "upper" else -ohms)
        return output.minus(NodeSignal(-mean, tuple((p, -t) for p, t in pairs)))

    def _leg_number(self, channel: int, leg: int) -> int:
        return [i for i, c in enumerate(self._unit.electrics.channel_of) if c == channel][leg]

    # --- evaluation ---

    def voltage(self, hi: str | None, lo: str | None, t: Floats) -> Floats:
        """v(hi) − v(lo) at uniformly spaced times."""
        if t.size == 0 or hi == lo:
            return np.zeros(t.size)
        one, other = self.node(hi), self.node(lo)
        if one.gate == other.gate or not (other.tables or other.noises or other.dc):
            return self._evaluate(one.minus(other), t)
        return self._evaluate(one, t) - self._evaluate(other, t)

    def _evaluate(self, signal: NodeSignal, t: Floats) -> Floats:
        window = noise.Window.of(t)
        total: Floats | None = None
        for period, table in signal.tables:
            values = period.evaluate(table, t)
            total = values if total is None else np.add(total, values, out=total)
        if total is None:
            total = np.zeros(t.size)
        if signal.gate is not None:
            self.passing.on_signal(signal.gate, t, total)
        if signal.dc:
            total += signal.dc
        slow: Floats | None = None
        factor, times = noise.slow_grid(window)
        for name, share in signal.noises.items():
            part = self._slow(name, times, window)
            if part is not None:
                slow = share * part if slow is None else slow + share * part
        self._add_white(signal.noises, window, total)
        if slow is not None:
            total += noise.stretched(slow, factor, window.points)
        if signal.gate is not None:
            self.passing.through_relay(signal.gate, t, total)
        return total

    def _fallen(self) -> float:
        """0…1: how far the rails are below where the output relay lets go."""
        rails, spec = self._unit.rails.rails, self._unit.spec
        least = min(rails.pos, -rails.neg) if spec.split else rails.pos
        return float(min(1.0, max(0.0, 1.0 - least / (0.9 * spec.rail_voltage))))

    def _add_white(self, noises: Mapping[str, float], window: noise.Window, total: Floats) -> None:
        """All white parts at once: independent, so their densities add in squares."""
        square, pole_hz, names = 0.0, 1e6, []
        for name, share in noises.items():
            kind, _, rest = name.partition(".")
            if kind == "amplifier":
                channel = self._unit.spec.channel(rest.split(".")[0])
                density = channel.noise.white_v_rt_hz
                pole_hz = min(pole_hz, channel.legs[0].pole_hz)
            elif kind == "generator":
                density = 1.0 / math.sqrt(AUDIO_BANDWIDTH_HZ)
            elif kind == "section":
                density = 1.0
            elif kind == "ripple":
                density = self._ripple(rest) / math.sqrt(SUPPLY_BANDWIDTH_HZ)
            else:
                continue
            square += (share * density) ** 2
            names.append(name)
        if square > 0.0:
            rng = noise.moment(self._seed, f"{'+'.join(names)}|{window.name}")
            total += noise.white(window, math.sqrt(square), pole_hz, rng)

    def _slow(self, name: str, t: Floats, window: noise.Window) -> Floats | None:
        kind, _, rest = name.partition(".")
        if kind == "amplifier":
            spec = self._unit.spec.channel(rest.split(".")[0]).noise
            rng = noise.moment(self._seed, f"flicker.{name}|{window.name}")
            return noise.flicker(t, spec.white_v_rt_hz, spec.flicker_hz, rng)
        if kind == "slow":
            return self._slow_of_channel(rest, t)
        if kind in ("stray", "ripple"):
            return noise.added(self.steady(name), t)
        return None

    def steady(self, name: str) -> tuple[noise.Sinusoid, ...]:
        """The steady lines of a named disturbance."""
        kind, _, rest = name.partition(".")
        if kind == "stray":
            return noise.hum(0.0, STRAY_V, self.dirt.line_hz)
        if kind == "ripple":
            return noise.hum(0.7 * self._ripple(rest), 0.0, self.dirt.line_hz)
        if kind == "slow":
            spec = self._unit.spec.channel(rest).noise
            beyond = 0.0
            if spec.hum_per_a or spec.line_per_a:
                beyond = max(0.0, self._unit.rails.pos.amps - spec.hum_from_a)
            hum_v = spec.hum_v + spec.hum_per_a * beyond
            odd = noise.odd_lines(spec.line_per_a * beyond, self.dirt.line_hz)
            return (*noise.hum(hum_v, spec.line_v, self.dirt.line_hz), *odd)
        return ()

    def _slow_of_channel(self, channel: str, t: Floats) -> Floats:
        return noise.added(self.steady(f"slow.{channel}"), t) + self.passing.bursts(channel, t)

    def dc(self, hi: str | None, lo: str | None, start_s: float, seconds: float) -> float:
        """Mean over an aperture."""
        if hi == lo:
            return 0.0
        one, other = self.node(hi), self.node(lo)
        if one.gate == other.gate or not (other.tables or other.noises or other.dc):
            return self._mean(one.minus(other), start_s, seconds)
        return self._mean(one, start_s, seconds) - self._mean(other, start_s, seconds)

    def _mean(self, signal: NodeSignal, start_s: float, seconds: float) -> float:
        total = signal.dc
        for period, table in signal.tables:
            total += period.mean(table, start_s, seconds)
        if signal.noises:
            rng = noise.moment(self._seed, f"dc|{start_s:.9f}|{seconds:.9f}")
        for name, share in signal.noises.items():
            total += share * self._noise_mean(name, start_s, seconds, rng)
        if signal.gate is not None:
            total = self.passing.mean_through_relay(signal.gate, total, start_s, seconds)
        return total

    def _noise_mean(
        self, name: str, start_s: float, seconds: float, rng: np.random.Generator
    ) -> float:
        kind, _, rest = name.partition(".")
        # White noise averaged over T has the variance density²/(2T).
        averaged = math.sqrt(0.5 / seconds)
        if kind == "amplifier":
            spec = self._unit.spec.channel(rest.split(".")[0]).noise
            flicker = math.sqrt(spec.flicker_hz * 3.0)  # some three octaves below 1/T
            return float(rng.normal()) * spec.white_v_rt_hz * math.hypot(averaged, flicker)
        if kind == "section":
            return float(rng.normal()) * averaged
        if kind == "generator":
            return float(rng.normal()) * averaged / math.sqrt(AUDIO_BANDWIDTH_HZ)
        if kind == "slow":
            spec = self._unit.spec.channel(rest).noise
            total = sum(p.mean(start_s, seconds) for p in self.steady(name))
            if spec.burst_v or spec.crackle_v:
                total += noise.mean_over(lambda t: self.passing.bursts(rest, t), start_s, seconds)
            return total
        if kind == "stray":
            return sum(p.mean(start_s, seconds) for p in self.steady(name))
        ripple = self._ripple(rest)
        return float(rng.normal()) * ripple * averaged / math.sqrt(SUPPLY_BANDWIDTH_HZ)


def of_input(signal: InputSignal, name: str) -> NodeSignal:
    """An input's node; ``name`` tells its sections' noise from others'."""
    noises = {f"generator.{terminal}": volts for terminal, volts in signal.noise}
    if signal.open:
        noises["stray"] = OPEN_INPUT_PICKUP
    if signal.density_v_rt_hz:
        noises[f"section.{name}"] = signal.density_v_rt_hz
    if signal.period is not None and signal.volts is not None:
        return NodeSignal(signal.dc, ((signal.period, signal.volts),), noises)
    return NodeSignal(signal.dc, (), noises)


def _split(period: Period | None, table: Floats) -> tuple[float, tuple[tuple[Period, Floats], ...]]:
    """Mean, and what moves about it as a table; a burst is taken to rest at its mean."""
    if period is None:
        return float(table[0]), ()
    mean = float(table.mean())
    return mean, ((period, table - mean),)


def _scaled(signal: NodeSignal, factor: float) -> NodeSignal:
    return NodeSignal(
        signal.dc * factor,
        tuple((p, t * factor) for p, t in signal.tables),
        {name: share * factor for name, share in signal.noises.items()},
        signal.gate,
    )
