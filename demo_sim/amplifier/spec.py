"""What a particular amplifier is made of: values that faults change and physics reads.

All SI. The figures are those of an amplifier of our own invention.
:mod:`demo_sim.amplifier.building` makes one from a unit sheet; a fault then replaces some of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.changeable import ALWAYS, When
from demo_sim.amplifier.passing import SILENT, SOUND, STABLE, Intermittent, Oscillation, Thump
from demo_sim.amplifier.sections import SectionSpec
from demo_sim.errors import DemoError

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Topology = Literal["single_ended", "bridged", "parallel_bridged"]
HALVES = ("upper", "lower")
SIDES = ("pos", "neg")


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """One output device with its ballast resistor.

    Args:
        offset_v: how far its base-emitter voltage at a given current lies below nominal, V;
            positive carries more current. ballast_ohm: its own resistor, Ω.
        joint_k_per_w: case to sink; an integrated stage has that of its first upper one.
        state: "open" conducts nothing; "shorted" is collector to emitter.
    """

    offset_v: float
    ballast_ohm: float
    joint_k_per_w: float = 0.6
    state: Literal["good", "open", "shorted"] = "good"


@dataclass(frozen=True, slots=True)
class Resonance:
    """A lift (or a cut, below nothing) of ``db`` about ``hz``, as narrow as ``q`` says."""

    hz: float = 1000.0
    db: float = 0.0
    q: float = 1.0


LEVEL = Resonance()


@dataclass(frozen=True, slots=True)
class LegSpec:
    """One push-pull half-bridge and the amplifier around it: one power stage.

    Args:
        side: "" for a single-ended channel, else "pos" or "neg".
        upper, lower: the paralleled devices of each half.
        bias_shift_v: how far the bias between the bases is from nominal, V.
        bias_sensor_k_per_w: from sink to the bias transistor. It loses heat to the air through
            ``HeatSpec.bias_air_k_per_w``; the ratio is how well the bias follows the sink.
        offset_v: DC at the output, V. gain: signed voltage gain of this leg.
        offset_v_per_k: what comes to it per kelvin of the bias transistor above 25 °C.
        offset_step_v: what comes to it while the bias transistor is warmer than offset_step_c.
        offset_per_v, offset_from_v: what comes to it per volt of the mean magnitude that the leg
            is driven to beyond ``offset_from_v``.
        limit_a, limit_s: the upper half's protection holds its current to this, A, where what
            ``limit_s`` has smoothed of it is beyond; inf: it never does. Means are not told of it.
        stick_s: so long the output stays where it was cut off, once the signal comes back.
        squash, squash_from_v: a limiter takes this share of the signal, times one less what
            ``squash_from_v`` is of its mean magnitude; nothing where that is smaller.
        low_cut_hz, pole_hz: input coupling and closed-loop bandwidth, −3 dB.
        resonance: what lifts or cuts a part of the band.
        stage: its number, from 1, among those in parallel at one terminal; 0: it is alone there.
            earlier: devices of each half that belong to the stages before it.
        output_ohm: its output ballast, outside its feedback. joint_ohm: from it to that ballast.
    """

    side: str
    upper: tuple[DeviceSpec, ...]
    lower: tuple[DeviceSpec, ...]
    gain: float
    offset_v: float = 0.0
    offset_v_per_k: float = 0.0
    offset_step_v: float = 0.0
    offset_step_c: float = 45.0
    offset_per_v: float = 0.0
    offset_from_v: float = 0.0
    limit_a: float = math.inf
    limit_s: float = 5e-3
    stick_s: float = 0.0
    squash: float = 0.0
    squash_from_v: float = 0.0
    bias_shift_v: float = 0.0
    bias_sensor_k_per_w: float = 5.0
    low_cut_hz: float = 2.0
    pole_hz: float = 120e3
    resonance: Resonance = LEVEL
    stage: int = 0
    earlier: int = 0
    output_ohm: float = 0.0
    joint_ohm: float = 0.0

    @property
    def siemens(self) -> float:
        """Of the way from a paralleled stage to its terminal."""
        return 1.0 / (self.output_ohm + self.joint_ohm)

    def numbered(self, half: str) -> Iterator[tuple[int, DeviceSpec]]:
        """Its devices of a half, each with its number, from 1, at its terminal."""
        return enumerate(self.half(half), self.earlier + 1)

    def half(self, name: str) -> tuple[DeviceSpec, ...]:
        return self.upper if name == "upper" else self.lower


@dataclass(frozen=True, slots=True)
class RelaySpec:
    """Output relay: pull-in after the rails are up, release after they fell, Ω of the contact.

    It opens on DC of more than ``dc_trip_v`` between an output and its middle (common practice for
    speaker protection). ``contact`` is how well it holds; ``film_v`` is what a film on it keeps
    from current into the load, and not from current out of it. It lets go as well, until it pulls
    in again, where the load takes more than ``loud_a`` (mean magnitude) for ``loud_s``. A dry
    contact lands on a film whenever it closes, and passes ``1 − dry_lost`` of what is not DC until
    the output has swung by more than ``dry_v`` once, which breaks the film. Its guard takes what is
    below ``bass_hz`` for DC, and of higher tones what a first-order filter leaves. For ``bounce_s``
    after it has closed the contact is open half of the time.
    """

    pull_in_s: float = 4.0
    release_s: float = 0.05
    contact_ohm: float = 0.015
    never_closes: bool = False
    dc_trip_v: float = 1.5
    contact: Intermittent = SOUND
    film_v: float = 0.0
    loud_a: float = math.inf
    loud_s: float = 5.0
    dry_v: float = 0.0
    dry_lost: float = 0.95
    bass_hz: float = 0.0
    bounce_s: float = 0.0


@dataclass(frozen=True, slots=True)
class NoiseSpec:
    """Disturbances of one channel.

    Args:
        white_v_rt_hz: at the input. flicker_hz: where flicker noise equals the white.
        hum_v: peak at the output, of the doubled line frequency with its harmonics.
        line_v: peak at the output, of the line frequency.
        burst_v: typical height of a random burst at the output; 0 = none.
        burst_rate_hz: bursts per second with the sink at 25 °C. burst_warming_k: what doubles it.
        crackle_v: typical height of a crackle that comes every ``crackle_every_s`` on average;
            0 = none. crackle_when: always, or only with or without a signal at the input.
            crackle_above_c, crackle_below_c: only with the sink between these.
        hum_per_a: peak at the output, of the doubled line frequency with its harmonics, per ampere
            of a rail's current above ``hum_from_a``. line_per_a: the same of the line frequency
            and its odd multiples, as of a charging current that differs from half to half.
            buzz_per_a: the same of each even multiple of the line from the 12th to the 40th, as of
            the edges of that current. white_per_a: so much more white noise at the input.
    """

    white_v_rt_hz: float = 18e-9
    flicker_hz: float = 150.0
    hum_v: float = 60e-6
    line_v: float = 30e-6
    burst_v: float = 0.0
    burst_rate_hz: float = 0.8
    burst_warming_k: float = 12.0
    crackle_v: float = 0.0
    crackle_every_s: float = 15.0
    crackle_when: Literal["always", "driven", "quiet"] = "always"
    crackle_above_c: float = -math.inf
    crackle_below_c: float = math.inf
    hum_per_a: float = 0.0
    line_per_a: float = 0.0
    buzz_per_a: float = 0.0
    white_per_a: float = 0.0
    hum_from_a: float = 0.25


@dataclass(frozen=True, slots=True)
class OutputCapacitor:
    """What couples a channel to its load where the unit has a single rail and one terminal.

    Args:
        farads: the capacitor, behind the stage's feedback. leak_ohm: across it.
        bleed_ohm: from its far end to ground, before the relay: it charges through this.
    """

    farads: float
    leak_ohm: float = 2e6
    bleed_ohm: float = 220.0

    def passes(self, frequencies: Floats, siemens: float) -> Complexes:
        """What of the stage's volts arrives at the far end, where a load takes ``siemens``."""
        s = 2j * math.pi * frequencies * self.farads + 1.0 / self.leak_ohm
        return np.asarray(s / (s + siemens + 1.0 / self.bleed_ohm))


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One channel.

    Args:
        legs: its power stages, those in parallel at one terminal behind one another.
        fed_by: the channel whose socket leads to this one; its own where none is named.
        crosstalk: from the others at 1 kHz, capacitive: it grows with frequency. shared: from them
            by a path that both have, at every frequency; shared_low: the same at 100 Hz, where it
            falls with frequency. rectified: of the magnitude of what another one is driven with, as
            what its supply's current leaves in a ground that both have.
        wander, wander_s: its gain moves up and down by this share, once in so many seconds.
        contact: in the signal path before the power stage.
        ground, ground_v: while this contact is open, so much hum of the line (peak) is at the
            output. kick, kick_v: while this is "open", so much DC is added there.
        capacitor: between its stages and its terminal; None: they are joined for DC as well.
        warm, warm_c: what the channel becomes while the heatsink is warmer than this; thermal
            paths stay as they were.
        other, when: what it becomes (after ``warm``) under other conditions than warmth.
    """

    name: str
    legs: tuple[LegSpec, ...]
    relay: RelaySpec
    noise: NoiseSpec = field(default_factory=NoiseSpec)
    input_ohm: float = 22e3
    section: SectionSpec | None = None
    fed_by: str = ""
    crosstalk: float = 1.8e-4
    shared: float = 0.0
    shared_low: float = 0.0
    rectified: float = 0.0
    wander: float = 0.0
    wander_s: float = 60.0
    contact: Intermittent = SOUND
    oscillation: Oscillation = STABLE
    thump: Thump = SILENT
    ground: Intermittent = SOUND
    ground_v: float = 0.0
    kick: Intermittent = SOUND
    kick_v: float = 0.0
    capacitor: OutputCapacitor | None = None
    warm: Callable[[ChannelSpec], ChannelSpec] | None = None
    warm_c: float = 45.0
    other: Callable[[ChannelSpec], ChannelSpec] | None = None
    when: When = ALWAYS

    def leaks(self, frequencies: Floats) -> Complexes:
        """What of another channel's input arrives at this one's, as a ratio."""
        low = self.shared_low / np.maximum(frequencies / 100.0, 0.1)
        return np.asarray(self.shared + low + 1j * self.crosstalk * frequencies / 1000.0)

    @property
    def sides(self) -> tuple[str, ...]:
        """Its half-bridges: ("pos", "neg"), or ("",) when single-ended."""
        return tuple(dict.fromkeys(leg.side for leg in self.legs))


@dataclass(frozen=True, slots=True)
class HeatSpec:
    """Thermal network; K/W and J/K. ``ambient_c`` is the room when the bench is opened; it goes
    on by ``ambient_k_per_h``, up to 2 K.

    Args:
        convection_power: the sink gives off heat as its rise to one plus this power; it is
            ``sink_k_per_w`` at 30 K. slow_share, slow_s: this part of the sink's heat goes to the
            air by way of a chassis, which is that slow.
    """

    junction_k_per_w: float = 1.5
    junction_j_per_k: float = 0.05
    case_j_per_k: float = 8.0
    sink_k_per_w: float = 0.88
    sink_j_per_k: float = 520.0
    bias_j_per_k: float = 3.0
    bias_air_k_per_w: float = 70.0
    ambient_c: float = 23.0
    ambient_k_per_h: float = 0.0
    destroyed_above_c: float = 200.0
    convection_power: float = 0.0
    slow_share: float = 0.0
    slow_s: float = 1800.0


@dataclass(frozen=True, slots=True)
class RailSpec:
    """Feed of each rail inside the unit.

    Args:
        feed_ohm: fuse, wiring and connector in series. neg_more_ohm: so much more in the negative
            rail's. reservoir_f: capacitance. bleeder_ohm: discharges it. quiescent_a: the
            small-signal part of each channel, rails fully up.
        bias_sag_v: bias lost when the rails go from rated to nothing, through the multiplier's
            resistance. dead_v, alive_v: rail (smaller of the two) below which the bias does not
            exist, and above which it is complete.
        relay_threshold: part of the rated rail at which the output relay's timer starts.
        slow_ohm, slow_hz: what the rail gives way to current that changes more slowly than
            ``slow_hz``; the mean is held by the regulation, which is slower than any signal.
            slow_from_hz: and faster than this.
    """

    feed_ohm: float = 0.05
    neg_more_ohm: float = 0.0
    reservoir_f: float = 6.8e-3
    bleeder_ohm: float = 4.7e3
    quiescent_a: float = 0.003
    bias_sag_v: float = 0.04
    dead_v: float = 2.0
    alive_v: float = 5.0
    relay_threshold: float = 0.8
    slow_ohm: float = 0.0
    slow_hz: float = 100.0
    slow_from_hz: float = 0.0

    def slow(self, frequencies: Floats) -> Complexes:
        """What the rail gives way with, Ω, at frequencies above nothing."""
        s = 1j * frequencies
        return np.asarray(self.slow_ohm / (1.0 + s / self.slow_hz) * s / (s + self.slow_from_hz))


@dataclass(frozen=True, slots=True)
class PathSpec:
    """Signal path of every leg.

    Args:
        loop_gain, loop_pole_hz: feedback's loop gain at DC and its pole; their product is where
            it is one. slew_v_per_s: limit of the leg's output.
        drop_v: what the drivers keep between rail and output, V, besides ``drop_ohm`` · current.
        second, third: curvature of the voltage amplifier in open loop, fraction at full swing.
        most_a: what a half can be driven to.
    """

    loop_gain: float = 3000.0
    loop_pole_hz: float = 20.0
    slew_v_per_s: float = 12e6
    drop_v: float = 2.9
    drop_ohm: float = 0.22
    second: float = 0.02
    third: float = 0.01
    most_a: float = 8.0


@dataclass(frozen=True, slots=True)
class AmplifierSpec:
    model: str
    topology: Topology
    split: bool
    rail_voltage: float
    rated_power: float
    rated_load: float
    gain_db: float
    idle_current: float
    channels: tuple[ChannelSpec, ...]
    heat: HeatSpec = field(default_factory=HeatSpec)
    rails: RailSpec = field(default_factory=RailSpec)
    path: PathSpec = field(default_factory=PathSpec)
    inputs: tuple[str, ...] = ()
    headphones: bool = False
    standby_v: float | None = None
    ballasts_accessible: bool = True  # False: no lead can be put on them
    output_ballasts_accessible: bool = True
    integrated: bool = False  # the devices of a stage are in one case
    cases_accessible: bool = False  # a probe can be held on the case of each output device

    @property
    def channel_names(self) -> tuple[str, ...]:
        return tuple(channel.name for channel in self.channels)

    def channel(self, name: str) -> ChannelSpec:
        for one in self.channels:
            if one.name == name:
                return one
        raise DemoError("no such channel", found=name, expected=", ".join(self.channel_names))

    def with_channel(self, name: str, change: Callable[[ChannelSpec], ChannelSpec]) -> Self:
        """The same amplifier with one channel changed."""
        self.channel(name)
        return replace(
            self, channels=tuple(change(c) if c.name == name else c for c in self.channels)
        )

    def with_legs(self, name: str, change: Callable[[LegSpec], LegSpec]) -> Self:
        """The same amplifier with every leg of one channel changed."""
        return self.with_channel(
            name, lambda c: replace(c, legs=tuple(change(leg) for leg in c.legs))
        )
