"""Power stages in parallel at one speaker terminal, and what they and the loads make of it.

Each stage follows its input behind its own feedback, which ends before its output ballast. So a
terminal sees sources behind resistors: with conductances g and G = Σ g, sources V rest at
E = Σ g V / G behind 1/G, and a stage gives g (V − E), what circulates between the stages, and g / G
of the load's current (Millman's theorem).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from demo_sim.errors import DemoError

if TYPE_CHECKING:
    from demo_sim.amplifier.spec import LegSpec

Floats = NDArray[np.float64]

OUTPUT_BALLAST_OHM = 0.1  # of a unit whose sheet does not tell
OFFSET_V = 2e-3  # of a stage by itself, ±
GAIN_SHARE = 5e-4  # of a stage by itself, ±: feedback resistors of 0.1 %
MOST_STAGES = 8


@dataclass(frozen=True, slots=True)
class OutputBallast:
    """What is between a stage and its terminal: Ω, and a fraction."""

    ohm: float
    tolerance: float


def stages_of(values: Mapping[str, object]) -> int:
    """How many power stages are in parallel at each terminal."""
    stages = values["paralleled"]
    if isinstance(stages, bool) or not isinstance(stages, int) or not 1 <= stages <= MOST_STAGES:
        raise DemoError("paralleled", found=repr(stages), expected=f"1 to {MOST_STAGES}")
    return stages


def paralleled(
    leg: LegSpec, stages: int, ballast: OutputBallast, rng: np.random.Generator
) -> list[LegSpec]:
    """A half-bridge as so many stages, which have its devices between them."""
    each = len(leg.upper) // stages
    made = []
    for number in range(stages):
        own = slice(number * each, (number + 1) * each)
        ohm, offset, gain = (float(x) for x in rng.uniform(-1.0, 1.0, 3))
        made.append(
            replace(
                leg,
                stage=number + 1,
                earlier=number * each,
                upper=leg.upper[own],
                lower=leg.lower[own],
                output_ohm=ballast.ohm * (1.0 + ballast.tolerance * ohm),
                offset_v=leg.offset_v + OFFSET_V * offset,
                gain=leg.gain * (1.0 + GAIN_SHARE * gain),
            )
        )
    return made


class Terminals:
    """How the stages come together at the terminals.

    Args:
        groups: the stages at each terminal, by their numbers; one alone has no output ballast.
        siemens: (stages,): of each stage's way to its terminal; not read for one alone.

    Attributes:
        weights: (terminals, stages): volts behind ``ohm`` = weights @ volts of the stages.
        ohm: (terminals,): what all stages of a terminal have together; inf: none reaches it.
    """

    def __init__(self, groups: Sequence[Sequence[int]], siemens: Floats) -> None:
        self.weights = np.zeros((len(groups), siemens.size))
        self.ohm = np.zeros(len(groups))
        self._circulating = np.zeros((siemens.size, siemens.size))
        for terminal, stages in enumerate(groups):
            if len(stages) == 1:
                self.weights[terminal, stages[0]] = 1.0
                continue
            g = siemens[list(stages)]
            total = float(g.sum())
            self.ohm[terminal] = 1.0 / total if total else math.inf
            share = g / total if total else g
            self.weights[terminal, list(stages)] = share
            self._circulating[np.ix_(stages, stages)] = np.diag(g) - np.outer(g, share)

    def of_stages(self, admittance: Floats) -> Floats:
        """(stages, stages): the stages' currents from their volts, where ``admittance``
        (terminals, terminals) gives the terminals' currents from the volts behind ``ohm``."""
        return np.asarray(self._circulating + self.weights.T @ admittance @ self.weights)

    def joints(self, admittance: Floats) -> Floats:
        """(terminals, stages): volts where the ballasts of a terminal meet, from the stages'."""
        lost = np.where(np.isfinite(self.ohm), self.ohm, 0.0)[:, None] * admittance
        return np.asarray(self.weights - lost @ self.weights)
