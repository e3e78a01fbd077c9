"""What is studied: groups of steps, and for each reading of them how its truth is told."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from seqrun.measure.weighting import Weighting
from seqrun.study import truths
from seqrun.study.benches import Seen, Tell, Wanted, Watch

DEVICES = (1, 2)
IN_BAND = 22  # harmonics of 1 kHz up to 22 kHz


@dataclass(frozen=True, slots=True)
class Group:
    """Steps that are done on one bench, one after another, and what is studied of them.

    Args:
        steps: ``[[step]]`` entries.
        watch: see :func:`seqrun.study.benches.done`.
        faults: given to every unit, where a healthy one has too little of it to be read.
        stages: a ramp in few stages saves time where the bring-up is not studied.
    """

    name: str
    steps: str
    wanted: tuple[Wanted, ...]
    watch: Watch | None = None
    faults: tuple[str, ...] = ()
    stages: int = 2  # of the bring-up


def _step(name: str, do: str, **keys: str) -> str:
    """One entry; values are TOML."""
    lines = [f'[[step]]\nid = "{name}"\ndo = "{do}"']
    lines += [f"{key} = {value}" for key, value in keys.items()]
    return "\n".join(lines) + "\n"


def _channel(tell: Callable[[Any, str], float]) -> Tell:
    return lambda seen: tell(seen.truth, seen.reading.channel)


def _at_capture(what: str) -> Tell:
    """Of the reading's channel, or of the unit where it has none."""

    def tell(seen: Seen) -> float:
        channel = seen.reading.channel
        return seen.at_capture[f"{what}.{channel}" if channel else what]

    return tell


# --- at rest ----------------------------------------------------------------------------------


def _device(seen: Seen) -> float:
    channel, half, number = seen.reading.channel.split(".")
    return float(seen.truth.device_current(channel, half, int(number)))


def _sharing(seen: Seen) -> float:
    channel, half = seen.reading.channel.split(".")
    currents = [float(seen.truth.device_current(channel, half, n)) for n in DEVICES]
    return truths.sharing(currents)


def _rail(seen: Seen) -> str:
    return seen.reading.channel.removeprefix("rail.")


