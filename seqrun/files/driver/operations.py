"""The operations that a driver file gives commands for, role by role.

This is the list against which ``[operation]`` of a driver file is checked; what each operation
must do stands in ``seqrun/instruments/roles.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Role = Literal["supply", "meter", "scope", "generator", "switch", "thermometer"]
AnswerKind = Literal["", "number", "numbers", "boolean", "text", "block"]
METER_FUNCTIONS = (
    "dc_voltage", "ac_voltage", "dc_current", "resistance_2w", "resistance_4w",
    "temperature_pt100", "temperature_pt1000", "temperature_k", "temperature_j",
    "temperature_thermistor",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation of a role.

    Args:
        placeholders: what its commands may contain in braces, all in base units.
        answer: what its query has to yield; "" for a command.
        required: whether a driver of that role must have it.
        absent: the name under ``absent`` that excuses a driver from having it.
        about: for people who write a driver.
    """

    placeholders: tuple[str, ...] = ()
    answer: AnswerKind = ""
    required: bool = True
    about: str = ""
    absent: str = ""


#: of every role
_LINK = {
    "go_remote": Operation(
        required=False, about="sent first, where it takes no commands otherwise; sets nothing else"
    ),
    "prepare": Operation(
        required=False, about="sent once, after the instrument proved to be the one"
    ),
    "release": Operation(required=False, about="sent when the link is given back"),
}
_SAFE = Operation(about="outputs off; must work from any state")
_OVER_VOLTAGE, _OVER_CURRENT = "over_voltage_protection", "over_current_protection"

SUPPLY = {
    **_LINK,
    "set_voltage": Operation(("output", "volts")),
    "set_current_limit": Operation(("output", "amperes")),
    "set_over_voltage_protection": Operation(("output", "volts"), absent=_OVER_VOLTAGE),
    "over_voltage_protection": Operation(("output",), "number", absent=_OVER_VOLTAGE),
    "set_over_current_protection": Operation(("output", "amperes"), absent=_OVER_CURRENT),
    "over_current_protection": Operation(("output",), "number", absent=_OVER_CURRENT),
    "enable": Operation(("on", "output"), about="all outputs together, or one by one"),
    "enabled": Operation(("output",), "boolean", absent="enabled"),
    "voltage": Operation(("output",), "number", about="read-back"),
    "current": Operation(("output",), "number", about="read-back"),
    "protection_tripped": Operation(("output",), "boolean", absent="protection_tripped"),
    "constant_current": Operation(
        ("output",), "boolean", about="held by its current limit", absent="constant_current"
    ),
    "make_safe": _SAFE,
}

#: over-current protection that only makes the current limit switch off: it is on, or it is not
AT_THE_LIMIT = {
    "set_over_current_protection": Operation(("output",)),
    "over_current_protection": Operation(("output",), "boolean"),
}

METER = {
    **_LINK,
    **{
        f"configure_{function}": Operation(
            ("function", "range", "nplc"),
            required=False,
            about="range: full scale, or the word for 'auto'",
        )
        for function in METER_FUNCTIONS
    },
    "read": Operation(
        ("function", "range", "nplc"), "number", about="trigger one reading and get it"
    ),
    "read_many": Operation(
        ("function", "range", "nplc", "count"),
        "numbers",
        required=False,
        about="trigger several readings and get them",
    ),
    "present_range": Operation(
        ("function",), "number", required=False, about="full scale that auto-ranging is on"
    ),
    "make_safe": Operation(required=False),
}

_LEVELS = ("volts_rms", "volts_pp", "volts_peak", "dbm")
_SECOND = ("frequency_2", *(f"{level}_2" for level in _LEVELS))
MOST_STATES = 8  # outputs whose states one write may hold
_STATES = tuple(f"on_{n}" for n in range(1, MOST_STATES + 1))
GENERATOR = {
    **_LINK,
    "sine": Operation(("output", "frequency", *_LEVELS)),
    "level": Operation(
        ("output", *_LEVELS), required=False, about="only the level of a sine that is set already"
    ),
    "zero": Operation(
        ("output",), required=False, about="no signal: an output that is on is a source of 0 V"
    ),
    "two_tone": Operation(("output", "frequency", *_LEVELS, *_SECOND), required=False),
    "square": Operation(("output", "frequency", *_LEVELS), required=False),
    "burst": Operation(("output", "frequency", *_LEVELS, "cycles", "period"), required=False),
    "enable": Operation(("output", "on", *_STATES)),
    "enabled": Operation(("output",), "boolean", required=False),
    "make_safe": _SAFE,
}

