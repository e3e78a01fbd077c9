"""What the legs of a unit should put out, from what is at its inputs."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from demo_sim.amplifier.electrics import Wanted
from demo_sim.amplifier.signal import InputSignal, spectrum, through_path
from demo_sim.amplifier.spec import AmplifierSpec

SAMPLES = 32  # of a sine, for means
SAMPLES_COMPLEX = 256


def wanted_output(spec: AmplifierSpec, inputs: Mapping[str, InputSignal]) -> Wanted:
    """Samples of what every leg should put out, with their shares of time.

    The last sample is rest: its share is what a burst leaves.
    """
    signals = [inputs[c.name] for c in spec.channels for _ in c.legs]
    legs = [leg for c in spec.channels for leg in c.legs]
    if all(s.period is None for s in signals):
        return Wanted(np.zeros((len(legs), 1)), np.ones((len(legs), 1)))
    simple = all(s.period is None or _is_simple(s) for s in signals)
    count = SAMPLES if simple else SAMPLES_COMPLEX
    volts = np.zeros((len(legs), count + 1))
    weights = np.zeros((len(legs), count + 1))
    hertz = tuple(0.0 if s.period is None else s.period.frequency_hz for s in signals)
    for i, (leg, signal) in enumerate(zip(legs, signals, strict=True)):
        if signal.period is None:
            weights[i, -1] = 1.0
            continue
        table = through_path(signal, leg.gain, leg.low_cut_hz, leg.pole_hz, leg.resonance)
        step = signal.period.points // count
        volts[i, :-1] = table[step // 2 :: step]
        weights[i, :-1] = signal.period.duty / count
        weights[i, -1] = 1.0 - signal.period.duty
    return Wanted(volts, weights, hertz)


def _is_simple(signal: InputSignal) -> bool:
    """Nearly all of it is in the first few harmonics of the table."""
    power = np.abs(spectrum(signal)) ** 2
    return bool(power[5:].sum() <= 1e-4 * power.sum())
