"""What is studied of signals: distortion, noise, transfer, response, crosstalk, clipping."""

from __future__ import annotations

import math
from typing import Any

from seqrun.measure.weighting import Weighting
from seqrun.study import truths
from seqrun.study.benches import Seen, TellTruth, Wanted
from seqrun.study.groups import Group, at_capture, of_channel, step

IN_BAND = 22  # harmonics of 1 kHz up to 22 kHz
NEAR_LINE_HZ = 10.0  # as far as a line of the mains is looked for from where it was read


# --- distortion and noise -----------------------------------------------------------------------


def distorted(truth: Any) -> dict[str, float]:
    """Of the unit alone: driven by a pure sine at the level that is there now."""
    seen: dict[str, float] = {}
    for channel in truth.channel_names:
        volts = truths.fundamental_v(truth, channel)
        if volts <= 0.0:  # its relay is open
            continue
        noise = truths.noise_v(truth, channel)
        with truth.driven(truth.input_v_rms(channel)):
            thd, in_band = truths.thd(truth, channel), truths.thd(truth, channel, IN_BAND)
        seen[f"thd.{channel}"] = 100.0 * thd
        seen[f"thd_n.{channel}"] = 100.0 * math.hypot(in_band, noise / max(volts, 1e-9))
        seen[f"sinad.{channel}"] = -20.0 * math.log10(seen[f"thd_n.{channel}"] / 100.0)
        seen[f"noise.{channel}"] = noise
    return seen


def _distortion_at(name: str) -> tuple[Wanted, ...]:
    return tuple(
        Wanted(f"{what}_{name}", what, f"at_{name}", at_capture(what))
        for what in ("thd", "thd_n", "sinad")
    )


DISTORTION = Group(
    "distortion",
    step("at_1w", "thd") + step("at_rated", "thd", power='"1.05 * rated_power"'),
    _distortion_at("1w") + _distortion_at("rated"),
    distorted,
)
CROSSOVER = Group(
    "crossover",
    step("at_crossover", "thd"),
    _distortion_at("crossover"),
    distorted,
    ("bias_low@left=0.9", "bias_low@right=0.5"),
)


def _noise(weighting: Weighting) -> TellTruth:
    return lambda seen: truths.noise_v(seen.truth, seen.reading.channel, weighting)


def _snr(seen: Seen) -> float:
    noise_v = truths.noise_v(seen.truth, seen.reading.channel)
    return 20.0 * math.log10(seen.unit.rated_voltage / noise_v)


def _hum_line(seen: Seen) -> float:
    """V rms of the line of which the note tells the frequency."""
    at = float(seen.reading.note.removesuffix(" Hz"))
    lines = seen.truth.lines(*seen.truth.terminals(seen.reading.channel))
    return math.hypot(0.0, *(v for f, v in lines.items() if abs(f - at) < NEAR_LINE_HZ))


def _quiet(name: str, **more: str) -> str:
    return step(
        f"{name}.{{channel}}",
        "output_noise",
        each='"channel"',
        at='"out.{channel}"',
        records="4",
        record_time='"0.5 s"',
        **more,
    )


QUIET = Group(
    "quiet",
    _quiet("noise")
    + _quiet("noise_a", weighting='"A"')
    + _quiet("noise_ccir", weighting='"CCIR-468"')
    + step("snr.{channel}", "signal_to_noise", each='"channel"', of='"noise.{channel}"')
    + step("hum.{channel}", "hum", each='"channel"', at='"out.{channel}"'),
    (
        Wanted("noise", "noise", "noise", _noise(Weighting.UNWEIGHTED)),
        Wanted("noise_a_weighted", "noise_a_weighted", "noise_a", _noise(Weighting.A)),
        Wanted("noise_ccir_468", "noise_ccir_468", "noise_ccir", _noise(Weighting.CCIR_468)),
        Wanted("signal_to_noise", "signal_to_noise", "snr", _snr),
        Wanted("hum", "hum", "hum", of_channel(truths.hum_v)),
        Wanted("hum_line", "hum_line", "hum", _hum_line),
    ),
)


