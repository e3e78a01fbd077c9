"""What one node of the unit carries: DC, tables over a period, named disturbances.

Two of them subtract before anything is drawn, so what both ends share cancels as it does in a
differential measurement.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.signal import InputSignal, Period

Floats = NDArray[np.float64]

OPEN_INPUT_PICKUP = 0.0004  # part of the stray hum that an open input's resistance leaves


@dataclass(frozen=True, slots=True, eq=False)
class NodeSignal:
    """``tables`` are (period, table) pairs; ``noises`` maps a disturbance's name to a factor.

    ``gate`` names the channel whose relay must be closed for any of it to be there; what comes and
    goes at its output goes by the name too. ``added`` is the share of what the channel's stage adds
    of itself: 1 at one terminal of a bridge, 0 at the other, 1 across both. ``terminals`` is how
    many of the channel's terminals the signal lies between.
    """

    dc: float = 0.0
    tables: tuple[tuple[Period, Floats], ...] = ()
    noises: Mapping[str, float] = field(default_factory=dict)
    gate: str | None = None
    added: float = 0.0
    terminals: int = 0

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
        return NodeSignal(
            self.dc - other.dc,
            tuple(tables),
            left,
            self.gate,
            self.added - other.added,
            self.terminals + other.terminals,
        )


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


def split(period: Period | None, table: Floats) -> tuple[float, tuple[tuple[Period, Floats], ...]]:
    """Mean, and what moves about it as a table; a burst is taken to rest at its mean."""
    if period is None:
        return float(table[0]), ()
    mean = float(table.mean())
    return mean, ((period, table - mean),)


def scaled(signal: NodeSignal, factor: float) -> NodeSignal:
    return NodeSignal(
        signal.dc * factor,
        tuple((p, t * factor) for p, t in signal.tables),
        {name: share * factor for name, share in signal.noises.items()},
        signal.gate,
    )
