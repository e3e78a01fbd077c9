"""The simulated phono stage against IEC 60098.

Time constants 3180, 318 and 75 µs; the values relative to 1 kHz were computed from them.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from demo_sim.amplifier.sections import RIAA_S, riaa

DECIBELS = {
    20.0: 19.274,
    50.0: 16.946,
    100.0: 13.088,
    200.0: 8.219,
    500.0: 2.648,
    1000.0: 0.0,
    2000.0: -2.589,
    5000.0: -8.210,
    10e3: -13.734,
    20e3: -19.620,
}


@pytest.mark.parametrize(("frequency", "decibels"), DECIBELS.items())
def test_playback_equalisation_follows_iec_60098(frequency: float, decibels: float) -> None:
    assert 20.0 * np.log10(np.abs(riaa(np.array([frequency]))[0])) == pytest.approx(
        decibels, abs=1e-3
    )


def test_magnitude_and_phase_are_those_of_scipys_transfer_function() -> None:
    t1, t2, t3 = RIAA_S
    f = np.geomspace(10.0, 40e3, 200)
    _, reference = signal.freqs([t2, 1.0], np.polymul([t1, 1.0], [t3, 1.0]), 2 * np.pi * f)
    ours = riaa(f)
    np.testing.assert_allclose(ours / reference, (ours / reference)[0], rtol=1e-9)