#: fields of a scope's scaling that are used
SCALING = (
    "xincrement", "xorigin", "xreference", "yincrement", "yorigin", "yreference", "sample_rate",
    "volts_per_division", "codes_per_division", "yoffset", "probe_factor",
)  # fmt: skip
#: fields that a scope's preamble may be said to have
PREAMBLE = (*SCALING, "points", "format", "type", "count", "skip")

_CHANNEL = ("channel",)
SCOPE = {
    **_LINK,
    "show": Operation(("channel", "on"), about="channel on or off"),
    "range": Operation(
        ("channel", "range", "volts_per_division"), about="full scale, peak to peak, at the tip"
    ),
    "coupling": Operation(("channel", "coupling"), about="coupling is AC or DC"),
    "probe": Operation(("channel", "probe"), required=False, about="attenuation, once at opening"),
    "timebase": Operation(
        ("rate", "interval", "points", "duration", "seconds_per_division"),
        about="sample rate and record length",
    ),
    "normal": Operation((), about="plain acquisition"),
    "average": Operation(("count",), required=False),
    "high_resolution": Operation((), required=False),
    "trigger": Operation(
        ("channel", "level", "time_out"), about="wait for a rising edge, no longer than time_out"
    ),
    "free_run": Operation(("channel",), about="acquire without waiting for an edge"),
    "acquire": Operation((), about="one acquisition; ends with *OPC? unless 'acquired' is given"),
    "acquire_now": Operation(
        (), required=False, about="instead of 'acquire' when no edge is waited for"
    ),
    "acquired": Operation((), "boolean", required=False, about="asked until it is true"),
    "abort": Operation(required=False, about="stop waiting for an edge"),
    "preamble": Operation(
        _CHANNEL, "text", required=False, about="scaling, as [scope] preamble, keys or descriptor"
    ),
    **{
        field: Operation(_CHANNEL, "number", required=False, about="a field of the scaling")
        for field in SCALING
    },
    "waveform": Operation(
        ("channel", "first", "last", "start", "count"), "block", about="the samples"
    ),
    "make_safe": Operation(required=False),
}

#: a preamble that is a binary descriptor comes as a block, as the samples do
DESCRIBED = {"preamble": Operation(_CHANNEL, "block", required=False, about="the descriptor")}

_RELAY = ("terminal", "node", "path")
SWITCH = {
    **_LINK,
    "connect": Operation(_RELAY, about="close the relays between the two"),
    "disconnect": Operation(_RELAY, about="open the relays between the two"),
    "closed": Operation(_RELAY, "boolean", required=False, about="whether they are closed"),
    "make_safe": Operation(about="all relays open"),
}

#: only by hand until an instrument of this kind is spoken to
THERMOMETER: dict[str, Operation] = {}

OPERATIONS: dict[Role, dict[str, Operation]] = {
    "supply": SUPPLY,
    "meter": METER,
    "scope": SCOPE,
    "generator": GENERATOR,
    "switch": SWITCH,
    "thermometer": THERMOMETER,
}

#: functions of the accuracy table, and their base units
ACCURACY: dict[Role, dict[str, str]] = {
    "supply": {
        "readback_voltage": "V",
        "readback_current": "A",
        "program_voltage": "V",
        "program_current": "A",
        "protection_voltage": "V",
        "protection_current": "A",
    },
    "meter": {
        "dc_voltage": "V",
        "ac_voltage": "V",
        "dc_current": "A",
        "resistance_2w": "Ω",
        "resistance_4w": "Ω",
        **{name: "°C" for name in METER_FUNCTIONS if name.startswith("temperature_")},
    },
    "scope": {"voltage": "V", "frequency": "Hz"},
    "generator": {"level": "V", "flatness": "V"},
    "switch": {},
    "thermometer": {"temperature": "°C"},
}

#: accuracy that a role cannot do without, because its readings would have no uncertainty
REQUIRED_ACCURACY: dict[Role, tuple[str, ...]] = {
    "supply": ("readback_voltage", "readback_current"),
    "meter": (),  # those functions that it is configured for
    "scope": ("voltage",),
    "generator": ("level",),
    "switch": (),
    "thermometer": ("temperature",),
}
