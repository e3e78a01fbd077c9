"""The unit in time: rails, relays, operating point and heat, moved along together."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.changeable import Changeable, Seen
from demo_sim.amplifier.electrics import Electrics, Operating, Rails, Wanted
from demo_sim.amplifier.relay import Relay
from demo_sim.amplifier.signal import InputSignal
from demo_sim.amplifier.spec import (
    HALVES,
    AmplifierSpec,
    ChannelSpec,
    DeviceSpec,
    HeatSpec,
    LegSpec,
)
from demo_sim.amplifier.wanted import wanted_output
from demo_sim.heat import Heat, Network, NetworkBuilder, with_path_out
from demo_sim.rails import RailPair, Source
from demo_sim.wiring import Joined, leg_label, stage_case

Floats = NDArray[np.float64]

SAME_TEMPERATURE_K = 0.02  # within it the operating point is taken as unchanged
HOT_C = 140.0  # above it heat is followed in short strides, so that a failure is seen in time
HOT_STRIDE_S = 1.0
DRIVERS_ON_SINK = 0.5  # part of the small-signal section's power that goes into the sink
MOST_DRIFT_K = 2.0  # of the room
CONVECTION_RATED_K = 30.0  # rise at which the sink's thermal resistance is stated
PROVOKED_V = 5.0  # put on the sense line of a speaker protection to see it act
WARM_LAG_K = 3.0  # a part that fails when warm is sound again so much cooler
COLD_K = 40.0  # what is held on a case is so much colder than the room: metal out of a freezer
OVERDRIVEN = 1.03  # what is asked of an output over what it gives
LEAKS_LESS = 0.1  # of the largest signal: an input with less has only what leaks in
HOTTEST_C = 400.0  # beyond it the device model means nothing


def bias_name(channel: str, leg: LegSpec) -> str:
    """The node of a stage's bias transistor; those in parallel have one each."""
    label = leg_label(channel, leg.side)
    return f"bias.{label}.{leg.stage}" if leg.stage else f"bias.{label}"


def thermal_network(spec: AmplifierSpec) -> Network:
    """Nodes "sink", "bias.<leg>", and "junction." / "case." + "<leg>.<half>.<number>"; the case of
    an integrated stage is "case.<leg>.<stage>"."""
    heat = spec.heat
    net = NetworkBuilder()
    net.node("sink", heat.sink_j_per_k)
    net.path("sink", net.AMBIENT, heat.sink_k_per_w / (1.0 - heat.slow_share))
    if heat.slow_share:
        # Two equal resistances in series with the capacity between them.
        either = 0.5 * heat.sink_k_per_w / heat.slow_share
        net.node("chassis", heat.slow_s / (0.5 * either))
        net.path("sink", "chassis", either)
        net.path("chassis", net.AMBIENT, either)
    for channel in spec.channels:
        for leg in channel.legs:
            label = leg_label(channel.name, leg.side)
            bias = bias_name(channel.name, leg)
            net.node(bias, heat.bias_j_per_k)
            net.path(bias, "sink", leg.bias_sensor_k_per_w)
            net.path(bias, net.AMBIENT, heat.bias_air_k_per_w)
            if spec.integrated:
                net.node(case := stage_case(channel.name, leg), heat.case_j_per_k)
                net.path(case, "sink", leg.upper[0].joint_k_per_w)
            for half in HALVES:
                for number, device in leg.numbered(half):
                    name = f"{label}.{half}.{number}"
                    net.node(f"junction.{name}", heat.junction_j_per_k)
                    if not spec.integrated:
                        net.node(case := f"case.{name}", heat.case_j_per_k)
                        net.path(case, "sink", device.joint_k_per_w)
                    net.path(f"junction.{name}", case, heat.junction_k_per_w)
    return net.build()