AMBIENT = _step("ambient", "temperature", at='"sensor.ambient"')
CURRENT_KEYS = {
    "each": '["channel", "half", "device"]',
    "at": '"ballast.{channel}.{half}.{device}"',
    "settle": '{ within = "1 mA", for = "2 s", at_most = "30 s" }',
}
LOADS = Group(
    "loads",
    _step("down", "power_down") + _step("load.{channel}", "load_resistance", each='"channel"'),
    (Wanted("load_resistance", "load_resistance", "load", _channel(lambda t, c: t.load_ohm(c))),),
)
LEVELS = Group(
    "levels",
    AMBIENT
    + _step("sink", "temperature", at='"sensor.sink"')
    + _step(
        "offset.{channel}",
        "dc_voltage",
        each='"channel"',
        at='"out.{channel}"',
        settle='{ within = "2 mV", for = "3 s", at_most = "60 s" }',
    )
    + _step(
        "idle",
        "supply_current",
        settle='{ within = "5 mA", for = "3 s", at_most = "60 s" }',
    )
    + _step("current.{channel}.{half}.{device}", "device_current", **CURRENT_KEYS)
    + _step(
        "share.{channel}.{half}",
        "sharing",
        each='["channel", "half"]',
        of='"current.{channel}.{half}"',
    )
    + _step("heat", "dissipation"),
    (
        Wanted(
            "relay_delay",
            "relay_delay",
            "relays",
            _channel(lambda truth, c: truth.relay_pull_in(c)),
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
        Wanted("dc_offset", "dc_offset", "offset", _channel(lambda truth, c: truth.offset(c))),
        Wanted(
            "idle_supply_current",
            "idle_supply_current",
            "idle",
            lambda s: s.truth.supply_current(_rail(s)),
        ),
        Wanted("idle_current", "idle_current", "current", _device),
        Wanted("current_sharing", "current_sharing", "share", _sharing),
        Wanted("idle_dissipation", "dissipation", "heat", lambda s: truths.heat_w(s.truth)),
    ),
    stages=10,
)


def _balance(truth: Any) -> dict[str, float]:
    """Power in against power out, and the rails, with drive and without."""
    drawn = truths.supply_w(truth)
    given = math.fsum(truths.load_w(truth, c) for c in truths.CHANNELS)
    state = "driven" if given > 0.0 else "idle"
    seen = {f"{state}.{rail}": abs(float(truth.dc(rail))) for rail in truths.RAILS}
    if given > 0.0:
        seen |= {"heat": drawn - given, "efficiency": 100.0 * given / drawn}
    return seen


# --- heat -------------------------------------------------------------------------------------


def _drift(seen: Seen) -> float:
    place = seen.reading.channel
    return seen.kept[f"hot.{place}", place] - seen.kept[f"cold.{place}", place]


def _devices(name: str) -> str:
    return _step(f"{name}.{{channel}}.{{half}}.{{device}}", "device_current", **CURRENT_KEYS)


_RISE: Tell = lambda s: s.truth.settled_sink_rise()  # noqa: E731 - one of a table
HEAT = Group(
    "heat",
    AMBIENT
    + _devices("cold")
    + _step(
        "predicted",
        "soak",
        until='"predicted"',
        at_most='"40 min"',
        ambient='"ambient"',
    )
    + _step(
        "settled",
        "soak",
        power='"rated_power / 8"',
        until='"settled"',
        at_most='"120 min"',
        ambient='"ambient"',
    )
    + _devices("hot")
    + _step(
        "drift.{channel}.{half}.{device}",
        "idle_drift",
        each='["channel", "half", "device"]',
        of='"hot.{channel}.{half}.{device}"',
        against='"cold.{channel}.{half}.{device}"',
    )
    + _step("eighth", "dissipation", power='"rated_power / 8"')
    + _step("resistance", "thermal_resistance", of='"settled"', heat='"eighth"'),
    (
        Wanted("sink_rise_predicted", "sink_rise", "predicted", _RISE),
        Wanted("sink_rise_settled", "sink_rise", "settled", _RISE),
        Wanted("soak_power", "soak_power", "settled", _channel(truths.load_w)),
        Wanted("soak_dissipation", "dissipation", "settled", lambda s: truths.heat_w(s.truth)),
        Wanted("idle_current_cold", "idle_current", "cold", _device),
        Wanted("idle_current_hot", "idle_current", "hot", _device),
        Wanted("idle_drift", "idle_drift", "drift", _drift),
        Wanted("dissipation_eighth", "dissipation", "eighth", lambda s: s.at_capture["heat"]),
        Wanted(
            "thermal_resistance",
            "thermal_resistance",
            "resistance",
            lambda s: s.kept["settled", ""] / s.kept["eighth", ""],
        ),
    ),
    _balance,
)


# --- power ------------------------------------------------------------------------------------


def _thd_now(seen: Seen) -> float:
    """Of the unit alone, at the present level."""
    truth, channel = seen.truth, seen.reading.channel
    with truth.driven(truth.input_v_rms(channel)):
        return 100.0 * truths.thd(truth, channel)


POWER = Group(
    "power",
    _step("power", "output_power"),
    (
        Wanted(
            "output_power",
            "output_power",
            "power",
            _channel(lambda truth, c: truths.power_at_distortion(truth, c, 0.01)),
        ),
        Wanted("thd_clipping", "thd", "power", _thd_now),
        Wanted(
            "supply_current_driven",
            "supply_current",
            "power",
            lambda s: s.truth.supply_current(_rail(s)),
        ),
    ),
)


def _sag(seen: Seen) -> float:
    rail = seen.reading.channel
    return seen.at_capture[f"idle.{rail}"] - seen.at_capture[f"driven.{rail}"]


def _sag_share(seen: Seen) -> float:
    return 100.0 * _sag(seen) / seen.at_capture[f"idle.{seen.reading.channel}"]


SUPPLIES = Group(
    "supplies",
    _step("ripple", "ripple", at='"rail.pos"')
    + _step("sag", "rail_sag", power='"0.8 * rated_power"')
    + _step("efficiency", "efficiency", power='"0.8 * rated_power"'),
    (
        Wanted("ripple", "ripple", "ripple", lambda s: truths.ripple_v(s.truth, "rail.pos")),
        Wanted("rail_sag", "rail_sag", "sag", _sag),
        Wanted("rail_sag_share", "rail_sag_share", "sag", _sag_share),
        Wanted("efficiency", "efficiency", "efficiency", lambda s: s.at_capture["efficiency"]),
        Wanted("dissipation", "dissipation", "efficiency", lambda s: s.at_capture["heat"]),
    ),
    _balance,
)


# --- distortion and noise -----------------------------------------------------------------------


def _distorted(truth: Any) -> dict[str, float]:
    """Of the unit alone: driven by a pure sine at the level that is there now."""
    seen: dict[str, float] = {}
    for channel in truths.CHANNELS:
        volts = truths.fundamental_v(truth, channel)
        if volts <= 0.0:  # its relay is open
            continue
        noise = truths.noise_v(truth, channel)
        with truth.driven(truth.input_v_rms(channel)):
            thd, in_band = truths.thd(truth, channel), truths.thd(truth, channel, IN_BAND)
        seen[f"thd.{channel}"] = 100.0 * thd
        seen[f"thd_n.{channel}"] = 100.0 * math.hypot(in_band, noise / max(volts, 1e-9))
        seen[f"sinad.{channel}"] = -20.0 * math.log10(seen[f"thd_n.{channel}"] / 100.0)
    return seen


def _distortion_at(name: str) -> tuple[Wanted, ...]:
    return tuple(
        Wanted(f"{what}_{name}", what, f"at_{name}", _at_capture(what))
        for what in ("thd", "thd_n", "sinad")
    )


DISTORTION = Group(
    "distortion",
    _step("at_1w", "thd") + _step("at_rated", "thd", power='"1.05 * rated_power"'),
    _distortion_at("1w") + _distortion_at("rated"),
    _distorted,
)
CROSSOVER = Group(
    "crossover",
    _step("at_crossover", "thd"),
    _distortion_at("crossover"),
    _distorted,
    ("bias_low@left=0.9", "bias_low@right=0.5"),
)


def _noise(weighting: Weighting) -> Tell:
    return lambda seen: truths.noise_v(seen.truth, "left", weighting)


def _snr(seen: Seen) -> float:
    rated_v = math.sqrt(40.0 * 8.0)
    return 20.0 * math.log10(rated_v / truths.noise_v(seen.truth, "left"))


def _quiet(name: str, **more: str) -> str:
    return _step(name, "output_noise", at='"out.left"', records="4", record_time='"0.5 s"', **more)


QUIET = Group(
    "quiet",
    _quiet("noise")
    + _quiet("noise_a", weighting='"A"')
    + _quiet("noise_ccir", weighting='"CCIR-468"')
    + _step("snr", "signal_to_noise", of='"noise"')
    + _step("hum", "hum", at='"out.left"'),
    (
        Wanted("noise", "noise", "noise", _noise(Weighting.UNWEIGHTED)),
        Wanted("noise_a_weighted", "noise_a_weighted", "noise_a", _noise(Weighting.A)),
        Wanted("noise_ccir_468", "noise_ccir_468", "noise_ccir", _noise(Weighting.CCIR_468)),
        Wanted("signal_to_noise", "signal_to_noise", "snr", _snr),
        Wanted("hum", "hum", "hum", lambda s: truths.hum_v(s.truth, "left")),
    ),
)


# --- transfer -----------------------------------------------------------------------------------


def _gain_db(seen: Seen) -> float:
    return 20.0 * math.log10(truths.response(seen.truth, seen.reading.channel, 1000.0))


def _balance_db(seen: Seen) -> float:
    one, other = (truths.response(seen.truth, c, 1000.0) for c in truths.CHANNELS)
    return 20.0 * math.log10(one / other)


def _loaded(truth: Any) -> dict[str, float]:
    """Outputs with and without their loads; volts at one drive."""
    return {
        f"{'loaded' if truth.load_on(c) else 'open'}.{c}": truths.fundamental_v(truth, c)
        for c in truths.CHANNELS
        if truths.fundamental_v(truth, c) > 0.0
    }


def _source_ohm(seen: Seen) -> float:
    channel = seen.reading.channel
    opened, loaded = (seen.at_capture[f"{state}.{channel}"] for state in ("open", "loaded"))
    return float(seen.truth.load_ohm(channel)) * (opened / loaded - 1.0)


TRANSFER = Group(
    "transfer",
    _step("gain", "gain")
    + _step("gain_meter", "gain", by='"meter"')
    + _step("balance", "channel_balance")
    + _step("balance_meter", "channel_balance", by='"meter"')
    + _step("source", "source_impedance", power='"10 W"'),
    (
        Wanted("gain", "gain", "gain", _gain_db),
        Wanted("gain_by_meter", "gain", "gain_meter", _gain_db),
        Wanted("channel_balance", "channel_balance", "balance", _balance_db),
        Wanted("balance_by_meter", "channel_balance", "balance_meter", _balance_db),
        Wanted("source_impedance", "source_impedance", "source", _source_ohm),
        Wanted("damping_factor", "damping_factor", "source", lambda s: 8.0 / _source_ohm(s)),
    ),
    _loaded,
    ("resistive_relay@left=0.05", "resistive_relay@right=0.05"),
)

RESPONSE = Group(
    "response",
    _step("response", "frequency_response", high='"200 kHz"', low='"1 Hz"'),
    (
        Wanted("flatness", "flatness", "response", _channel(truths.flatness_db)),
        Wanted(
            "lower_corner",
            "lower_corner",
            "response",
            _channel(lambda truth, c: truths.corner_hz(truth, c, 1.0)),
        ),
        Wanted(
            "upper_corner",
            "upper_corner",
            "response",
            _channel(lambda truth, c: truths.corner_hz(truth, c, 200e3)),
        ),
    ),
)


def _both(truth: Any) -> dict[str, float]:
    """The tone at both outputs while one is driven."""
    volts = {c: truths.fundamental_v(truth, c) for c in truths.CHANNELS}
    loud = max(volts.values())
    return volts if loud > 0.0 else {}


def _separation_db(seen: Seen) -> float:
    driven, other = seen.reading.channel.split("/")
    there = seen.at_capture[other]
    return 20.0 * math.log10(seen.at_capture[driven] / there) if there > 0.0 else math.inf


CLIPPING = Group(
    "clipping",
    _step("onset", "clipping_onset"),
    (Wanted("clipping_onset", "clipping_onset", "onset", _channel(truths.clipping_onset_w)),),
)
CROSSTALK = Group(
    "crosstalk",
    _step("separation", "channel_separation", power='"10 W"'),
    (Wanted("channel_separation", "channel_separation", "separation", _separation_db),),
    _both,
)

GROUPS: tuple[Group, ...] = (
    LOADS,
    LEVELS,
    HEAT,
    POWER,
    SUPPLIES,
    DISTORTION,
    CROSSOVER,
    QUIET,
    TRANSFER,
    RESPONSE,
    CROSSTALK,
    CLIPPING,
)
