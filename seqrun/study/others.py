"""What is studied on other benches than the full one, of units that hum, and of held powers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from seqrun.study import truths
from seqrun.study.benches import Wanted
from seqrun.study.groups import Group, at_capture, of_channel, step
from seqrun.study.power import LOADS
from seqrun.study.signals import CROSSTALK, DISTORTION, QUIET, RESPONSE, TRANSFER, distorted


def _elsewhere(group: Group, name: str, *variants: str, only: tuple[str, ...] = ()) -> Group:
    """The same on another bench; ``only`` these quantities of it."""
    wanted = tuple(
        replace(one, name=f"{one.name}_{name}")
        for one in group.wanted
        if not only or one.name in only
    )
    return replace(group, name=f"{group.name}_{name}", wanted=wanted, variants=variants)


TWO_WIRE = _elsewhere(LOADS, "two_wire", "two_wire_meter")
SOUND, LOW, HIGH = "sound_card", '"5 Hz"', '"60 kHz"'
OF_SOUND = (
    _elsewhere(DISTORTION, "sound", SOUND),
    _elsewhere(QUIET, "sound", SOUND),
    _elsewhere(TRANSFER, "sound", SOUND, only=("gain", "channel_balance", "source_impedance")),
    _elsewhere(CROSSTALK, "sound", SOUND),
    _elsewhere(
        replace(RESPONSE, steps=step("response", "frequency_response", high=HIGH, low=LOW)),
        "sound",
        SOUND,
        only=("flatness",),
    ),
)
UNDER_HUM = Group(
    "under_hum",
    step("at_hum", "thd"),
    tuple(
        Wanted(f"{what}_under_hum", what, "at_hum", at_capture(what))
        for what in ("thd", "thd_n", "sinad")
    ),
    distorted,
    ("hum@left=0.6", "hum@right=0.3"),
)


def _driven(truth: Any) -> dict[str, float]:
    """Hum and power of the outputs while they are driven."""
    seen: dict[str, float] = {}
    for channel in truth.channel_names:
        if truths.fundamental_v(truth, channel) > 0.0:
            seen[f"hum.{channel}"] = truths.hum_v(truth, channel, multiples=8)
            seen[f"power.{channel}"] = truths.load_w(truth, channel)
    return seen


HELD = Group(
    "held",
    step("hum", "hum_driven", power='"rated_power / 2"')
    + step("hold", "hold_power", power='"rated_power / 8"', **{"for": '"2 min"'})
    + step("rail.{rail}", "dc_voltage", each='"rail"', at='"{rail}"'),
    (
        Wanted("hum_driven", "hum_driven", "hum", at_capture("hum")),
        Wanted("held_power", "held_power", "hold", at_capture("power")),
        Wanted(
            "held_sink_temperature",
            "held_sink_temperature",
            "hold",
            lambda s: s.truth.temperature("sink"),
        ),
        Wanted(
            "rail_voltage", "dc_voltage", "rail", lambda s: float(s.truth.dc(s.reading.channel))
        ),
    ),
    _driven,
)
SUSTAINED = Group(
    "sustained",
    step("sustained", "sustained_power", power='"rated_power / 4"', **{"for": '"2 min"'}),
    (
        Wanted(
            "sustained_power",
            "output_power",
            "sustained",
            of_channel(lambda truth, c: truths.power_at_distortion(truth, c, 0.01)),
        ),
    ),
)
OTHERS = (SUSTAINED, TWO_WIRE, UNDER_HUM, HELD, *OF_SOUND)
