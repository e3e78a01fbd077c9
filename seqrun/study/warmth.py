"""What is studied of heat, and of idle currents that move with it."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from typing import Any

from seqrun.study import truths
from seqrun.study.benches import Seen, TellTruth, Wanted
from seqrun.study.groups import Group, of_channel, step
from seqrun.study.power import AMBIENT, CURRENT_KEYS, balance


def loop_gain(seen: Seen) -> float:
    """Heat that the devices make more per kelvin of the sink, times what a watt warms it by: over
    what the sink cooled by while it was watched, as the note tells."""
    now = float(seen.truth.sink_rise())
    span = float(seen.reading.note.removeprefix("over ").removesuffix(" K"))
    watts = [float(seen.truth.heat_at(now + more)) for more in (0.0, span)]
    return (watts[1] - watts[0]) / span * seen.kept["resistance", ""]


def _in_turn(seen: Seen) -> float:
    """A device's current while the meter read it. What all of them were at the first of its family
    is kept as well: that is where drifts are told."""
    name = seen.step.partition(".")[0]
    for place in truths.device_currents(seen.truth):
        seen.kept.setdefault((f"first.{name}", place), seen.at_capture[f"device.{place}"])
    seen.kept[f"sink.{name}", seen.reading.channel] = seen.at_capture["sink"]
    return seen.at_capture[f"device.{seen.reading.channel}"]


def _heating(truth: Any) -> dict[str, float]:
    devices = {f"device.{place}": a for place, a in truths.device_currents(truth).items()}
    return {**balance(truth), **devices, "sink": float(truth.temperature("sink"))}


def _drift(seen: Seen) -> float:
    place = seen.reading.channel
    return seen.kept["first.hot", place] - seen.kept["first.cold", place]


def _devices(name: str) -> str:
    return step(f"{name}.{{ballast}}", "device_current", **CURRENT_KEYS)


def _slope(seen: Seen) -> float:
    """Of a device's current over the heatsink, by what both were as it was read."""
    place = seen.reading.channel
    amps = [seen.kept[f"{when}.{place}", place] for when in ("hot", "cold")]
    celsius = [seen.kept[f"sink.{when}", place] for when in ("hot", "cold")]
    return (amps[0] - amps[1]) / (celsius[0] - celsius[1])


_RISE: TellTruth = lambda s: s.truth.settled_sink_rise()  # noqa: E731 - one of a table
HEAT = Group(
    "heat",
    AMBIENT
    + step("cold_sink", "temperature", at='"sensor.sink"')
    + _devices("cold")
    + step(
        "predicted",
        "soak",
        until='"predicted"',
        at_most='"40 min"',
        ambient='"ambient"',
    )
    + step(
        "settled",
        "soak",
        power='"rated_power / 8"',
        until='"settled"',
        at_most='"120 min"',
        ambient='"ambient"',
    )
    + step("hot_sink", "temperature", at='"sensor.sink"')
    + _devices("hot")
    + step("later_sink", "temperature", at='"sensor.sink"')
    + step(
        "drift.{ballast}",
        "idle_drift",
        each='"ballast"',
        of='"hot.{ballast}"',
        against='"cold.{ballast}"',
    )
    + step(
        "slope.{ballast}",
        "current_slope",
        each='"ballast"',
        of='"hot.{ballast}"',
        against='"cold.{ballast}"',
        hot='"hot_sink"',
        hot_after='"later_sink"',
        cold='"cold_sink"',
    )
    + step("eighth", "dissipation", power='"rated_power / 8"')
    + step("resistance", "thermal_resistance", of='"settled"', heat='"eighth"')
    + step("margin", "runaway", resistance='"resistance"', watch='"15 min"'),
    (
        Wanted("sink_rise_predicted", "sink_rise", "predicted", _RISE),
        Wanted("sink_rise_settled", "sink_rise", "settled", _RISE),
        Wanted("soak_power", "soak_power", "settled", of_channel(truths.load_w)),
        Wanted("soak_dissipation", "dissipation", "settled", lambda s: truths.heat_w(s.truth)),
        Wanted("idle_current_cold", "idle_current", "cold", _in_turn),
        Wanted("idle_current_hot", "idle_current", "hot", _in_turn),
        Wanted("idle_drift", "idle_drift", "drift", _drift),
        Wanted("device_current_slope", "device_current_slope", "slope", _slope),
        Wanted(
            "sink_temperature_hot",
            "sink_temperature",
            "settled",
            lambda s: s.truth.temperature("sink"),
        ),
        Wanted("dissipation_eighth", "dissipation", "eighth", lambda s: s.at_capture["heat"]),
        Wanted(
            "thermal_resistance",
            "thermal_resistance",
            "resistance",
            lambda s: s.kept["settled", ""] / s.kept["eighth", ""],
        ),
        Wanted("thermal_loop_gain", "thermal_loop_gain", "margin", loop_gain),
    ),
    _heating,
)


