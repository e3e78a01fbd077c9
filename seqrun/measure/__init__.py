"""Measurements: pure functions on numbers, arrays and uncertain numbers. No instrument, no clock,
no file.

| module | subject |
| --- | --- |
| levels | offset, idle current and drift, sharing, ripple, sag |
| power, clipping, headroom | power into a load, at a stated distortion, clipping onset, bursts |
| transfer | gain, balance, response, separation, source impedance, RIAA, tone, volume |
| distortion, intermodulation | THD, THD+N, SINAD; two-tone products |
| changed | what an output gives otherwise than before; sticking when overdriven |
| noise, lines, weighting | noise levels, signal-to-noise, random bursts; hum and whine lines |
| pick_up | what leads pick up of the mains |
| sinefit, tones | IEEE 1057 fits |
| spectrum, windows | power spectra, coherent sampling |
| temperature, heat, saturating | sensors; rises, their prediction, runaway |
| banks, cases | devices in parallel: by their currents, by the warmth of their cases |
| settle, timing | when a reading has stopped moving; relays and mutes |
| bounds, uncertain | values near the instrument's floor; making measured numbers |

Whatever cannot be measured raises :class:`seqrun.errors.NotMeasured` with the reason.
"""

MODULES = (
    "banks",
    "bounds",
    "cases",
    "changed",
    "clipping",
    "cooling",
    "cooling_down",
    "counts",
    "distortion",
    "headroom",
    "heat",
    "hunting",
    "intermodulation",
    "levels",
    "lines",
    "listening",
    "noise",
    "pick_up",
    "polarity",
    "power",
    "proportion",
    "saturating",
    "settle",
    "sinefit",
    "spectrum",
    "stray",
    "temperature",
    "timing",
    "tones",
    "transfer",
    "trend",
    "uncertain",
    "weighting",
    "windows",
)
