"""The small-signal sections of a receiver-style amplifier: selector, phono stage, volume, tone.

Linear responses between an input socket and the plug of the power stage, per channel; their small
differences from part to part are in ``SectionSpec``. Knobs as they stand are in ``Knobs``.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from demo_sim.errors import DemoError

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

# IEC 60098: bass boost up to 3180 µs, between 318 µs and 75 µs the recording's own slope.
RIAA_S = (3180e-6, 318e-6, 75e-6)
BASS_TURNOVER_HZ, TREBLE_TURNOVER_HZ = 250.0, 3e3
TONE_RANGE_DB = 10.0
VOLUME_RANGE_DB = 60.0
SILENT_DB = -95.0  # volume fully down: what the track's end leaves
LOUDNESS_BASS_DB, LOUDNESS_TREBLE_DB = 10.0, 4.0
POWER_INPUT = ("connected", "unplugged", "shorted")


@dataclass(frozen=True, slots=True)
class SectionSpec:
    """One channel's small-signal part.

    Args:
        line_gain: of a line input at full volume, tone flat. phono_gain: of the phono stage at
            1 kHz, before that. taus_s: its time constants, as built.
        tracking_db: by how much this channel's volume track is off near the bottom; it falls to
            nothing at the top. line_v_rt_hz, phono_v_rt_hz: noise at the socket. leak: from
            inputs that are not selected, at 1 kHz, growing with frequency.
        output_ohm: at the plug. phones_ohm: from the power stage to the headphone contact.
        limit_v: peak that the section's own rails allow.
    """

    line_gain: float = 3.162
    phono_gain: float = 100.0
    taus_s: tuple[float, float, float] = RIAA_S
    tracking_db: float = 0.0
    line_v_rt_hz: float = 15e-9
    phono_v_rt_hz: float = 5e-9
    leak: float = 1e-4
    output_ohm: float = 600.0
    phones_ohm: float = 330.0
    limit_v: float = 12.0

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Self:
        """With parts of 1 % and a track of 1 dB."""
        taus = tuple(tau * (1.0 + 0.01 * float(rng.uniform(-1, 1))) for tau in RIAA_S)
        return cls(
            taus_s=(taus[0], taus[1], taus[2]),
            tracking_db=float(rng.uniform(-1, 1)),
            line_gain=3.162 * (1.0 + 0.01 * float(rng.uniform(-1, 1))),
        )


@dataclass(frozen=True, slots=True)
class Knobs:
    """What the user of the unit can turn, and two plugs inside it.

    Args:
        input: the selected socket. volume: 0 … 1. balance, bass, treble: −1 … 1. loudness: on.
        power_input: the plug before the power stage: "connected", "unplugged", "shorted".
        speakers: the speaker terminals are switched on (in series with the output relays).
        mains: the unit's own mains plug is in. standby: its main supply is off.
        protection_test: the channel whose protection is given DC on its sense line; "off": none.
    """

    input: str = ""
    volume: float = 0.5
    balance: float = 0.0
    bass: float = 0.0
    treble: float = 0.0
    loudness: bool = False
    power_input: str = "connected"
    speakers: bool = True
    mains: bool = False
    standby: bool = False
    protection_test: str = "off"

    def turned(
        self,
        name: str,
        value: str | float | bool,
        inputs: tuple[str, ...],
        channels: tuple[str, ...] = (),
    ) -> Knobs:
        """With one of them changed.

        Raises:
            DemoError: no such knob, or a place that it does not have.
        """
        ranges = {"volume": (0.0, 1.0), "balance": (-1.0, 1.0), "bass": (-1.0, 1.0)}
        ranges["treble"] = ranges["bass"]
        if name == "protection_test" and value is False:
            value = "off"
        choices = {
            "input": inputs,
            "power_input": POWER_INPUT,
            "protection_test": ("off", *channels),
        }
        known = ["power_input", "speakers", "protection_test", "mains"]
        known += [f.name for f in fields(self) if inputs and f.name not in known]
        if name not in known:
            raise DemoError("this unit has no such knob", found=name, expected=", ".join(known))
        if name in ranges:
            low, high = ranges[name]
            if isinstance(value, bool | str) or not low <= value <= high:
                raise DemoError(name, found=str(value), expected=f"a number {low:g} to {high:g}")
        elif name in choices:
            if value not in choices[name]:
                raise DemoError(name, found=str(value), expected=", ".join(choices[name]))
        elif not isinstance(value, bool):
            raise DemoError(name, found=str(value), expected="on or off")
        return replace(self, **{name: value})  # type: ignore[arg-type]


def riaa(frequencies: Floats, taus_s: tuple[float, float, float] = RIAA_S) -> Complexes:
    """Playback response, 1 at 1 kHz: (1 + sT2) / ((1 + sT1)(1 + sT3))."""

    def at(s: Complexes) -> Complexes:
        t1, t2, t3 = taus_s
        return np.asarray((1.0 + s * t2) / ((1.0 + s * t1) * (1.0 + s * t3)))

    reference = abs(complex(at(np.array([2j * np.pi * 1000.0]))[0]))
    return at(np.asarray(2j * np.pi * frequencies, dtype=np.complex128)) / reference


def shelf(frequencies: Floats, turnover_hz: float, decibels: float, treble: bool) -> Complexes:
    """First-order shelf: ``decibels`` far on one side of the turnover, none on the other."""
    ratio = 10.0 ** (decibels / 40.0)
    f = 1j * frequencies / turnover_hz
    up, down = (1.0 + f * ratio, 1.0 + f / ratio) if treble else (f + ratio, f + 1.0 / ratio)
    return np.asarray(up / down)


def volume_db(position: float, tracking_db: float) -> float:
    """Attenuation of a channel's track, dB; its error grows towards the bottom."""
    if position <= 0.0:
        return SILENT_DB
    down = 1.0 - position
    return -VOLUME_RANGE_DB * down + tracking_db * down**2


def balance_gain(balance: float, number: int) -> float:
    """Of channel 0 (left) or 1: the far side fades, the near one stays."""
    away = balance if number == 0 else -balance
    return 1.0 - max(0.0, away)


def loudness(frequencies: Floats, position: float) -> Complexes:
    """Lift of both ends that grows as the volume goes down."""
    part = min(1.0, max(0.0, 1.4 * (1.0 - position)))
    bass = shelf(frequencies, 100.0, LOUDNESS_BASS_DB * part, treble=False)
    return bass * shelf(frequencies, 6e3, LOUDNESS_TREBLE_DB * part, treble=True)


def section_response(
    frequencies: Floats, section: SectionSpec, knobs: Knobs, number: int
) -> Complexes:
    """From the selected socket to the power stage's plug, for channel ``number``."""
    gain = section.line_gain * 10.0 ** (volume_db(knobs.volume, section.tracking_db) / 20.0)
    gain *= balance_gain(knobs.balance, number)
    response = gain * np.ones(frequencies.size, dtype=np.complex128)
    if knobs.input == "phono":
        response *= section.phono_gain * riaa(frequencies, section.taus_s)
    tone = TONE_RANGE_DB
    response *= shelf(frequencies, BASS_TURNOVER_HZ, tone * knobs.bass, treble=False)
    response *= shelf(frequencies, TREBLE_TURNOVER_HZ, tone * knobs.treble, treble=True)
    if knobs.loudness:
        response *= loudness(frequencies, knobs.volume)
    return np.asarray(response)
