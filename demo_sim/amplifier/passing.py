"""What comes and goes at an output: contacts that open, oscillation on peaks, thumps.

All are functions of bench time (and of the signal), so that overlapping windows agree and nothing
has to be followed while nobody looks. The heat takes no notice of them: they are short.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from demo_sim import noise

Floats = NDArray[np.float64]
SLOT_EVENTS = 8  # events are drawn in slots of so many


@dataclass(frozen=True, slots=True)
class Intermittent:
    """A contact that lets go now and then.

    Args:
        every_s: mean time from one opening to the next; inf: never. lasts_s: mean length of one.
            scatter: both are uniform within ± this fraction of their mean (below 1).
        lost: of the signal while it is open, 0 … 1.
        above_c, below_c: only while the heatsink is between these, °C.
    """

    every_s: float = math.inf
    lasts_s: float = 0.05
    scatter: float = 0.5
    lost: float = 1.0
    above_c: float = -math.inf
    below_c: float = math.inf

    def openings(
        self, seed: int, name: str, start_s: float, end_s: float
    ) -> Iterator[tuple[float, float]]:
        """(begin, end) of every opening that touches start_s … end_s, in order."""
        if not math.isfinite(self.every_s) or self.lasts_s <= 0.0:
            return
        slot_s = SLOT_EVENTS * self.every_s
        longest = self.lasts_s * (1.0 + self.scatter)
        for slot in range(math.floor((start_s - longest) / slot_s), math.floor(end_s / slot_s) + 1):
            rng = noise.stream(seed, f"{name}.{slot}")
            late = self.scatter * rng.uniform(0.0, 1.0, SLOT_EVENTS)
            lasts = self.lasts_s * (1.0 + self.scatter * rng.uniform(-1.0, 1.0, SLOT_EVENTS))
            begins = slot * slot_s + (np.arange(SLOT_EVENTS) + late) * self.every_s
            for begin, last in zip(begins.tolist(), lasts.tolist(), strict=True):
                if begin < end_s and begin + last > start_s:
                    yield begin, begin + last

    def left(self, seed: int, name: str, t: Floats) -> Floats | None:
        """What of the signal is left at times ``t`` (ascending); None where nothing is lost."""
        if t.size == 0:
            return None
        share: Floats | None = None
        for begin, end in self.openings(seed, name, float(t[0]), float(t[-1])):
            if share is None:
                share = np.ones(t.size)
            a, b = np.searchsorted(t, (begin, end))
            share[a:b] = 1.0 - self.lost
        return share

    def lost_share(self, seed: int, name: str, start_s: float, seconds: float) -> float:
        """Mean of what is lost over a stretch of time."""
        end_s = start_s + seconds
        gone = sum(
            min(end, end_s) - max(begin, start_s)
            for begin, end in self.openings(seed, name, start_s, end_s)
        )
        return self.lost * gone / seconds


@dataclass(frozen=True, slots=True)
class Oscillation:
    """A stage that is not stable everywhere: bursts of a high frequency.

    Args:
        peak_v: at the output; 0: none. frequency_hz: of it.
        above_v, below_v: while the output is between these away from its rest; 0 and inf: always.
        side: which half swings it: "both", "upper" (positive peaks) or "lower".
        when: "always", only "loaded", only "unloaded", or only with a "capacitive" load.
    """

    peak_v: float = 0.0
    frequency_hz: float = 2e6
    above_v: float = 12.0
    below_v: float = math.inf
    side: Literal["both", "upper", "lower"] = "both"
    when: Literal["always", "loaded", "unloaded", "capacitive"] = "always"

    def at(self, t: Floats, swing: Floats) -> Floats:
        """V at times ``t`` where the output is at ``swing`` (V about its rest)."""
        ringing = np.sin(2.0 * np.pi * self.frequency_hz * t)
        return np.asarray(np.where(self._far(swing), self.peak_v * ringing, 0.0))

    def reached(self, swing: Floats) -> bool:
        """Whether a swing, V about its rest, comes to where the stage is not stable."""
        return self.peak_v != 0.0 and bool(np.any(self._far(swing)))

    def _far(self, swing: Floats) -> NDArray[np.bool_]:
        size = {"both": np.abs(swing), "upper": swing, "lower": -swing}[self.side]
        return np.asarray((size >= self.above_v) & (np.abs(swing) <= self.below_v))


@dataclass(frozen=True, slots=True)
class Thump:
    """A step at the output that dies away when the relay closes, and one when the rails fall.

    Args:
        on_v, on_s: its height as the contact closes, V, and its time constant.
        off_v: at the output, as far as the rails have fallen (all of it with nothing left).
    """

    on_v: float = 0.0
    on_s: float = 0.15
    off_v: float = 0.0

    def on(self, t: Floats, closed_since: float) -> Floats:
        """V at times ``t``."""
        after = t - closed_since
        return np.asarray(
            np.where(after >= 0.0, self.on_v * np.exp(-np.maximum(after, 0.0) / self.on_s), 0.0)
        )

    def on_mean(self, start_s: float, seconds: float, closed_since: float) -> float:
        """Mean over a stretch of time, V."""
        a = max(0.0, start_s - closed_since)
        b = max(0.0, start_s + seconds - closed_since)
        area = self.on_s * (math.exp(-a / self.on_s) - math.exp(-b / self.on_s))
        return self.on_v * area / seconds


SOUND, STABLE, SILENT = Intermittent(), Oscillation(), Thump()
