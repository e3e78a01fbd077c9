"""What is studied of the small-signal sections before the power stage, on a receiver."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from seqrun.study import truths
from seqrun.study.benches import Seen, TellTruth, Wanted
from seqrun.study.groups import Group, of_channel, step

RECEIVER = "demo-receiver"
#: time constants of the playback curve (IEC 60098), s
T1_S, T2_S, T3_S = 3180e-6, 318e-6, 75e-6
POSITIONS = ("1", "0.8", "0.6", "0.4", "0.3")


def curve_db(frequency_hz: float) -> float:
    """The playback curve, 0 dB at 1 kHz, by its time constants."""

    def square(f: float) -> float:
        w = 2.0 * math.pi * f
        return (1.0 + (w * T2_S) ** 2) / ((1.0 + (w * T1_S) ** 2) * (1.0 + (w * T3_S) ** 2))

    return 10.0 * math.log10(square(frequency_hz) / square(1000.0))


def _db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def _through(truth: Any, channel: str, frequency_hz: float, **turned: str | float | bool) -> float:
    """V at the output per V at the selected socket, small signal."""
    section = float(truth.section_gain(channel, frequency_hz, **turned))
    return section * float(truth.gain(channel, frequency_hz))


def riaa_db(truth: Any, channel: str) -> float:
    """Largest departure of the phono input from the curve, 20 Hz to 20 kHz, dB."""
    middle = _through(truth, channel, 1000.0)
    return _largest(
        _db(_through(truth, channel, f) / middle) - curve_db(f) for f in np.geomspace(20, 20e3, 91)
    )


def _largest(values: Iterable[float]) -> float:
    return max(abs(one) for one in values)


def tracking_db(truth: Any) -> float:
    """Largest change of the balance from its value with the volume fully up, dB."""
    balance = [
        _db(
            truth.section_gain("left", volume=float(at))
            / truth.section_gain("right", volume=float(at))
        )
        for at in POSITIONS
    ]
    return _largest(one - balance[0] for one in balance)


def _balance_at(seen: Seen) -> float:
    """Left over right at the position of the volume that the note tells, dB."""
    at = float(seen.reading.note.partition(" at ")[2])
    one, other = (
        truths.response(seen.truth, c, 1000.0) * seen.truth.section_gain(c, volume=at)
        for c in seen.truth.channel_names
    )
    return _db(one / other)


def _turned(control: str, to: float | bool, at_hz: float, start: float | bool) -> TellTruth:
    """What a control does between two positions, dB."""

    def tell(seen: Seen) -> float:
        channel = seen.reading.channel
        there = seen.truth.section_gain(channel, at_hz, **{control: to})
        return _db(there / seen.truth.section_gain(channel, at_hz, **{control: start}))

    return tell


def _negative(tell: TellTruth) -> TellTruth:
    return lambda seen: -tell(seen)


def _leak_db(truth: Any, channel: str) -> float:
    """A tone of 10 kHz on a socket that is not selected, below the same selected: what is told of
    the unit's parts, there is no more to it."""
    return float(truth.leakage_db(channel, 10e3))


SETTINGS = "".join(
    step(f"set.{control}", "set_control", control=f'"{control}"', to=to)
    for control, to in (
        ("balance", '"0"'),
        ("bass", '"0"'),
        ("treble", '"0"'),
        ("loudness", '"off"'),
        ("input", '"line"'),
        ("volume", '"1"'),
    )
)
TO_LINE = step("to_line", "generator_to", input='"line"')
TONE = {"full": '"1"', "middle": '"0"', "least": '"-1"'}
FRONT = Group(
    "front",
    TO_LINE
    + SETTINGS
    + step("bass", "tone_range", control='"bass"', frequency='"50 Hz"', **TONE)
    + step("treble", "tone_range", control='"treble"', frequency='"15 kHz"', **TONE)
    + step(
        "tracking",
        "volume_tracking",
        positions="[" + ", ".join(f'"{at}"' for at in POSITIONS) + "]",
        power='"5 W"',
    )
    + step("up", "set_control", control='"volume"', to='"0.7"')
    + step(
        "loudness",
        "control_effect",
        control='"loudness"',
        **{"from": '"off"', "to": '"on"'},
        frequency='"50 Hz"',
        power='"0.3 W"',
    )
    + step(
        "leakage",
        "input_leakage",
        input='"aux"',
        selected='"line"',
        frequency='"10 kHz"',
        power='"1 W"',
    ),
    (
        Wanted("bass_boost", "tone_boost", "bass", _turned("bass", 1.0, 50.0, 0.0)),
        Wanted("bass_cut", "tone_cut", "bass", _negative(_turned("bass", -1.0, 50.0, 0.0))),
        Wanted("treble_boost", "tone_boost", "treble", _turned("treble", 1.0, 15e3, 0.0)),
        Wanted("treble_cut", "tone_cut", "treble", _negative(_turned("treble", -1.0, 15e3, 0.0))),
        Wanted("volume_tracking", "volume_tracking", "tracking", lambda s: tracking_db(s.truth)),
        Wanted("tracking_balance", "tracking_balance", "tracking", _balance_at),
        Wanted(
            "control_effect", "control_effect", "loudness", _turned("loudness", True, 50, False)
        ),
        Wanted("input_leakage", "input_leakage", "leakage", of_channel(_leak_db)),
    ),
    unit=RECEIVER,
)
PHONO = Group(
    "phono",
    SETTINGS
    + step("phono", "set_control", control='"input"', to='"phono"')
    + step("down", "set_control", control='"volume"', to='"0.3"')
    + step(
        "riaa",
        "riaa_deviation",
        input='"phono"',
        gain='"36 dB"',
        power='"0.02 W"',
        constant_input="true",
    )
    + step("line", "set_control", control='"input"', to='"line"')
    + TO_LINE
    + step("up", "set_control", control='"volume"', to='"1"')
    + step(
        "phones.{channel}", "gain_to", each='"channel"', at='"phones.{channel}"', power='"0.5 W"'
    ),
    (
        Wanted("riaa_deviation", "riaa_deviation", "riaa", of_channel(riaa_db)),
        Wanted(
            "gain_to_point",
            "gain_to_point",
            "phones",
            of_channel(
                lambda truth, c: _db(truths.response(truth, c, 1000.0) * truth.section_gain(c))
            ),
        ),
    ),
    unit=RECEIVER,
)
