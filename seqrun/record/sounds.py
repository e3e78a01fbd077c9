"""Sounds: what a probe heard, as WAV files that any player plays, all of a kind at one gain.

A file is 16-bit PCM, one channel. Full scale stands for a stated voltage, the same before a repair
and after it, so that the two can be compared by ear; what is louder is clipped.
"""

from __future__ import annotations

import math
import wave
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.record.errors import from_os

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_FULL = 32767
#: the ear asks for no more samples a second
_FASTEST_HZ = 50_000


def write_sound(
    path: Path, volts: NDArray[np.float64], rate_hz: float, full_scale_v: float
) -> None:
    """A new WAV file.

    Args:
        volts: one record, or several one after another, shape (n,).
        full_scale_v: voltage that full scale stands for; beyond it the sound is clipped.

    Raises:
        RecordError: it cannot be written.
    """
    import numpy as np

    step = max(1, math.ceil(rate_hz / _FASTEST_HZ - 1e-6))
    count = len(volts) // step
    kept = volts[: count * step].reshape(count, step).mean(axis=1)
    scaled = np.clip(np.round(kept / full_scale_v * _FULL), -_FULL, _FULL)
    try:
        with path.open("xb") as file, wave.open(file, "wb") as sound:
            sound.setnchannels(1)
            sound.setsampwidth(2)
            sound.setframerate(round(rate_hz / step))
            sound.writeframes(scaled.astype("<i2").tobytes())
    except OSError as error:
        raise from_os(error, path, "writing a sound") from error
