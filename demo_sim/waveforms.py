"""From the unit's state to volts at its nodes over time."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from demo_sim import noise
from demo_sim.amplifier.electrics import ChannelTables, Operating
from demo_sim.amplifier.signal import Period
from demo_sim.amplifier.spec import HALVES, ChannelSpec, OutputCapacitor
from demo_sim.dirt import Dirt
from demo_sim.disturbances import Disturbances
from demo_sim.node_signal import OPEN_INPUT_PICKUP, NodeSignal, of_input, scaled, split
from demo_sim.passing import Passing
from demo_sim.powered import PoweredUnit
from demo_sim.rails import Rail
from demo_sim.tables import Tables
from demo_sim.wiring import ENDS, GROUND, ballast_node, leg_label, output_ballast_node

Floats = NDArray[np.float64]

FILM_A = 0.02  # a film on a contact keeps all that it keeps beyond this


@dataclass(frozen=True, slots=True)
class _Output:
    """A node's signal, and the state that it was put together in."""

    point: Operating
    epoch: int
    signal: NodeSignal


class Waveforms:
    """Volts at nodes for the unit as it is now."""

    def __init__(
        self, unit: PoweredUnit, seed: int, ripple: Callable[[str], float], dirt: Dirt
    ) -> None:
        self._unit = unit
        self._dirt = dirt
        # Nodes of sections outside the power stage, and what the unit's own supply puts on a rail.
        self.special: Callable[[str], NodeSignal | None] = lambda name: None
        self.rail_tables: Callable[[str], tuple[tuple[Period, Floats], ...]] = lambda side: ()
        self.tables = Tables(unit)
        self.passing = Passing(unit, seed)
        self.disturbances = Disturbances(unit, seed, ripple, dirt, self.passing)
        self._outputs: dict[str, _Output] = {}
        channels = list(enumerate(unit.spec.channels))
        self._legs = [(i, j) for i, channel in channels for j in range(len(channel.legs))]
        self._terminals = {
            leg_label(channel.name, side): (k, i)
            for k, (i, channel, side) in enumerate(
                (i, channel, side) for i, channel in channels for side in channel.sides
            )
        }
        self._stages = {
            output_ballast_node(channel.name, leg.side, leg.stage, end): (i, j, end)
            for i, channel in channels
            for j, leg in enumerate(channel.legs)
            for end in ENDS
            if leg.stage
        }
        self._places: dict[str, tuple[int, int, str, int, str]] = {}
        for i, channel in enumerate(unit.spec.channels):
            for j, leg in enumerate(channel.legs):
                for half in HALVES:
                    for n, (number, _) in enumerate(leg.numbered(half), 1):
                        for end in ENDS:
                            node = ballast_node(channel.name, leg.side, half, number, end)
                            self._places[node] = (i, j, half, n, end)

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
        if name in self._stages:
            return self._output_ballast(name)
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
            tables = self.tables.played(number)
            if tables is None or tables.period is None or tables.period.every_s:
                continue
            drawn = tables.device_a[:, half].sum(axis=(0, 1))
            admittance = 2j * np.pi * tables.period.frequencies() * rail.spec.reservoir_f
            slow = rail.spec.slow(np.maximum(tables.period.frequencies(), 1e-9))
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
        tables = self.tables.of(number)
        channel = self._unit.spec.channels[number]
        return self._with_noise(channel, leg, tables, tables.volts[leg])

    def _with_noise(
        self, channel: ChannelSpec, leg: int, tables: ChannelTables, volts: Floats
    ) -> NodeSignal:
        mean, pairs = split(tables.period, volts)
        upright = channel.legs[leg].side != "neg"
        if upright and channel.thump.off_v:
            mean += channel.thump.off_v * self._unit.fallen(self._unit.rails.rails)
        alive = self._unit.electrics.alive(self._unit.rails.rails)
        gain = channel.legs[leg].gain * alive
        share = alive if upright else -alive
        share /= len(channel.sides)
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
        """A speaker terminal; kept while the operating point is."""
        point, epoch = self._unit.operating(), self._unit.epoch
        kept = self._outputs.get(label)
        if kept is None or kept.point is not point or kept.epoch != epoch:
            kept = _Output(point, epoch, self._joined(label))
            self._outputs[label] = kept
        return kept.signal

    def _joined(self, label: str) -> NodeSignal:
        unit = self._unit
        mine, number = self._terminals[label]
        if mine in unit.joined.floating:
            return NodeSignal(noises={"stray": 1.0})
        total = self._together(unit.joined.outputs[mine])
        if (part := unit.spec.channels[number].capacitor) is not None:
            total = self._through(part, number, total)
        if unit.spec.channels[number].relay.film_v:
            total = total.minus(self._film(number, mine))
        if unit.relays[number].dry:
            passes = 1.0 - unit.spec.channels[number].relay.dry_lost
            total = replace(scaled(total, passes), dc=total.dc)
        if not unit.relays[number].closed:
            return total
        channel = unit.spec.channels[number]
        driven = label == leg_label(channel.name, channel.sides[0])
        return replace(total, gate=channel.name, added=float(driven), terminals=1)

    def before_relay(self, number: int) -> NodeSignal:
        """What a channel's first leg gives, behind its capacitor if it has one."""
        part, signal = self._unit.spec.channels[number].capacitor, self.leg(number, 0)
        return signal if part is None else self._through(part, number, signal)

    def _through(self, part: OutputCapacitor, number: int, signal: NodeSignal) -> NodeSignal:
        """Behind an output capacitor; what is random is taken to be above its corner."""
        mine = [i for i, c in enumerate(self._unit.electrics.channel_of) if c == number]
        siemens = float(self._unit.joined.admittance[np.ix_(mine, mine)].sum())
        tables = tuple(
            (
                period,
                np.fft.irfft(
                    np.fft.rfft(table) * part.passes(period.frequencies(), siemens), table.size
                ),
            )
            for period, table in signal.tables
        )
        dc = signal.dc * float(part.passes(np.zeros(1), siemens)[0].real)
        return replace(signal, dc=dc, tables=tables)

    def _film(self, number: int, mine: int) -> NodeSignal:
        """What a film on the relay's contact keeps from the load."""
        tables = self.tables.of(number)
        legs = [i for i, c in enumerate(self._unit.electrics.channel_of) if c == number]
        channel = self._unit.spec.channels[number]
        side = channel.sides[mine - self._terminals[leg_label(channel.name, channel.sides[0])][0]]
        at_terminal = [i for i in legs if self._unit.electrics.legs[i].side == side]
        out = self._unit.joined.admittance[np.ix_(at_terminal, legs)].sum(axis=0)
        amperes = out @ tables.volts
        film_v = channel.relay.film_v
        mean, pairs = split(tables.period, film_v * np.tanh(np.maximum(amperes, 0.0) / FILM_A))
        return NodeSignal(mean, pairs)

    def _together(self, factors: Floats) -> NodeSignal:
        """So much of each leg's volts."""
        total = NodeSignal()
        for (i, j), factor in zip(self._legs, factors.tolist(), strict=True):
            if factor:
                total = total.minus(scaled(self.leg(i, j), -factor))
        return total

    def _output_ballast(self, name: str) -> NodeSignal:
        """Either end of what joins a stage to others in parallel; current flows from hot to cold
        on its way out."""
        number, j, end = self._stages[name]
        channel, joined = self._unit.spec.channels[number], self._unit.joined
        leg, mine = channel.legs[j], self._leg_number(number, j)
        meet = joined.joints[self._terminals[leg_label(channel.name, leg.side)][0]]
        if end == "cold":
            return self._together(meet)
        if math.isinf(leg.output_ohm):  # the stage's own output, which nothing loads
            return self.leg(number, j)
        return self._together(meet + leg.output_ohm * joined.admittance[mine])

    def _ballast(self, name: str) -> NodeSignal:
        number, leg, half, n, end = self._places[name]
        h = HALVES.index(half)
        output = self.leg(number, leg)
        # Upper: hot is the device's end. Lower: hot is the output's end (current flows on down).
        if (half == "upper") == (end == "cold"):
            return output
        tables = self.tables.of(number)
        place = (self._leg_number(number, leg), h, n - 1)
        ohms = float(self._unit.electrics.stage.ballast[place])
        if self._dirt.ballast_per_k:
            unit = self._unit
            ohms *= 1.0 + self._dirt.ballast_per_k * (unit.temperature_c("sink") - unit.ambient_c)
        drop = tables.device_a[leg, h, n - 1] * ohms
        mean, pairs = split(tables.period, drop if half == "upper" else -drop)
        # Heat has moved the mean since the table was made.
        mean += float(self.tables.since(number)[place]) * (ohms if half == "upper" else -ohms)
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
            self.passing.on_signal(signal.gate, t, total, signal.added, signal.terminals)
        if signal.dc:
            total += signal.dc
        if signal.noises:
            self.disturbances.add_white(signal.noises, window, total)
            self.disturbances.add_slow(signal.noises, window, total)
        if signal.gate is not None:
            self.passing.through_relay(signal.gate, t, total)
        return total

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
        total += self.disturbances.mean(signal.noises, start_s, seconds)
        if signal.gate is not None:
            total = self.passing.mean_through_relay(
                signal.gate, total, start_s, seconds, signal.added
            )
        return total
