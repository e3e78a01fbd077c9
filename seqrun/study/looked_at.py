"""What is studied of what a meter alone or a look tells: volts, ohms, screens, what is left of
power, whether channels and protection are right."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from seqrun.study import truths
from seqrun.study.benches import Seen, Wanted
from seqrun.study.groups import Group, at_capture, of_channel, step

METER_HZ = 100e3  # the bench's meter reads AC up to here


# --- volts ----------------------------------------------------------------------------------------


def ac_v(truth: Any, channel: str) -> float:
    """V rms of all that is not DC at an output, as far up as the meter reads."""
    hi, lo = truth.terminals(channel)
    f = np.arange(20.0, METER_HZ, 20.0) + 10.0
    square = float((truth.noise_density(hi, f, lo) ** 2).sum()) * 20.0
    return math.hypot(math.sqrt(square), *truth.lines(hi, lo).values())


def _levels(truth: Any) -> dict[str, float]:
    """Mean of outputs and rails; those of outputs under drive have a name of their own."""
    seen = {rail: abs(float(truth.dc(rail))) for rail in truth.rail_names}
    for channel in truth.channel_names:
        name = "driven" if truths.fundamental_v(truth, channel) > 0.0 else "still"
        seen[f"{name}.{channel}"] = float(truth.offset(channel))
    return seen


def _below(seen: Seen) -> float:
    return seen.unit.rail_voltage - abs(float(seen.truth.dc(seen.reading.channel)))


def _held_up(seen: Seen) -> float:
    return float(seen.truth.held_up(seen.reading.channel.removeprefix("rail."), UNTIL))


UNTIL = 0.7
VOLTS = Group(
    "volts",
    step("level.{channel}", "ac_level", each='"channel"', at='"out.{channel}"')
    + step(
        "dc.{channel}",
        "dc_voltage",
        each='"channel"',
        at='"out.{channel}"',
        driven='"rated_power / 4"',
        settle='{ within = "2 mV", for = "3 s", at_most = "60 s" }',
    )
    + step("up.{rail}", "dc_voltage", each='"rail"', at='"{rail}"')
    + step("drop", "drop", of='"up"', below='"rail_voltage"')
    + step("hold_up", "hold_up", at='"rail.pos"', until=f'"{100.0 * UNTIL:g} %"')
    + step("down", "power_down"),
    (
        Wanted("ac_level", "ac_level", "level", of_channel(ac_v)),
        Wanted("dc_driven", "dc_driven", "dc", at_capture("driven")),
        Wanted("voltage_drop", "voltage_drop", "drop", _below),
        Wanted("hold_up", "hold_up", "hold_up", _held_up),
        Wanted(
            "residual_voltage",
            "residual_voltage",
            "down",
            lambda s: s.at_capture[s.reading.channel],
        ),
    ),
    _levels,
    ("hum@left=0.5",),
)


def _dead_ohm(seen: Seen) -> float:
    if seen.reading.channel.startswith("rail."):
        return float(seen.truth.bleeder_ohm())
    return truths.ballasts(seen.truth)[seen.reading.channel]


DEAD = Group(
    "dead",
    step("rail.{rail}", "dead_resistance", each='"rail"', at='"{rail}"')
    + step(
        "ballast.{ballast}",
        "dead_resistance",
        each='"ballast"',
        at='"ballast.{ballast}"',
        expect='"10 Ω"',
    ),
    (
        Wanted("dead_resistance", "dead_resistance", "rail", _dead_ohm),
        Wanted("dead_ballast", "dead_resistance", "ballast", _dead_ohm),
    ),
    powered=False,
)


# --- screens --------------------------------------------------------------------------------------


def _wave(seen: Seen) -> Any:
    return seen.truth.output(seen.reading.channel)[1]


def _tone_hz(seen: Seen) -> float:
    return float(min(seen.truth.input_tones(seen.reading.channel)))


def _clipped(seen: Seen) -> float:
    return float(seen.truth.clips(seen.reading.channel))


def _at_outputs(name: str, do: str, peak: str, **more: str) -> str:
    return step(
        f"{name}.{{channel}}",
        do,
        each='"channel"',
        at='"out.{channel}"',
        peak=peak,
        if_unit_has='"single-ended output"',
        **more,
    )


SCREEN = Group(
    "screen",
    _at_outputs("height", "screen_volts", '"6 V"')
    + _at_outputs("rms", "screen_volts", '"6 V"', what='"rms"')
    + _at_outputs("often", "screen_frequency", '"6 V"')
    + _at_outputs("tops", "screen_clipped", '"6 V"')
    + step("dc", "screen_volts", at='"rail.pos"', peak='"50 V"', what='"dc"'),
    (
        Wanted("peak_to_peak", "peak_to_peak", "height", lambda s: float(np.ptp(_wave(s)))),
        Wanted("screen_rms", "screen_rms", "rms", lambda s: float(np.std(_wave(s)))),
        Wanted("screen_frequency", "screen_frequency", "often", _tone_hz),
        Wanted("screen_clipped", "screen_clipped", "tops", _clipped),
        Wanted("screen_dc", "screen_dc", "dc", lambda s: float(s.truth.dc("rail.pos"))),
    ),
    tone=(1000.0, 0.1),
)
OVERDRIVEN = Group(
    "overdriven",
    _at_outputs("tops", "screen_clipped", '"45 V"'),
    (Wanted("screen_clipped_flat", "screen_clipped", "tops", _clipped),),
    tone=(1000.0, 1.3),
)


# --- channels and protection ----------------------------------------------------------------------


def _over_the_others(seen: Seen) -> float:
    """The output of the driven channel over what leaks into the other, dB."""
    driven = seen.reading.channel
    (other,) = (c for c in seen.truth.channel_names if c != driven)
    gains = [truths.response(seen.truth, c, 1000.0) for c in (driven, other)]
    return 20.0 * math.log10(gains[0] / gains[1]) + float(seen.truth.separation_db(other))


def _protected_db(truth: Any, channel: str) -> float:
    """By how much the tone falls: all of it, or nothing."""
    return math.inf if truth.protection_v(channel) < 5.0 else 0.0


CHANNELS = Group(
    "channels",
    step("own", "own_channel", if_unit_has='"two channels"')
    + step("polarity", "polarity")
    + step(
        "protection.{channel}",
        "protection_opens",
        each='"channel"',
        to='"rail_voltage"',
        stages="2",
        healthy_current='"20 * supply_idle"',
        if_unit_has='"a protection that can be tried"',
    ),
    (
        Wanted("own_channel", "own_channel", "own", _over_the_others),
        Wanted("polarity", "polarity", "polarity", of_channel(lambda t, c: float(t.polarity(c)))),
        Wanted("protection_opens", "protection_opens", "protection", of_channel(_protected_db)),
    ),
    faults=("crosstalk@left=0.8", "inverted_polarity@right", "blind_protection@right"),
)


# --- disturbances, isolated -----------------------------------------------------------------------

SUSPECTS = '["source and its lead", "power stage", "speaker switch, load and what follows"]'
CUTS = (
    '[{ name = "input shorted", after = "source and its lead", control = "power_input", '
    'position = "shorted", back = "connected" }]'
)


def _disturbed(truth: Any) -> dict[str, float]:
    """Of each output as it is now, with its input ended by the generator at no level, whose noise
    comes along: with everything connected it is one of the suspects."""
    seen: dict[str, float] = {}
    for channel in truth.channel_names:
        seen[f"offset.{channel}"] = abs(float(truth.offset(channel)))
        seen[f"hum.{channel}"] = truths.hum_v(truth, channel)
        brought = float(truth.brought_in_v(*truth.terminals(channel)))
        seen[f"noise.{channel}"] = math.hypot(truths.noise_v(truth, channel), brought)
    return seen


def _isolate(what: str, records: str = "2") -> str:
    return step(
        f"{what}.{{channel}}",
        "isolate",
        each='"channel"',
        at='"out.{channel}"',
        look_for=f'"{what}"',
        suspects=SUSPECTS,
        cuts=CUTS,
        records=records,
    )


ISOLATED = Group(
    "isolated",
    _isolate("offset") + _isolate("hum") + _isolate("noise"),
    (
        Wanted("offset_disturbance", "offset_disturbance", "offset", at_capture("offset")),
        Wanted("hum_disturbance", "hum_disturbance", "hum", at_capture("hum")),
        Wanted("noise_disturbance", "noise_disturbance", "noise", at_capture("noise")),
    ),
    _disturbed,
    faults=("dc_offset@left=0.3", "hum@right=0.4"),
)
LOOKED_AT = (VOLTS, DEAD, SCREEN, OVERDRIVEN, CHANNELS, ISOLATED)
