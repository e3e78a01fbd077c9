"""What is studied of what a driven output carries beside its tone: oscillation, noise, drifts."""

from __future__ import annotations

import math
from typing import Any

from seqrun.study import truths
from seqrun.study.benches import Seen, Wanted
from seqrun.study.groups import Group, at_capture, step
from seqrun.study.signals import distorted

HEARD_V = 0.5  # of a tone that is a channel's own, and not what leaks into it
INTO = ("loaded", "unloaded", "capacitive")


def _oscillating(truth: Any) -> dict[str, float]:
    """V rms of what each stage oscillates with at the drive that is there now, for each of what may
    stand at its output."""
    seen: dict[str, float] = {}
    for channel in truth.channel_names:
        volts = truth.input_v_rms(channel)
        if truths.fundamental_v(truth, channel) > HEARD_V and truth.relay_closed(channel):
            seen |= {
                f"{into}.{channel}": truth.oscillation_v(channel, volts, into) for into in INTO
            }
    return seen


STRAY = Group(
    "stray",
    step("stray", "stray_signal")
    + step("source", "source_impedance", power='"rated_power / 2"')
    + step("unloaded", "stray_unloaded", of='"source"')
    + step(
        "capacitive.{channel}",
        "stray_into_capacitor",
        each='"channel"',
        if_unit_has='"a capacitor allowed across its outputs"',
    ),
    (
        Wanted("stray", "stray", "stray", at_capture("loaded")),
        Wanted("stray_unloaded", "stray_unloaded", "unloaded", at_capture("unloaded")),
        Wanted("stray_capacitive", "stray_capacitive", "capacitive", at_capture("capacitive")),
    ),
    _oscillating,
    ("peak_oscillation@left=0.2", "load_oscillation@right=0.2"),
)
DRIVEN_NOISE = Group(
    "driven_noise",
    step("driven", "driven_noise"),
    (Wanted("noise_driven", "noise_driven", "driven", at_capture("noise")),),
    distorted,
    ("hum@left=0.6", "hum_when_driven@right=0.8"),
)


def _gain(seen: Seen) -> float:
    return 20.0 * math.log10(truths.response(seen.truth, seen.reading.channel, 1000.0))


def _gain_drift(seen: Seen) -> float:
    channel = seen.reading.channel
    return seen.kept["hot", channel] - seen.kept["cold", channel]


GAIN_DRIFT = Group(
    "gain_drift",
    step("cold", "gain")
    + step("hold", "hold_power", power='"rated_power / 4"', **{"for": '"4 min"'})
    + step("hot", "gain")
    + step("drift", "gain_drift", of='"hot"', against='"cold"'),
    (
        Wanted("gain_cold", "gain", "cold", _gain),
        Wanted("gain_hot", "gain", "hot", _gain),
        Wanted("gain_drift", "gain_drift", "drift", _gain_drift),
    ),
)


def _stages(truth: Any) -> dict[str, float]:
    """Current of each power stage in parallel: its DC at rest, its rms while a tone plays, A."""
    seen: dict[str, float] = {}
    for channel in truth.channel_names:
        kind = "ac" if truths.fundamental_v(truth, channel) > 0.0 else "dc"
        if truth.relay_closed(channel):
            for side, stage in truth.stage_places(channel):
                currents = dict(
                    zip(("dc", "ac"), truth.stage_current(channel, side, stage), strict=True)
                )
                place = ".".join(filter(None, (kind, channel, side, str(stage))))
                seen[place] = currents[kind]
    return seen


def _of_terminal(seen: Seen, kind: str) -> list[float]:
    of = f"{kind}.{seen.reading.channel}."
    return [amps for place, amps in seen.at_capture.items() if place.startswith(of)]


def _share(seen: Seen) -> float:
    """Largest departure of a stage from its equal part of the load's current, %."""
    return truths.sharing(_of_terminal(seen, "ac"))


def _circulating(seen: Seen) -> float:
    amps = _of_terminal(seen, "dc")
    middle = math.fsum(amps) / len(amps)
    return max(abs(one - middle) for one in amps)


STAGES = Group(
    "stages",
    step("stages", "stage_share", power='"rated_power / 8"'),
    (
        Wanted("stage_share", "stage_share", "stages", _share),
        Wanted("circulating_current", "circulating_current", "stages", _circulating),
    ),
    _stages,
    unit="demo-integrated",
)
POWER_FALL = Group(
    "power_fall",
    step("held", "power_fall", power='"rated_power / 2"', **{"for": '"5 s"'}),
    # Nothing in a unit of this study gives way within seconds: what is read is the bench.
    (Wanted("power_fall", "power_fall", "held", lambda seen: 0.0),),
    faults=("loss_of_gain@left=0.4", "resistive_relay@right=0.2"),
)
STRAYS = (STRAY, DRIVEN_NOISE, GAIN_DRIFT, STAGES, POWER_FALL)
