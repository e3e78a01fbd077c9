"""The thermal network: junction – case – sink – air for every device, one shared sink.

Linear, so it is integrated exactly for powers that change linearly over a step; what is not linear
is the power, which depends on the temperatures through the idle current. ``advance`` chooses its
steps so that the difference between "power as it was" and "power changing to what it becomes" stays
small. All temperatures are rises over ambient, K; powers W.

C dT/dt = −G T + P, G and C symmetric, so C^-1/2 G C^-1/2 = Q Λ Qᵀ gives independent modes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TOLERANCE_K = 0.01
# What is this hot is on its way to failing; there the story matters, not the hundredth.
HOT_RISE_K, TOLERANCE_HOT = 60.0, 2e-3
LONGEST_STEP_S = 20.0
LONGEST_STEADY_S = 300.0  # while the powers stay what they are, where a step of any length is exact
SHORTEST_STEP_S = 5e-3
RESOLVED_DIGITS = 12  # of a step in seconds: what is the same but for rounding is worked out once


@dataclass(frozen=True, slots=True)
class Network:
    """``conductance`` (n, n), W/K, with the paths to ambient on the diagonal; ``capacity`` (n,)."""

    names: tuple[str, ...]
    conductance: Floats
    capacity: Floats

    def index(self, name: str) -> int:
        return self.names.index(name)


class NetworkBuilder:
    """Nodes with a heat capacity, joined by resistances; ``AMBIENT`` is the air."""

    AMBIENT = "ambient"

    def __init__(self) -> None:
        self._capacity: dict[str, float] = {}
        self._paths: list[tuple[str, str, float]] = []

    def node(self, name: str, j_per_k: float) -> None:
        self._capacity[name] = j_per_k

    def path(self, one: str, other: str, k_per_w: float) -> None:
        self._paths.append((one, other, k_per_w))

    def build(self) -> Network:
        names = tuple(self._capacity)
        at = {name: i for i, name in enumerate(names)}
        conductance = np.zeros((len(names), len(names)))
        for one, other, k_per_w in self._paths:
            g = 1.0 / k_per_w
            ends = [at[name] for name in (one, other) if name != self.AMBIENT]
            for end in ends:
                conductance[end, end] += g
            if len(ends) == 2:
                conductance[ends[0], ends[1]] -= g
                conductance[ends[1], ends[0]] -= g
        return Network(names, conductance, np.array([self._capacity[name] for name in names]))


def with_path_out(network: Network, name: str, k_per_w: float) -> Network:
    """The same with one more path from a node out of the unit."""
    conductance = network.conductance.copy()
    conductance[network.index(name), network.index(name)] += 1.0 / k_per_w
    return Network(network.names, conductance, network.capacity)


class Heat:
    """State of a network, and its exact motion under linear power."""

    def __init__(self, network: Network, rise_k: Floats | None = None) -> None:
        self.network = network
        root = np.sqrt(network.capacity)
        scaled = network.conductance / np.outer(root, root)
        rates, modes = np.linalg.eigh(scaled)
        self._rates = rates
        self._to_modes = modes.T * root  # rise -> mode amplitudes
        self._power_to_modes = modes.T / root
        self._from_modes = (modes.T / root).T
        self._inverse = np.linalg.inv(network.conductance)
        self._factors = lru_cache(maxsize=64)(self._exact_factors)
        self.rise_k = np.zeros(len(root)) if rise_k is None else rise_k.copy()
        self._step_s = 0.1
        # What was put in last, and its modes: neither array is ever written to.
        self._modes: tuple[Floats, Floats] = (np.zeros(0), np.zeros(0))
        self._powers: tuple[Floats, Floats] = (np.zeros(0), np.zeros(0))

    def step(self, seconds: float, power: Floats, power_after: Floats | None = None) -> Floats:
        """Rises after ``seconds``, W going linearly from ``power`` to ``power_after``; no change
        of the state."""
        decay, first, second = self._factors(round(seconds, RESOLVED_DIGITS))
        if self._modes[0] is not self.rise_k:
            self._modes = (self.rise_k, self._to_modes @ self.rise_k)
        if self._powers[0] is not power:
            self._powers = (power, self._power_to_modes @ power)
        modes = decay * self._modes[1] + first * self._powers[1]
        if power_after is not None:
            modes += second * (self._power_to_modes @ (power_after - power))
        return np.asarray(self._from_modes @ modes)

    def _exact_factors(self, seconds: float) -> tuple[Floats, Floats, Floats]:
        """exp(−λh), h φ1(−λh), h φ2(−λh)."""
        x = self._rates * seconds
        decay = np.exp(-x)
        first = -np.expm1(-x) / self._rates
        # (1 − (1 − e^-x)/x)/λ; the series where the difference would lose digits.
        second = np.where(
            x > 1e-4,
            (1.0 - first / seconds) / self._rates,
            seconds * (0.5 - x / 6.0 + x * x / 24.0),
        )
        return decay, first, second

    def steady(self, power: Floats) -> Floats:
        """Rises that a constant power ends at."""
        return np.asarray(self._inverse @ power)

    def advance(self, seconds: float, power: Callable[[Floats], Floats]) -> None:
        """Move on; ``power(rise_k)`` gives W into each node."""
        left = seconds
        now: Floats | None = None
        while left > 1e-12:
            h = min(left, self._step_s)
            if now is None:
                now = power(self.rise_k)
            first = self.step(h, now)
            after = power(first)
            if after is now:  # the very same powers: nothing to correct
                second, error = first, 0.0
            else:
                second = self.step(h, now, after)
                error = float(np.maximum.reduce(np.abs(second - first)))
            hottest = float(np.maximum.reduce(second))
            allowed = TOLERANCE_K + TOLERANCE_HOT * max(0.0, hottest - HOT_RISE_K)
            if error > allowed and h > SHORTEST_STEP_S:
                shrink = max(0.2, 0.8 * (allowed / error) ** 0.5)
                self._step_s = max(SHORTEST_STEP_S, h * shrink)
                continue
            self.rise_k = second
            left -= h
            now = after  # worked out within the allowed error of where the step ends
            if h == self._step_s or error > 0.3 * allowed:
                growth = 0.8 * (allowed / max(error, 1e-6)) ** 0.5
                longest = LONGEST_STEP_S if error > 0.0 else LONGEST_STEADY_S
                self._step_s = min(longest, h * min(3.0, max(0.3, growth)))
