"""What a unit sheet says: the keys of the file, and the figures that follow from them."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema

from seqrun.errors import UnitLacks
from seqrun.files.common import FileModel
from seqrun.files.unit.points import SIDES
from seqrun.files.unit.untold import UNTOLD, AmperesOrUntold, CountOrUntold, OhmsOrUntold
from seqrun.quantity import (
    Amperes,
    Celsius,
    Decibels,
    Farads,
    Fraction,
    Hertz,
    Kelvins,
    Ohms,
    Seconds,
    Volts,
    Watts,
)

Topology = Literal["single_ended", "bridged", "parallel_bridged"]
Rails = Literal["split", "single"]
Stage = Literal["discrete", "integrated"]
SupplyKind = Literal["none", "linear", "switching"]
ShortName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,31}$")]

#: what is said of each thing that a sheet may hold back
_HELD_BACK = {
    "output_devices": "its output devices",
    "ballast": "its ballast resistors",
    "idle_current": "the idle current of its output devices",
}
#: names that limits may use and that come of one key
_FROM = {"idle_current": ("idle_current", "idle_current_low", "idle_current_high")}

#: how many times its idle current a class-AB half swings before it begins to give that up
IDLE_LEFT = 3.0
#: how much more than its part of the heat a good one's rise at idle may be of its limit
IDLE_ROOM = 1.25

BRIDGED_CAUTION = (
    "Bridged output: both speaker terminals are live. Never connect ground, an earthed clip or a "
    "common return to either of them."
)

_DELAY = {
    "anyOf": [
        {"type": "string"},
        {"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 2},
    ]
}


def _delay(value: Any) -> Any:
    return [value, value] if isinstance(value, str) else value


class Ratings(FileModel):
    """What a unit sheet says of its amplifier, and the figures that follow from it."""

    model: Annotated[str, StringConstraints(min_length=1, max_length=80)] = Field(
        description='a name such as "Demo 2x40"'
    )
    channels: Annotated[tuple[ShortName, ...], Field(min_length=1, max_length=16)] = Field(
        description='a list such as ["left", "right"]'
    )
    topology: Topology = Field(
        description='"single_ended", or "bridged" / "parallel_bridged" when neither terminal is '
        "ground"
    )
    rails: Rails = Field(description='"split" (plus and minus) or "single"')
    rail_voltage: Volts = Field(gt=0, le=400, description='each rail to ground, such as "30 V"')
    rated_power: Watts = Field(gt=0, description='per channel into rated_load, such as "40 W"')
    rated_load: Ohms = Field(gt=0, description='such as "8 Ω"')
    gain: Decibels = Field(
        ge=-40, le=80, description='voltage gain from input to output, such as "29 dB"'
    )
    output_devices_told: CountOrUntold = Field(
        alias="output_devices",
        description='output devices in parallel in each half, such as 2, or "not accessible" or '
        '"unknown"',
    )
    ballast_told: OhmsOrUntold = Field(
        alias="ballast",
        description='resistor at each output device, such as "0.22 Ω", or "not accessible" or '
        '"unknown"',
    )
    ballast_tolerance: Fraction = Field(0.05, gt=0, lt=0.5, description='such as "5 %"')
    sink_rise_limit: Kelvins = Field(
        gt=0, description='largest rise of the heatsink over ambient, such as "40 K"'
    )
    sink_time_constant: Seconds | None = Field(
        None, gt=0, description="of the heatsink, when a soak has told it: the plan counts with it"
    )
    idle_current_told: AmperesOrUntold = Field(
        alias="idle_current",
        description='of each output device, cold, as "25 mA", or "not accessible" or "unknown"',
    )
    idle_current_tolerance: Fraction = Field(0.4, gt=0, lt=1, description='such as "40 %"')
    relay_delay: Annotated[
        tuple[Seconds, Seconds], BeforeValidator(_delay), WithJsonSchema(_DELAY)
    ] = Field((2.0, 10.0), description='speaker relay closes after, such as ["2 s", "10 s"]')
    supply_idle: Amperes | None = Field(
        None,
        gt=0,
        description="current from each rail at idle, when known; it must be when idle_current or "
        "output_devices are not: first power is watched against it",
    )
    stage: Stage = Field(
        "discrete", description='"discrete" output devices, or "integrated" power stages'
    )
    paralleled: int = Field(
        1, ge=1, le=8, description="power stages in parallel at each speaker terminal, such as 2"
    )
    output_ballast: OhmsOrUntold | None = Field(
        None,
        description="resistor from each of the paralleled power stages to its terminal, such as "
        '"0.1 Ω", or "not accessible" or "unknown"',
    )
    output_capacitor_told: Farads | None = Field(
        None,
        alias="output_capacitor",
        gt=0,
        le=1.0,
        description="capacitor between each stage and its terminal, of a single-ended unit on a "
        'single rail, such as "3300 µF"; when not told, one whose corner is a third of the lower '
        "end of the rated band",
    )
    output_ballast_tolerance: Fraction = Field(0.05, gt=0, lt=0.5, description='such as "5 %"')
    cases: Literal["accessible", "not accessible"] = Field(
        "not accessible",
        description='"accessible" when an insulated temperature probe can be held on the case of '
        "every output device (of integrated power stages: of every stage) while the unit plays; "
        "a case may be live",
    )
    sink_limit: Celsius | None = Field(
        None, description='hottest that the heatsink may be at idle, such as "65 °C", when told'
    )
    load_capacitor: Farads | None = Field(
        None,
        gt=0,
        le=10e-6,
        description="largest capacitor that may be put across an output for a test, when its maker "
        'or its circuit says that it is stable into it, such as "100 nF"',
    )
    protection_test: str | None = Field(
        None,
        min_length=10,
        max_length=200,
        description="how the speaker protection is given DC safely, in a sentence for the operator "
        "(at which test point, from what, through which resistor); never DC into a loudspeaker",
    )
    own_supply: SupplyKind = Field(
        "none", description='its own mains supply: "none", "linear" or "switching"'
    )
    start_up: Seconds | None = Field(
        None, gt=0, description='its own supply has its rails up after at most, such as "5 s"'
    )
    input_mute: Seconds = Field(
        0.0, ge=0, le=60, description="the output is muted this long when the input is changed"
    )
    input_impedance: Ohms | None = Field(None, gt=0)
    rated_thd: Fraction = Field(0.01, gt=0, le=0.5, description='distortion at rated power, "1 %"')
    power_frequency: Hertz = Field(1000.0, gt=0, description='frequency of the power test, "1 kHz"')
    rated_band_told: tuple[Hertz, Hertz] | None = Field(
        None,
        alias="rated_band",
        description='band of rated power, as ["20 Hz", "20 kHz"], which it is when not told; above '
        "an output capacitor that is told, from twice its corner with the rated load",
    )
    inverting: bool = Field(False, description="true when the outputs are inverted by design")
    inputs: tuple[ShortName, ...] = Field((), description='selectable inputs, as ["line", "phono"]')
    headphones: bool = Field(False, description="true when there is a headphone output")
    standby_voltage: Volts | None = Field(None, gt=0, description='standby rail, such as "5 V"')
    cautions_told: tuple[str, ...] = Field(
        (),
        alias="cautions",
        description="cautions that this model needs; a bridged one has its own",
    )

    @property
    def output_path(self) -> float:
        """What output ballasts leave between a channel's stages and its load, Ω: both terminals of
        a bridge; 0 where there are none, or the sheet tells no figure."""
        ohms = self.output_ballast if isinstance(self.output_ballast, float) else 0.0
        return (2.0 if self.bridged else 1.0) * ohms / self.paralleled

    @property
    def output_capacitor(self) -> float | None:
        """The capacitor between each stage and its terminal, F: the sheet's, or one whose corner
        with the rated load is a third of the lower end of the rated band (common practice: half a
        decibel is lost there). None for a unit that has none: with split rails, or bridged."""
        if self.bridged or self.rails == "split":
            return None
        return self.output_capacitor_told or self.farads_for(self.rated_band[0] / 3.0)

    def farads_for(self, corner_hz: float) -> float:
        """The output capacitor that has its corner there with the rated load, F (first order)."""
        return 1.0 / (2.0 * math.pi * self.rated_load * corner_hz)

    @property
    def output_corner(self) -> float:
        """Where the output capacitor that the sheet tells has half of the power, with the rated
        load, Hz (first order); 0 when it tells none."""
        if self.output_capacitor_told is None:
            return 0.0
        return self._corner_hz(self.output_capacitor_told)

    def _corner_hz(self, farads: float) -> float:
        return 1.0 / (2.0 * math.pi * self.rated_load * farads)

    @property
    def rated_band(self) -> tuple[float, float]:
        """The band of rated power, Hz: the sheet's, or 20 Hz to 20 kHz, of which an output
        capacitor leaves what lies above twice its corner (our own choice: a decibel is lost
        there)."""
        return self.rated_band_told or (max(20.0, 2.0 * self.output_corner), 20e3)

    @property
    def power_left_low(self) -> float:
        """What the output capacitor leaves of the power at the lower end of the rated band, 0 to 1:
        half at its corner with the rated load (first order); 1 for a unit that has none."""
        if self.output_capacitor is None:
            return 1.0
        corner_hz = self._corner_hz(self.output_capacitor)
        return 1.0 / (1.0 + (corner_hz / self.rated_band[0]) ** 2)

    @property
    def cautions(self) -> tuple[str, ...]:
        """The sheet's own, and before them what the topology brings."""
        return (*((BRIDGED_CAUTION,) if self.bridged else ()), *self.cautions_told)

    @property
    def held_back(self) -> dict[str, str]:
        """Keys that have no figure, each with the reason in words."""
        return {
            key: f"{said} on this unit: {what}" if said == "not accessible" else f"unknown: {what}"
            for key, what in _HELD_BACK.items()
            if (said := getattr(self, f"{key}_told")) in UNTOLD
        }

    @property
    def withheld(self) -> dict[str, str]:
        """Names that limits may use and that have no value on this unit, each with the reason."""
        return {
            name: reason
            for key, reason in self.held_back.items()
            for name in _FROM.get(key, (key,))
        }

    def _figure(self, key: str) -> float:
        """The figure of a key that may have none.

        Raises:
            UnitLacks: it has none.
        """
        value = getattr(self, f"{key}_told")
        if isinstance(value, str):
            raise UnitLacks(
                self.held_back[key],
                expected=f"a figure for {key} in the unit sheet",
                where=self.model,
            )
        return float(value)

    @property
    def output_devices(self) -> int:
        """Devices in parallel in each half.

        Raises:
            UnitLacks: the sheet tells none.
        """
        return int(self._figure("output_devices"))

    @property
    def ballast(self) -> float:
        """Resistor at each output device, Ω.

        Raises:
            UnitLacks: the sheet tells none.
        """
        return self._figure("ballast")

    @property
    def idle_current(self) -> float:
        """Of each output device, cold, A.

        Raises:
            UnitLacks: the sheet tells none.
        """
        return self._figure("idle_current")

    @property
    def bridged(self) -> bool:
        """True when neither speaker terminal is ground."""
        return self.topology != "single_ended"

    @property
    def sides(self) -> tuple[str, ...]:
        """Half-bridges of a channel: ("pos", "neg"), or ("",) when single-ended."""
        return SIDES if self.bridged else ("",)

    @property
    def largest_peak(self) -> float:
        """The most the output can swing to one side across the load, volts, with no losses."""
        rail = self.rail_voltage if self.rails == "split" else self.rail_voltage / 2.0
        return rail * (2.0 if self.bridged else 1.0)

    @property
    def rated_voltage(self) -> float:
        """Output voltage at rated power, volts r.m.s."""
        return math.sqrt(self.rated_power * self.rated_load)

    @property
    def rail_names(self) -> tuple[str, ...]:
        return ("rail.pos", "rail.neg") if self.rails == "split" else ("rail.pos",)

    @property
    def expected_supply_current(self) -> float:
        """From each rail of a healthy unit at idle, cold, all channels, amperes.

        The sheet's ``supply_idle``, or the idle current of all paths from rail to rail; driver
        stages add a little, which the tolerance covers.
        """
        if self.supply_idle is not None:
            return self.supply_idle
        paths = len(self.channels) * len(self.sides) * self.output_devices
        return paths * self.idle_current

    def supply_current_at(self, power: float) -> float:
        """Mean current from each rail with every channel at ``power`` watts into rated_load.

        A class-B half carries half a sine, mean peak/π (any power-amplifier handbook); both
        half-bridges of a bridged output draw from the same rail. The idle current is the least.
        """
        peak = math.sqrt(2.0 * power / self.rated_load)
        swing = len(self.channels) * peak / math.pi * len(self.sides)
        return max(self.expected_supply_current, swing)

    @property
    def supply_at_rated_power(self) -> float:
        """The most that a healthy unit draws from each rail at rated power, A.

        What it swings, and beside it what is left of the idle current: a half gives it up as it
        swings beyond it. Up to three times the idle current all of it is taken to be left, beyond
        that it dies away (our own choice; class AB lies below it). A headphone amplifier idles at a
        third of what it swings, an amplifier of 40 W at a twentieth.
        """
        swing = self.supply_current_at(self.rated_power)
        idle = self.expected_supply_current
        return swing + min(idle, IDLE_LEFT * idle * idle / swing)

    @property
    def supply_at_eighth(self) -> float:
        """What a healthy unit draws from each rail with all channels at an eighth of rated power,
        A: what it swings with half of what may be left of its idle current, or that current (by
        the simulated stages of units of 0.5 W to 55 W, class A among them, within a tenth)."""
        power = self.rated_power / 8.0
        peak = math.sqrt(2.0 * power / self.rated_load)
        swing = len(self.channels) * peak / math.pi * len(self.sides)
        idle = self.expected_supply_current
        return max(idle, swing + 0.5 * min(idle, IDLE_LEFT * idle * idle / swing))

    @property
    def rated_efficiency(self) -> float:
        """Rated power in all loads over the most that a healthy unit draws for it."""
        drawn = len(self.rail_names) * self.rail_voltage * self.supply_at_rated_power
        return len(self.channels) * self.rated_power / drawn

    @property
    def idle_rise_limit(self) -> float:
        """How far the heatsink may rise at idle, K: half of its limit (our own choice), and more
        where a good one makes a large part of its heat at an eighth of rated power by idling."""
        volts = len(self.rail_names) * self.rail_voltage
        driven = volts * self.supply_at_eighth - len(self.channels) * self.rated_power / 8.0
        part = volts * self.expected_supply_current / driven
        return self.sink_rise_limit * min(1.0, max(0.5, IDLE_ROOM * part))

    @property
    def devices_named(self) -> int:
        """Devices of each half that have a name: all of them, or one for all where the sheet does
        not tell how many there are."""
        told = self.output_devices_told
        return told if isinstance(told, int) else 1
