"""What passes between the virtual instruments and the world: plain values, SI units.

An instrument tells the world what its terminals would do now (``OutputSetting``, ``Drive``); the
world answers with what happens there (``SupplyState``, waveforms). Nothing else is shared.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from demo_sim.noise import Sinusoid

Shape = Literal["sine", "square", "burst"]


@dataclass(frozen=True, slots=True)
class OutputSetting:
    """What one output of a supply would do now.

    Args:
        volts: set voltage, V, without load.
        limit_a: current above which the output regulates current instead of voltage, A.
        on: False leaves the terminals open (no down-programmer: a reservoir keeps its charge).
        ripple_v_rms: ripple and noise of the output, V rms, 20 Hz to 20 MHz.
        source_ohm: resistance from the regulator's sense point to the terminals, Ω.
    """

    volts: float
    limit_a: float
    on: bool
    ripple_v_rms: float = 0.0
    source_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class SupplyState:
    """What one output of a supply shows at its terminals, mean over a cycle of the signal.

    ``amps`` flows out of the positive terminal.
    """

    volts: float
    amps: float
    constant_current: bool


@dataclass(frozen=True, slots=True)
class LeadState:
    """What a lead adds on its way from a node to an instrument's terminal.

    Args:
        emf_v, emf_v_per_k: thermal EMF, V, and what comes to it per kelvin of the heatsink's rise.
        ohm: of lead and clip. pickup: of the mains. ratio: error of a probe's divider, a fraction.
        compensation: the same of its capacitors, which take over in the treble.
    """

    emf_v: float = 0.0
    emf_v_per_k: float = 0.0
    ohm: float = 0.0
    pickup: Sinusoid | None = None
    ratio: float = 0.0
    compensation: float = 0.0


@dataclass(frozen=True, slots=True)
class Tone:
    """``volts_peak · sin(2π · frequency_hz · (t − start_s) + phase_rad)``, t in bench seconds."""

    frequency_hz: float
    volts_peak: float
    phase_rad: float = 0.0
    start_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Drive:
    """What one output of a generator would do now, as open-circuit volts.

    Args:
        tones: sine components; for "square" the first tone gives frequency, peak and phase of
            the square; the generator's own harmonics are further tones. For "burst" the tones
            are gated.
        offset_v: DC, V.
        noise_v_rms: the generator's noise within 22 Hz … 22 kHz, V rms; its density is white.
        shape: "sine" (all tones, steady), "square", "burst".
        burst_cycles: cycles of the first tone in each burst. burst_period_s: from one burst to
            the next, counted from the first tone's ``start_s``.
        source_ohm: source resistance, Ω.
    """

    tones: tuple[Tone, ...] = ()
    offset_v: float = 0.0
    noise_v_rms: float = 0.0
    shape: Shape = "sine"
    burst_cycles: int = 1
    burst_period_s: float = 1.0
    source_ohm: float = 50.0
