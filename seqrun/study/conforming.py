"""What a judged reading of a whole run should have been, told by the world as its step ends.

Each tells the quantity as it is defined, not as it was read: a rate is that of the part that lets
go, a rise is where the heat ends. A quantity that is not in the table is not told of, and a study
names it, so that nobody takes silence for truth.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from demo_sim import DemoError
from seqrun.files.unit.sheet import Unit
from seqrun.plan.contract import Step
from seqrun.steps.base import kinds
from seqrun.steps.response import ends_of
from seqrun.study import truths
from seqrun.values import Judged


@dataclass
class ToldOf:
    """What a truth may be worked out from.

    Attributes:
        truth: the world's truth interface. unit: the unit sheet.
        step: the step that made the reading. kept: currents told earlier, by step id.
    """

    truth: Any
    unit: Unit
    step: Step
    judged: Judged
    kept: dict[str, float] = field(default_factory=dict)

    @property
    def channel(self) -> str:
        return self.judged.reading.channel

    def field(self, name: str, otherwise: Any = None) -> Any:
        """A field of the step as its file has it; ``otherwise`` of a kind of step without it."""
        assert name in _fields_of_any_kind(), f"no kind of step has a field '{name}'"
        return getattr(self.step, name) if name in type(self.step).model_fields else otherwise

    def evaluate(self, name: str, unit: str, otherwise: float) -> float:
        """A field of the step, such as a power, in ``unit``."""
        given = self.field(name)
        if given is None:
            return otherwise
        if isinstance(given, int | float):
            return float(given)
        return float(given.evaluate_in(unit, self.unit.names()))

    def input_v(self, watts: float, channel: str) -> float:
        """V rms at an input for a power into the load of its channel."""
        volts = math.sqrt(watts * float(self.truth.load_ohm(channel)))
        return volts / max(float(self.truth.gain(channel)), 1e-9)


@cache
def _fields_of_any_kind() -> frozenset[str]:
    return frozenset(name for kind in kinds().values() for name in kind.model_fields)


FINE = 60  # frequencies that the truth of a response is looked up at

TellTrue = Callable[[ToldOf], float]


def _device(a: ToldOf) -> float:
    *place, number = a.channel.split(".")
    channel, half = place[0], place[-1]
    side = place[1] if len(place) == 3 else ""
    told = float(a.truth.device_current(channel, half, int(number), side))
    a.kept[a.judged.step] = told
    return told


def _bank(a: ToldOf) -> float:
    channel, *middle = a.channel.split(".")
    half, side = middle[-1], middle[0] if len(middle) == 2 else ""
    numbers = range(1, (a.unit.output_devices or 1) + 1)
    return truths.sharing([float(a.truth.device_current(channel, half, n, side)) for n in numbers])


def _drift(a: ToldOf) -> float:
    hot, cold = a.field("of"), a.field("against")
    return a.kept[hot] - a.kept[cold]


def _rise(a: ToldOf) -> float:
    watts = a.evaluate("power", "W", 0.0)
    if not watts:
        return float(a.truth.settled_sink_rise())
    with a.truth.driven(a.input_v(watts, a.unit.channels[0])):
        return float(a.truth.settled_sink_rise())


def _dc_driven(a: ToldOf) -> float:
    with a.truth.driven(a.input_v(a.evaluate("driven", "W", 0.0), a.channel)):
        return float(a.truth.offset(a.channel))


def _noise(a: ToldOf) -> float:
    return truths.noise_v(a.truth, a.channel)


def _hum(a: ToldOf) -> float:
    """As many multiples of the mains as the step adds up."""
    multiples = int(a.field("multiples", 10))
    return truths.hum_v(a.truth, a.channel, a.evaluate("mains", "Hz", 50.0), multiples)


def _hum_driven(a: ToldOf) -> float:
    watts = a.evaluate("power", "W", 0.5 * a.unit.rated_power)
    with a.truth.driven(a.input_v(watts, a.channel)):
        return _hum(a)


def _stray(a: ToldOf) -> float:
    watts = a.evaluate("power", "W", 0.5 * a.unit.rated_power)
    return float(a.truth.oscillation_v(a.channel, a.input_v(watts, a.channel)))


def _thd(a: ToldOf) -> float:
    watts = a.evaluate("power", "W", min(1.0, 0.1 * a.unit.rated_power))
    frequency = a.evaluate("frequency", "Hz", 1000.0)
    return 100.0 * float(a.truth.thd(a.channel, a.input_v(watts, a.channel), frequency))


def _power(a: ToldOf) -> float:
    frequency = a.evaluate("frequency", "Hz", 1000.0)
    return float(a.truth.max_power(a.channel, 0.01, frequency))


def _separation(a: ToldOf) -> float:
    """By what leaks into the channel that is not driven, as its reading is named."""
    frequency = a.evaluate("frequency", "Hz", 1000.0)
    return float(a.truth.separation_db(a.channel.split("/")[-1], frequency))


def _gain(a: ToldOf) -> float:
    told = 20.0 * math.log10(max(float(a.truth.gain(a.channel)), 1e-9))
    a.kept[f"{a.judged.step}.{a.channel}"] = told
    return told


def _gain_drift(a: ToldOf) -> float:
    of, against = (f"{a.field(key)}.{a.channel}" for key in ("of", "against"))
    return a.kept[of] - a.kept[against]


def _flatness(a: ToldOf) -> float:
    """Within the band that it is judged over."""
    low, high = ends_of(a.field("band"), a.unit)
    middle = float(a.truth.gain(a.channel, 1000.0))
    at = [low * (high / low) ** (n / FINE) for n in range(FINE + 1)]
    return max(abs(20.0 * math.log10(float(a.truth.gain(a.channel, f)) / middle)) for f in at)


def _noise_driven(a: ToldOf) -> float:
    watts = a.evaluate("power", "W", min(1.0, 0.1 * a.unit.rated_power))
    with a.truth.driven(a.input_v(watts, a.channel)):
        return _noise(a)


def _lower(a: ToldOf) -> float:
    return truths.corner_hz(a.truth, a.channel, 0.5)


def _upper(a: ToldOf) -> float:
    return truths.corner_hz(a.truth, a.channel, 400e3)


TOLD: Mapping[str, TellTrue] = {
    "load_resistance": lambda a: float(a.truth.load_ohm(a.channel)),
    "relay_delay": lambda a: float(a.truth.relay_pull_in(a.channel)),
    "own_channel": lambda a: math.inf if a.truth.hears_itself(a.channel) else -math.inf,
    "polarity": lambda a: float(a.truth.polarity(a.channel)),
    "dc_offset": lambda a: float(a.truth.offset(a.channel)),
    "dc_driven": _dc_driven,
    "idle_supply_current": lambda a: float(
        a.truth.supply_current(a.channel.removeprefix("rail.") or "pos")
    ),
    "idle_current": _device,
    "current_sharing": _bank,
    "idle_drift": _drift,
    "noise": _noise,
    "hum": _hum,
    "hum_driven": _hum_driven,
    "gain": _gain,
    "gain_drift": _gain_drift,
    "flatness": _flatness,
    "noise_driven": _noise_driven,
    "lower_corner": _lower,
    "upper_corner": _upper,
    "thd": _thd,
    "channel_separation": _separation,
    "source_impedance": lambda a: float(a.truth.contact_ohm(a.channel)),
    "sink_rise": _rise,
    "sink_temperature": lambda a: float(a.truth.temperature("sink")),
    "drop_out_rate": lambda a: float(a.truth.interruptions_hz(a.channel)),
    "crackle_rate": lambda a: float(a.truth.crackles_hz(a.channel)),
    "burst_rate": lambda a: float(a.truth.crackles_hz(a.channel)),
    "stray": _stray,
    "stray_capacitive": lambda a: float(
        a.truth.oscillation_v(
            a.channel, a.input_v(a.evaluate("power", "W", 1.0), a.channel), "capacitive"
        )
    ),
    "stray_unloaded": lambda a: float(
        a.truth.oscillation_v(a.channel, a.input_v(0.5 * a.unit.rated_power, a.channel), "unloaded")
    ),
    "first_tone_lost": lambda a: float(a.truth.first_tone_lost(a.channel)),
    "protection_opens": lambda a: math.inf if a.truth.protection_v(a.channel) < 5.0 else 0.0,
    "output_power": _power,
    "residual_voltage": lambda a: abs(float(a.truth.rail(a.channel.removeprefix("rail.")))),
}


def told(asked: ToldOf) -> float | None:
    """The truth of a judged reading; None where nothing here tells it."""
    tell = TOLD.get(asked.judged.reading.quantity)
    if tell is None:
        return None
    try:
        return tell(asked)
    except (DemoError, KeyError, IndexError, StopIteration, ValueError):
        return None  # a channel that no reading names, a step not reached, a corner that is nowhere


def violates(judged: Judged, truth: float) -> bool:
    """Whether a true value lies outside the limit that its reading was held against."""
    limit = judged.limit
    if limit is None:
        return False
    below = limit.low is not None and truth < limit.low
    return below or (limit.high is not None and truth > limit.high)
