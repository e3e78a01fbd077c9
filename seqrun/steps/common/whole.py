"""Records on a range that holds the whole of what is at the outputs."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from seqrun.steps.common.drive import Waveform

#: records at most until the range holds all, each on one that is so much wider
WIDEN, WIDER = 5, 3.0


def held_whole(
    capture: Callable[..., dict[str, Waveform]], peak_v: float | None = None
) -> dict[str, Waveform]:
    """What ``capture(peak_v=…)`` takes, again on a wider range as long as one is clipped by it.

    An output may give more than its drive and its gain say: it oscillates, or it gave less for more
    at the level before. The last record is given back as it is.
    """
    waves = capture(peak_v=peak_v)
    for _ in range(WIDEN - 1):
        if not any(wave.clipped for wave in waves.values()):
            break
        peak_v = WIDER * max(float(np.max(np.abs(wave.volts))) for wave in waves.values())
        waves = capture(peak_v=peak_v)
    return waves
