"""What is studied of levels at rest, power and supplies."""

from __future__ import annotations

import math
from typing import Any

from seqrun.study import truths
from seqrun.study.benches import Seen, Wanted
from seqrun.study.groups import Group, at_capture, of_channel, step


def _rail(seen: Seen) -> str:
    return seen.reading.channel.removeprefix("rail.")


# --- at rest ----------------------------------------------------------------------------------


def _sharing(seen: Seen) -> float:
    return truths.sharing(_bank(seen))


def _largest(seen: Seen) -> float:
    currents = _bank(seen)
    return 100.0 * max(currents) / math.fsum(currents)


def _bank(seen: Seen) -> list[float]:
    """A, of the devices in parallel that a reading is about."""
    currents = truths.device_currents(seen.truth)
    return [a for place, a in currents.items() if place.startswith(f"{seen.reading.channel}.")]


AMBIENT = step("ambient", "temperature", at='"sensor.ambient"')
CURRENT_KEYS = {
    "each": '"ballast"',
    "at": '"ballast.{ballast}"',
    "settle": '{ within = "1 mA", for = "2 s", at_most = "30 s" }',
}
LOADS = Group(
    "loads",
    step("down", "power_down") + step("ohms.{channel}", "load_resistance", each='"channel"'),
    (Wanted("load_resistance", "load_resistance", "ohms", of_channel(lambda t, c: t.load_ohm(c))),),
)
LEVELS = Group(
    "levels",
    AMBIENT
    + step("sink", "temperature", at='"sensor.sink"')
    + step(
        "offset.{channel}",
        "dc_voltage",
        each='"channel"',
        at='"out.{channel}"',
        settle='{ within = "2 mV", for = "3 s", at_most = "60 s" }',
    )
    + step(
        "idle",
        "supply_current",
        settle='{ within = "5 mA", for = "3 s", at_most = "60 s" }',
    )
    + step("current.{ballast}", "device_current", **CURRENT_KEYS)
    + step("share.{bank}", "sharing", each='"bank"', of='"current.{bank}"')
    + step("largest.{bank}", "largest_share", each='"bank"', of='"current.{bank}"')
    + step("heat", "dissipation"),
    (
        Wanted(
            "relay_delay",
            "relay_delay",
            "relays",
            of_channel(lambda truth, c: truth.relay_pull_in(c)),
        ),
        Wanted(
            "bring_up_current",
            "bring_up_current",
            "bring_up",
            lambda s: s.truth.supply_current(_rail(s)),
        ),
        Wanted(
            "supply_voltage",
            "supply_voltage",
            "bring_up",
            lambda s: s.truth.supply_volts(_rail(s)),
        ),
        Wanted(
            "ambient_temperature",
            "ambient_temperature",
            "ambient",
            lambda s: s.truth.temperature("ambient"),
        ),
        Wanted(
            "sink_temperature", "sink_temperature", "sink", lambda s: s.truth.temperature("sink")
        ),
        Wanted("dc_offset", "dc_offset", "offset", of_channel(lambda truth, c: truth.offset(c))),
        Wanted(
            "idle_supply_current",
            "idle_supply_current",
            "idle",
            lambda s: s.truth.supply_current(_rail(s)),
        ),
        Wanted(
            "idle_current",
            "idle_current",
            "current",
            lambda s: truths.device_currents(s.truth)[s.reading.channel],
        ),
        Wanted("current_sharing", "current_sharing", "share", _sharing),
        Wanted("largest_share", "largest_share", "largest", _largest),
        Wanted("idle_dissipation", "dissipation", "heat", lambda s: truths.heat_w(s.truth)),
    ),
    stages=10,
)


def balance(truth: Any) -> dict[str, float]:
    """Power in against power out, and the rails, with drive and without."""
    drawn = truths.supply_w(truth)
    given = math.fsum(truths.load_w(truth, c) for c in truth.channel_names)
    state = "driven" if given > 0.0 else "idle"
    seen = {f"{state}.{rail}": abs(float(truth.dc(rail))) for rail in truth.rail_names}
    if given > 0.0:
        seen |= {"heat": drawn - given, "efficiency": 100.0 * given / drawn}
    return seen


# --- power ------------------------------------------------------------------------------------


def _thd_now(truth: Any) -> dict[str, float]:
    """Of the unit alone, at the present level: near clipping it moves as loads and rails warm."""
    seen: dict[str, float] = {}
    for channel in truth.channel_names:
        with truth.driven(truth.input_v_rms(channel)):
            seen[f"thd.{channel}"] = 100.0 * truths.thd(truth, channel)
    return seen


POWER = Group(
    "power",
    step("power", "output_power"),
    (
        Wanted(
            "output_power",
            "output_power",
            "power",
            of_channel(lambda truth, c: truths.power_at_distortion(truth, c, 0.01)),
        ),
        Wanted("thd_clipping", "thd", "power", at_capture("thd")),
        Wanted(
            "supply_current_driven",
            "supply_current",
            "power",
            lambda s: s.truth.supply_current(_rail(s)),
        ),
    ),
    _thd_now,
)


def _sag(seen: Seen) -> float:
    rail = seen.reading.channel
    return seen.at_capture[f"idle.{rail}"] - seen.at_capture[f"driven.{rail}"]


def _sag_share(seen: Seen) -> float:
    return 100.0 * _sag(seen) / seen.at_capture[f"idle.{seen.reading.channel}"]


SUPPLIES = Group(
    "supplies",
    step("ripple", "ripple", at='"rail.pos"')
    + step("sag", "rail_sag", power='"0.8 * rated_power"')
    + step("efficiency", "efficiency", power='"0.8 * rated_power"'),
    (
        Wanted("ripple", "ripple", "ripple", lambda s: truths.ripple_v(s.truth, "rail.pos")),
        Wanted("rail_sag", "rail_sag", "sag", _sag),
        Wanted("rail_sag_share", "rail_sag_share", "sag", _sag_share),
        Wanted("efficiency", "efficiency", "efficiency", lambda s: s.at_capture["efficiency"]),
        Wanted("dissipation", "dissipation", "efficiency", lambda s: s.at_capture["heat"]),
    ),
    balance,
)
