"""What is kept of a watch, to be looked at and listened to: its level, and its loudest records.

All that is heard without drive goes on record at one gain, that of :data:`QUIET_V`; what is driven
at the gain of the unit's largest peak. Both are the same before a repair and after it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from seqrun.measure.hunting import FRAME_S, frame_rms
from seqrun.plan.context import Context
from seqrun.steps.common.listening import Heard

Array = NDArray[np.float64]
#: full scale of what is heard at rest: noise lies far below, a loud burst near it; our own choice
QUIET_V = 0.1
KEPT_S = 8.0  # of sound, at most; our own choice
POINTS = 2000  # of the level in time, at most


@dataclass
class Kept:
    """Records of one watch, as they are heard."""

    starts: list[float] = field(default_factory=list)
    frames: list[Array] = field(default_factory=list)
    _loudest: list[tuple[float, int, Array]] = field(default_factory=list)
    _rate_hz: float = 0.0
    _seconds: float = 0.0

    def add(self, start_s: float, heard: Heard) -> None:
        """One more record, begun at a bench time."""
        volts = heard.wave.volts
        frames = frame_rms(volts, heard.rate_hz)
        self.starts.append(start_s)
        self.frames.append(frames)
        self._rate_hz = heard.rate_hz
        self._seconds = max(self._seconds, volts.size / heard.rate_hz)
        self._loudest.append((float(frames.max(initial=0.0)), len(self.starts), volts))
        room = max(1, int(KEPT_S / self._seconds))
        if len(self._loudest) > room:
            self._loudest.remove(min(self._loudest, key=lambda one: one[0]))

    def leave(self, ctx: Context, name: str, threshold_v: float | None = None) -> None:
        """Level in time as a trace, the loudest records in their order as a sound.

        Args:
            threshold_v: rms above which a frame belongs to a burst; None: nothing was looked for.
        """
        if not any(frames.size for frames in self.frames):
            return
        begun = self.starts[0]
        at = np.concatenate(
            [s - begun + FRAME_S * np.arange(f.size) for s, f in zip(self.starts, self.frames)]  # noqa: B905 - as many of both
        )
        level = np.concatenate(self.frames)
        step = max(1, -(-level.size // POINTS))
        cut = np.arange(0, level.size, step)
        columns = {"time_s": at[cut], "loudest_v": np.maximum.reduceat(level, cut)}
        if threshold_v is not None:
            columns["threshold_v"] = np.full(cut.size, threshold_v)
        ctx.trace(name, {key: values.tolist() for key, values in columns.items()})
        order = sorted(self._loudest, key=lambda one: one[1])
        ctx.sound(name, np.concatenate([one[2] for one in order]), self._rate_hz, QUIET_V)