# --- transfer -----------------------------------------------------------------------------------


def _gain_db(seen: Seen) -> float:
    return 20.0 * math.log10(truths.response(seen.truth, seen.reading.channel, 1000.0))


def _balance_db(seen: Seen) -> float:
    one, other = (truths.response(seen.truth, c, 1000.0) for c in seen.truth.channel_names)
    return 20.0 * math.log10(one / other)


def _loaded(truth: Any) -> dict[str, float]:
    """Outputs with and without their loads; volts at one drive."""
    return {
        f"{'loaded' if truth.load_on(c) else 'open'}.{c}": truths.fundamental_v(truth, c)
        for c in truth.channel_names
        if truths.fundamental_v(truth, c) > 0.0
    }


def _source_ohm(seen: Seen) -> float:
    channel = seen.reading.channel
    opened, loaded = (seen.at_capture[f"{state}.{channel}"] for state in ("open", "loaded"))
    return float(seen.truth.load_ohm(channel)) * (opened / loaded - 1.0)


TRANSFER = Group(
    "transfer",
    step("gain", "gain")
    + step("gain_meter", "gain", by='"meter"')
    + step("balance", "channel_balance", if_unit_has='"two channels"')
    + step("balance_meter", "channel_balance", by='"meter"', if_unit_has='"two channels"')
    + step("source", "source_impedance", power='"10 W"'),
    (
        Wanted("gain", "gain", "gain", _gain_db),
        Wanted("gain_by_meter", "gain", "gain_meter", _gain_db),
        Wanted("channel_balance", "channel_balance", "balance", _balance_db),
        Wanted("balance_by_meter", "channel_balance", "balance_meter", _balance_db),
        Wanted("source_impedance", "source_impedance", "source", _source_ohm),
        Wanted(
            "damping_factor",
            "damping_factor",
            "source",
            lambda s: s.unit.rated_load / _source_ohm(s),
        ),
    ),
    _loaded,
    ("resistive_relay@left=0.05", "resistive_relay@right=0.05"),
)

RESPONSE = Group(
    "response",
    step("response", "frequency_response", high='"200 kHz"', low='"1 Hz"')
    + step("even", "flatness", of='"response"', band='["100 Hz", "10 kHz"]'),
    (
        Wanted(
            "flatness_within",
            "flatness",
            "even",
            of_channel(lambda truth, c: truths.flatness_db(truth, c, 100.0, 10e3)),
        ),
        Wanted("flatness", "flatness", "response", of_channel(truths.flatness_db)),
        Wanted(
            "lower_corner",
            "lower_corner",
            "response",
            of_channel(lambda truth, c: truths.corner_hz(truth, c, 1.0)),
        ),
        Wanted(
            "upper_corner",
            "upper_corner",
            "response",
            of_channel(lambda truth, c: truths.corner_hz(truth, c, 200e3)),
        ),
    ),
)


def _both(truth: Any) -> dict[str, float]:
    """The tone at both outputs while one is driven."""
    volts = {c: truths.fundamental_v(truth, c) for c in truth.channel_names}
    loud = max(volts.values())
    return volts if loud > 0.0 else {}


def _separation_db(seen: Seen) -> float:
    driven, other = seen.reading.channel.split("/")
    there = seen.at_capture[other]
    return 20.0 * math.log10(seen.at_capture[driven] / there) if there > 0.0 else math.inf


CLIPPING = Group(
    "clipping",
    step("onset", "clipping_onset"),
    (Wanted("clipping_onset", "clipping_onset", "onset", of_channel(truths.clipping_onset_w)),),
)
CROSSTALK = Group(
    "crosstalk",
    step("separation", "channel_separation", power='"10 W"', if_unit_has='"two channels"'),
    (Wanted("channel_separation", "channel_separation", "separation", _separation_db),),
    _both,
)
