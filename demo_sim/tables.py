"""One period of each channel as the unit is now, kept while nothing that shapes it changes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.electrics import ChannelTables, Electrics
from demo_sim.amplifier.signal import slew_limited, through_path
from demo_sim.powered import PoweredUnit

Floats = NDArray[np.float64]

SAME_SHAPE_K = 0.5


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
            table = through_path(signal, leg.gain, leg.low_cut_hz, leg.pole_hz, leg.resonance)
            rows.append(slew_limited(table, seconds, path.slew_v_per_s))
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

    def since(self, number: int) -> Floats:
        """What the devices' mean currents have changed by since that channel's were made, A:
        (legs, 2, devices) of the whole unit."""
        return self._unit.operating().device_mean_a - self._tables[number].device_mean_a

    def alone(self, number: int) -> Electrics:
        """The output stages of one channel by themselves."""
        spec = self._unit.spec
        kept = self._alone.get(number)
        if kept is None or kept[0] is not spec:
            kept = (spec, Electrics(replace(spec, channels=(spec.channels[number],))))
            self._alone[number] = kept
        return kept[1]
