"""One period of each channel as the unit is now, kept while nothing that shapes it changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.electrics import ChannelTables, Electrics, Rails
from demo_sim.amplifier.signal import InputSignal, slew_limited, through_path
from demo_sim.powered import PoweredUnit
from demo_sim.wiring import Joined

Floats = NDArray[np.float64]

SAME_SHAPE_K = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """All that a channel's tables follow from, of an epoch of the unit."""

    joined: Joined
    inputs: Mapping[str, InputSignal]
    rails: Rails
    junction_c: Floats
    sensor_c: Floats
    device_mean_a: Floats

    @classmethod
    def of(cls, unit: PoweredUnit, junction_c: Floats, device_mean_a: Floats) -> State:
        """The present one."""
        return cls(
            unit.joined, unit.inputs, unit.rails.rails, junction_c, unit.sensor_c(), device_mean_a
        )


def channel_tables(
    unit: PoweredUnit, number: int, electrics: Electrics, at: State
) -> ChannelTables:
    """Waveforms of one channel of the unit in a state of it.

    ``electrics`` holds that channel alone.
    """
    spec = electrics.spec
    channel = spec.channels[0]
    legs = [i for i, c in enumerate(unit.electrics.channel_of) if c == number]
    admittance = at.joined.admittance[np.ix_(legs, legs)]
    signal = at.inputs[channel.name]
    junction_c, sensor_c = at.junction_c[legs], at.sensor_c[legs]
    path = spec.path
    if signal.period is None:
        wanted = np.zeros((len(legs), 1))
    else:
        period = signal.period
        seconds = 1.0 / (period.frequency_hz * period.points)
        rows = []
        for leg in channel.legs:
            table = through_path(signal, leg.gain, leg.low_cut_hz, leg.pole_hz, leg.resonance)
            rows.append(slew_limited(table, seconds, path.slew_v_per_s))
        wanted = np.stack(rows)
    alike = sum(
        other.period is not None
        and signal.period is not None
        and other.period.frequency_hz == signal.period.frequency_hz
        for other in at.inputs.values()
    )
    return electrics.waveforms(
        signal.period, wanted, at.rails, admittance, junction_c, sensor_c, alike
    )


@dataclass(slots=True, eq=False)
class Kept:
    """Tables, and the state they are those of; a channel at rest has them worked out for the first
    who asks."""

    epoch: int
    at: State
    tables: ChannelTables | None = None


class Tables:
    """Of all channels of one unit."""

    def __init__(self, unit: PoweredUnit) -> None:
        self._unit = unit
        self._tables: dict[int, Kept] = {}
        self._alone: dict[int, tuple[object, Electrics]] = {}

    def of(self, number: int) -> ChannelTables:
        """Of channel ``number``.

        A few tenths of a kelvin change a current's mean (see ``since``) but not its shape.
        """
        kept = self._kept(number)
        if kept.tables is None:
            kept.tables = channel_tables(self._unit, number, self.alone(number), kept.at)
        return kept.tables

    def played(self, number: int) -> ChannelTables | None:
        """The same where the channel is given a signal; None where it rests, and a table of one
        point need not be worked out."""
        kept = self._kept(number)
        name = self._unit.spec.channels[number].name
        return None if kept.at.inputs[name].period is None else self.of(number)

    def _kept(self, number: int) -> Kept:
        unit = self._unit
        point = unit.operating()  # rails in balance
        junction_c = unit.junction_c()
        kept = self._tables.get(number)
        if kept is not None and kept.epoch == unit.epoch:
            moved = float(np.abs(kept.at.junction_c - junction_c).max())
            if moved < SAME_SHAPE_K:
                return kept
        kept = Kept(unit.epoch, State.of(unit, junction_c, point.device_mean_a))
        self._tables[number] = kept
        return kept

    def since(self, number: int) -> Floats:
        """What the devices' mean currents have changed by since that channel's were made, A:
        (legs, 2, devices) of the whole unit."""
        return self._unit.operating().device_mean_a - self._tables[number].at.device_mean_a

    def alone(self, number: int) -> Electrics:
        """The output stages of one channel by themselves."""
        spec = self._unit.spec
        kept = self._alone.get(number)
        if kept is None or kept[0] is not spec:
            kept = (spec, Electrics(replace(spec, channels=(spec.channels[number],))))
            self._alone[number] = kept
        return kept[1]