class PoweredUnit:
    """One amplifier with its present rails, relays, inputs, loads and temperatures."""

    def __init__(self, spec: AmplifierSpec, joined: Joined) -> None:
        self.spec = spec
        self.now = 0.0
        self.electrics = Electrics(spec)
        self.rails = RailPair(spec.rails, spec.split)
        self.relays = [Relay(channel.relay) for channel in spec.channels]
        self._network = thermal_network(spec)
        self.heat = Heat(self._network)
        self._chilled = (0, 0.0)  # the node that something cold is on, and W that its cold takes
        self.inputs: dict[str, InputSignal] = {
            name: InputSignal(open=True) for name in spec.channel_names
        }
        self.joined = joined
        self.speakers = True  # the switch in series with the relays
        self.provoked = "off"  # the channel whose protection has DC put on its sense line
        self.unfed_since = 0.0  # s; inf while a rail is fed
        # As each relay opened last: the rails, and the DC behind it, V.
        self.let_go = [(self.rails.rails, 0.0) for _ in self.relays]
        self.damage: list[str] = []
        self.epoch = 0
        # Channels that are not always the same, as built; which are warm, which are the other.
        self._changing = {c.name: c for c in spec.channels if c.warm or c.other}
        self._are_warm: set[str] = set()
        self._are_other: set[str] = set()
        self._changeable = {c.name: Changeable(c.when) for c in spec.channels if c.other}
        self._ups = 0
        self._up = False
        self._junctions, self._sensors = self._places()
        self._wanted: Wanted | None = None
        self._point: Operating | None = None
        self._point_rise = np.zeros(0)
        self._point_ambient_c = 0.0
        self._power = np.zeros(0)
        self._start: Floats | None = None
        # When and for which heat which point was last found to be the present one.
        self._seen: tuple[float, Floats, Operating | None] = (-1.0, np.zeros(0), None)
        self._legs_dc: tuple[Operating | None, Floats] = (None, np.zeros(0))
        # Whoever watches the unit, called as time passes: within how many seconds to call again.
        self.look: Callable[[], float] = lambda: math.inf
        self._hottest: tuple[Floats | None, float] = (None, 0.0)
        self._relays_saw = (-1.0, -1)  # when, and in which state
        self._relays_went_by: tuple[Rails, Operating, str] | None = None
        self._looked, self._patience = (-1.0, -1), 0.0  # the same of whoever watches; what was said
        self._ambient = (-1.0, 0.0)  # when it was worked out, °C

    def _places(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        names = self.heat.network.names
        at = {name: i for i, name in enumerate(names)}
        junctions, sensors = [], []
        for channel in self.spec.channels:
            for leg in channel.legs:
                label = leg_label(channel.name, leg.side)
                sensors.append(at[bias_name(channel.name, leg)])
                junctions.append(
                    [[at[f"junction.{label}.{h}.{n}"] for n, _ in leg.numbered(h)] for h in HALVES]
                )
        return np.array(junctions), np.array(sensors)

    # --- what changes from outside ---

    def feed(self, pos: Source | None, neg: Source | None) -> None:
        """New settings of what feeds the rails."""
        if pos is None and neg is None and self.unfed_since == math.inf:
            self.unfed_since = self.now
        elif not (pos is None and neg is None):
            self.unfed_since = math.inf
        for rail, source in ((self.rails.pos, pos), (self.rails.neg, neg)):
            if rail.source != source:
                rail.feed(source)
                self.changed()

    def drive(self, inputs: Mapping[str, InputSignal]) -> None:
        self.inputs = dict(inputs)
        self._wanted = None
        self._start = None
        self.changed()

    def load(self, joined: Joined) -> None:
        self.joined = joined
        self.changed()

    def chill(self, node: str | None, k_per_w: float = math.inf) -> None:
        """Something ``COLD_K`` colder than the room touches a node, by so much; None: nothing."""
        network = self._network
        self._chilled = (0, 0.0)
        if node is not None:
            network = with_path_out(network, node, k_per_w)
            self._chilled = (network.index(node), COLD_K / k_per_w)
        self.heat = Heat(network, self.heat.rise_k)
        self.changed()

    def closed(self) -> list[bool]:
        """Per channel: is its way to the speaker terminals closed, relay and speaker switch."""
        return [self.speakers and relay.closed for relay in self.relays]

    def changed(self) -> None:
        """Something that the operating point depends on is different."""
        self.epoch += 1
        self._point = None

    # --- operating point ---

    @property
    def ambient_c(self) -> float:
        """The room now, °C; the sink is taken to follow it at once, slow as it is."""
        heat = self.spec.heat
        if not heat.ambient_k_per_h:
            return heat.ambient_c
        if self._ambient[0] != self.now:
            drift = heat.ambient_k_per_h * self.now / 3600.0
            now_c = heat.ambient_c + min(max(drift, -MOST_DRIFT_K), MOST_DRIFT_K)
            self._ambient = (self.now, now_c)
        return self._ambient[1]

    @property
    def junction_nodes(self) -> NDArray[np.intp]:
        """Of the thermal network, (legs, 2, devices)."""
        return self._junctions

    def junction_c(self, rise_k: Floats | None = None) -> Floats:
        """Junction temperatures (legs, 2, devices), °C."""
        rise = self.heat.rise_k if rise_k is None else rise_k
        return np.minimum(rise[self._junctions] + self.ambient_c, HOTTEST_C)

    def sensor_c(self, rise_k: Floats | None = None) -> Floats:
        """Bias transistors' temperatures (legs,), °C."""
        rise = self.heat.rise_k if rise_k is None else rise_k
        return np.minimum(rise[self._sensors] + self.ambient_c, HOTTEST_C)

    def temperature_c(self, node: str) -> float:
        """Of a node of the thermal network, °C."""
        return float(self.heat.rise_k[self.heat.network.index(node)]) + self.ambient_c

    def wanted(self) -> Wanted:
        """What the legs should put out, sampled for means."""
        if self._wanted is None:
            self._wanted = wanted_output(self.spec, self.inputs)
        return self._wanted

    def operating(self) -> Operating:
        """The operating point now."""
        now, rise_k, point = self._seen
        if (
            point is None
            or self._point is not point
            or self.now != now
            or (self.heat.rise_k is not rise_k)
        ):
            self.power(self.heat.rise_k)
            point = self._point
            assert point is not None
            self._seen = (self.now, self.heat.rise_k, point)
        return point

    def power(self, rise_k: Floats) -> Floats:
        """W into each thermal node; keeps the operating point that goes with it."""
        if self._point is not None:
            seen_s, seen_k, seen = self._seen
            if seen_k is rise_k and seen is self._point and seen_s == self.now:
                return self._power  # the very heat that it was found for
            moved = float(np.maximum.reduce(np.abs(rise_k - self._point_rise)))
            if moved + abs(self.ambient_c - self._point_ambient_c) < SAME_TEMPERATURE_K:
                return self._power
        junction_c, sensor_c = self.junction_c(rise_k), self.sensor_c(rise_k)
        wanted, admittance = self.wanted(), self.joined.admittance

        def operate(rails: Rails) -> Operating:
            point = self.electrics.operate(
                wanted, rails, admittance, junction_c, sensor_c, self._start
            )
            self._start = point.base_v
            return point

        point = self.rails.balance(operate)
        power = np.zeros(rise_k.size)
        power[self._junctions] = point.power_w
        rails = self.rails.rails
        quiescent = len(self.spec.channels) * self.spec.rails.quiescent_a
        power[0] += (
            DRIVERS_ON_SINK * quiescent * self.electrics.alive(rails) * (rails.pos - rails.neg)
        )
        power[self._chilled[0]] -= self._chilled[1]
        if self.spec.heat.convection_power:
            power[0] -= _more_convection(self.spec.heat, float(rise_k[0]))
        self._point, self._point_rise, self._power = point, rise_k.copy(), power
        self._point_ambient_c = self.ambient_c
        return power

    # --- time ---

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        end = self.now + seconds
        while True:
            if self._changeable:
                self._observe_changeable()
            if self._relays_saw != (self.now, self.epoch):
                self._relays()
                self._relays_saw = (self.now, self.epoch)
            if self._looked != (self.now, self.epoch):
                self.look_now()
            left = end - self.now
            if left <= 1e-12:
                break
            stride = min(left, max(1e-6, min(self._patience, self._next_event() - self.now)))
            if self.rails.moving:
                stride = min(stride, self._move_rails(stride))
            elif self._hottest_c() > HOT_C:
                stride = min(stride, HOT_STRIDE_S)
            self.heat.advance(stride, self.power)
            self.now += stride
            self._destroy_what_is_too_hot()
            if self._changing:
                self._become()

    def look_now(self) -> None:
        """Have all who watch look: time has passed, the unit has changed, or what is watched for.

        A look that changes the unit is followed by another.
        """
        self._looked = (self.now, self.epoch)
        self._patience = self.look()

    def restless(self, seconds: float) -> bool:
        """Whether rails or relays move within so many seconds."""
        return self.rails.moving or self.relay_moves_in() < seconds

    @property
    def running_down(self) -> bool:
        """Whether rails fall that nothing feeds any more."""
        return self.unfed_since < math.inf and self.rails.moving

    def relay_moves_in(self) -> float:
        """Seconds until a relay opens or closes; inf: none does."""
        return self._next_event() - self.now

    def _hottest_c(self) -> float:
        """The hottest place of the unit; that is a junction, or near enough to one."""
        if self._hottest[0] is not self.heat.rise_k:
            self._hottest = (self.heat.rise_k, float(np.maximum.reduce(self.heat.rise_k)))
        return self._hottest[1] + self.ambient_c

    def _move_rails(self, stride: float) -> float:
        junction_c, sensor_c = self.junction_c(), self.sensor_c()
        wanted = self.wanted()

        def operate(rails: Rails) -> Operating:
            return self.electrics.operate(
                wanted, rails, self.joined.admittance, junction_c, sensor_c, self._start
            )

        taken = self.rails.move(stride, operate)
        self.changed()
        return taken

    def _next_event(self) -> float:
        soonest = math.inf
        for relay in self.relays:
            soonest = min(soonest, relay.next_event())
        for one in self._changeable.values():
            soonest = min(soonest, one.next_event)
        return soonest

    def _relays(self) -> None:
        rails = self.rails.rails
        seen = (rails, self.operating(), self.provoked)
        if (
            self._relays_went_by == seen
            and self.now < self._next_event()
            and all(relay.calm for relay in self.relays)
        ):
            return
        self._relays_went_by = seen
        least = min(rails.pos, -rails.neg) if self.spec.split else rails.pos
        for i, relay in enumerate(self.relays):
            threshold = self.spec.rails.relay_threshold - (0.15 if relay.closed else 0.0)
            up = least >= threshold * self.spec.rail_voltage
            dc = load_a = 0.0
            if up:
                dc = float(self._channel_dc()[i])
                if math.isfinite(relay.spec.loud_a):
                    load_a = self._load_a(i)
                if relay.spec.bass_hz:
                    dc += self._bass_v(i, relay.spec.bass_hz)
                if self.spec.channels[i].name == self.provoked:
                    dc += PROVOKED_V
            relay.observe(self.now, up, dc, load_a)
            if relay.dry and relay.swung(self._swing_v(i)):
                self.changed()
            if relay.act(self.now):
                if not relay.closed:
                    self.let_go[i] = (rails, self._rest_v(i))
                self.relay_moved()

    def fallen(self, rails: Rails) -> float:
        """0…1: how far the rails are below where the output relays let go."""
        least = min(rails.pos, -rails.neg) if self.spec.split else rails.pos
        return float(min(1.0, max(0.0, 1.0 - least / (0.9 * self.spec.rail_voltage))))

    def _rest_v(self, number: int) -> float:
        """DC of a channel's first leg about its middle, V."""
        leg = self.electrics.channel_of.index(number)
        mean = float((self.operating().volts[leg] * self.wanted().weights[leg]).sum())
        return mean - self.electrics.middle(self.rails.rails)

    def _channel_dc(self) -> Floats:
        """Largest DC of each channel's legs about their middle, V, as the relays' guard sees it."""
        point = self.operating()
        if self._legs_dc[0] is not point:
            means = (point.volts * self.wanted().weights).sum(axis=1)
            legs = np.abs(means - self.electrics.middle(self.rails.rails))
            if self.electrics.coupled:
                legs = np.abs(self.electrics.dc_through(means, self.joined.admittance))
            dc = np.zeros(len(self.relays))
            np.maximum.at(dc, self.electrics.channel_of, legs)
            self._legs_dc = (point, dc)
        return self._legs_dc[1]

    def _load_a(self, number: int) -> float:
        """Mean magnitude of the current into a channel's load, A: of the stages at its terminal."""
        first = self.electrics.channel_of.index(number)
        legs = self.spec.channels[number].legs
        last = first + sum(leg.side == legs[0].side for leg in legs)
        amps = self.operating().load_a[first:last].sum(axis=0)
        return float((np.abs(amps) * self.wanted().weights[first]).sum())

    def _swing_v(self, number: int) -> float:
        """How far a channel's output swings about its mean, V: both terminals of a bridge."""
        leg = self.electrics.channel_of.index(number)
        volts = self.operating().volts[leg]
        swing = float(np.abs(volts - (volts * self.wanted().weights[leg]).sum()).max())
        return swing * len(self.spec.channels[number].sides)

    def _bass_v(self, number: int, corner_hz: float) -> float:
        """What a first-order filter leaves of a channel's swing, V."""
        period = self.inputs[self.spec.channels[number].name].period
        if period is None:
            return 0.0
        return self._swing_v(number) / math.hypot(1.0, period.frequency_hz / corner_hz)

    def _overdriven(self, number: int) -> bool:
        """Whether a channel's output falls short of what its input asks for."""
        legs = [i for i, c in enumerate(self.electrics.channel_of) if c == number]
        wanted = np.abs(self.wanted().volts[legs]).max()
        given = np.abs(self.operating().volts[legs] - self.electrics.middle(self.rails.rails)).max()
        return bool(wanted > OVERDRIVEN * given + 1e-3)

    def mute(self, seconds: float) -> None:
        """Open every output relay at once and keep it open for a while."""
        for relay in self.relays:
            relay.mute(self.now, seconds)
        self.relay_moved()

    def relay_moved(self) -> None:
        """The world replaces this: loads must be joined anew."""
        self.changed()

    def _destroy_what_is_too_hot(self) -> None:
        """A junction above its end turns into a short, for good."""
        if self._hottest_c() <= self.spec.heat.destroyed_above_c:
            return
        too_hot = self.junction_c() > self.spec.heat.destroyed_above_c
        too_hot &= self.electrics.stage.good
        if not too_hot.any():
            return
        for leg, half, k in np.argwhere(too_hot):
            self._short(int(leg), HALVES[half], int(k))
        self.electrics = Electrics(self.spec)
        self._start = None
        self.changed()

    def _observe_changeable(self) -> None:
        """See what changeable channels go by, and turn those whose time has come."""
        rails, spec = self.rails.rails, self.spec
        least = min(rails.pos, -rails.neg) if spec.split else rails.pos
        share = least / spec.rail_voltage
        up = share >= spec.rails.relay_threshold - (0.15 if self._up else 0.0)
        self._ups += up and not self._up
        self._up = up
        driven = self._driven()
        for number, channel in enumerate(spec.channels):
            if channel.name in self._changeable:
                closed = up and self.relays[number].closed
                seen = Seen(
                    rail=share,
                    up=up,
                    ups=self._ups,
                    load_a=self._load_a(number) if closed else 0.0,
                    overdriven=up and self._overdriven(number),
                    own=channel.name in driven,
                    others=bool(driven - {channel.name}),
                )
                self._changeable[channel.name].observe(self.now, seen)
        self._become()

    def _driven(self) -> set[str]:
        """Channels that have a signal of their own: what leaks in from others is none."""
        tops = {
            name: float(np.abs(signal.volts).max())
            for name, signal in self.inputs.items()
            if signal.volts is not None
        }
        return {name for name, top in tops.items() if top > LEAKS_LESS * max(tops.values())}

    def _become(self) -> None:
        """Channels that are not always the same turn into what they are now."""
        if self.damage:
            return
        celsius = self.temperature_c("sink")
        for name, built in self._changing.items():
            was_warm = name in self._are_warm
            lag_k = WARM_LAG_K if was_warm else 0.0
            is_warm = built.warm is not None and celsius > built.warm_c - lag_k
            is_other = name in self._changeable and self._changeable[name].on
            if is_warm == was_warm and is_other == (name in self._are_other):
                continue
            now = built
            if is_warm and built.warm is not None:
                now = built.warm(now)
            if is_other and built.other is not None:
                now = built.other(now)
            for turned, those in ((is_warm, self._are_warm), (is_other, self._are_other)):
                (those.add if turned else those.discard)(name)
            self.spec = self.spec.with_channel(name, partial(_instead, now))
            self.electrics = Electrics(self.spec)
            self.relays[self.spec.channel_names.index(name)].spec = now.relay
            self._start = self._wanted = None
            self.relay_moved()  # its contact may be another

    def _short(self, leg_number: int, half: str, k: int) -> None:
        channel = self.spec.channels[self.electrics.channel_of[leg_number]]
        target = self.electrics.legs[leg_number]

        def failed(devices: tuple[DeviceSpec, ...]) -> tuple[DeviceSpec, ...]:
            return tuple(
                replace(d, state="shorted") if i == k else d for i, d in enumerate(devices)
            )

        def of(leg: LegSpec) -> LegSpec:
            if (leg.side, leg.stage) != (target.side, target.stage):
                return leg
            if half == "upper":
                return replace(leg, upper=failed(leg.upper))
            return replace(leg, lower=failed(leg.lower))

        self.spec = self.spec.with_legs(channel.name, of)
        label = leg_label(channel.name, target.side)
        number = target.earlier + k + 1
        self.damage.append(f"{label}.{half}.{number} shorted by heat at {self.now:.1f} s")


def _more_convection(heat: HeatSpec, rise_k: float) -> float:
    """W that the sink gives off beyond the linear law, by natural convection."""
    growth: float = (max(rise_k, 0.0) / CONVECTION_RATED_K) ** heat.convection_power
    return (1.0 - heat.slow_share) * rise_k / heat.sink_k_per_w * (growth - 1.0)


def _instead(now: ChannelSpec, was: ChannelSpec) -> ChannelSpec:
    return now