# --- cases, felt one after another ----------------------------------------------------------------

LARGE, SMALL = 4.0, 200.0  # of rated power, the parts that are played
CASES_HZ = 400.0


def _warmed(seen: Seen, watts: float) -> dict[str, float]:
    """What each case rises by over the heatsink by a tone of that power in the end, K."""
    truth, first = seen.truth, seen.truth.channel_names[0]
    volts = math.sqrt(watts * float(truth.load_ohm(first)))
    before = truth.case_rises()
    with truth.driven(volts / float(truth.gain(first, CASES_HZ)), CASES_HZ):
        after = truth.case_rises()
    return {name: float(after[name] - before[name]) for name in after}


def _departure(of: Mapping[str, float], name: str) -> float:
    """From the middle one of the others, %."""
    others = [value for other, value in of.items() if other != name]
    return 100.0 * (of[name] / statistics.median_low(others) - 1.0)


def _by_large(seen: Seen) -> dict[str, float]:
    return _warmed(seen, seen.unit.rated_power / LARGE)


def _by_small(seen: Seen) -> float:
    large, small = _by_large(seen), _warmed(seen, seen.unit.rated_power / SMALL)
    return _departure({name: small[name] / large[name] for name in large}, seen.reading.channel)


CASES = Group(
    "cases",
    AMBIENT
    + step(
        "cases",
        "case_heat",
        ambient='"ambient"',
        power=f'"rated_power / {LARGE:g}"',
        small_power=f'"rated_power / {SMALL:g}"',
    )
    + step("share", "small_tone_heat", of='"cases"'),
    (
        Wanted(
            "case_heat", "case_heat", "cases", lambda s: _departure(_by_large(s), s.reading.channel)
        ),
        Wanted("case_rise", "case_rise", "cases", lambda s: _by_large(s)[s.reading.channel]),
        Wanted("small_tone_heat", "small_tone_heat", "share", _by_small),
    ),
    unit="demo-integrated",
)


# --- cases, cooled one after another --------------------------------------------------------------

COLDER_K = 15.0  # what a case is cooled by, about


def _cooled(seen: Seen) -> float:
    """What a device makes the current fall by, over the mean of those beside it, less one, %: all
    of them cooled alike."""
    falls = seen.truth.cooling_falls(COLDER_K)
    name = seen.reading.channel
    bank = name.rpartition(".")[0]
    beside = [a for n, a in falls.items() if n != name and n.rpartition(".")[0] == bank]
    return 100.0 * (float(falls[name]) / statistics.fmean(beside) - 1.0)


COOLED = Group(
    "cooled",
    step(
        "cooled",
        "cooled_share",
        settle='{ within = "1 %", for = "30 s", at_most = "15 min" }',
    ),
    (Wanted("cooled_share", "cooled_share", "cooled", _cooled),),
    unit="demo-integrated",
)
