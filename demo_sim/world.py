"""The world on the bench: one amplifier, its heat, its wiring, one clock.

Instruments reach it through the methods below and through nothing else; what it really is, it
tells only to ``World.truth``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from demo_sim import noise
from demo_sim.amplifier.building import build
from demo_sim.amplifier.signal import InputSignal
from demo_sim.bench_parts import BenchSpec
from demo_sim.clock import Clock
from demo_sim.dirt import Dirt, dirty_heat, wide
from demo_sim.errors import DemoError
from demo_sim.faults import apply_faults, parse_fault
from demo_sim.feeding import Feeding
from demo_sim.front import MUTE_S, Front
from demo_sim.held_cold import COOLER, HeldCold
from demo_sim.held_probe import PROBE, SEEN_EVERY_S, HeldProbe
from demo_sim.node_signal import NodeSignal, of_input
from demo_sim.ohms import Ohms
from demo_sim.ports import Drive, OutputSetting, SupplyState
from demo_sim.powered import PoweredUnit
from demo_sim.truth import Truth
from demo_sim.waveforms import Waveforms
from demo_sim.wiring import GROUND, Hookup, Load, join, leg_label, unit_nodes

Floats = NDArray[np.float64]

LOAD_RESOLVED = 2e-4  # of a load's resistance: less is not worth working everything out anew


class World:
    """One unit on one bench.

    Args:
        unit: a unit sheet's plain values, SI; None is the built-in one.
        faults: such as "dc_offset@left=0.6", in the order they are put in.
        seed: draws every part and every hidden error. clock: a virtual one when none is given.
        dirty: with what no data sheet tells (``demo_sim.dirt``). wide_parts: a healthy unit as a
            shop sees them.

    Raises:
        DemoError: a fault or a unit that cannot be built.
    """

    def __init__(
        self,
        unit: Mapping[str, object] | None = None,
        faults: Sequence[str] = (),
        seed: int = 1,
        clock: Clock | None = None,
        dirty: bool = False,
        wide_parts: bool = False,
    ) -> None:
        self._seed = seed
        amplifier = build(unit, self.rng("unit"))
        if wide_parts:
            amplifier = wide(amplifier, self.rng("wide"))
        self._dirt = Dirt.drawn(seed) if dirty else Dirt()
        if dirty:
            amplifier = replace(amplifier, heat=dirty_heat(amplifier.heat, self.rng("dirty heat")))
        requests = [parse_fault(text) for text in faults]
        self._bench = apply_faults(BenchSpec.around(amplifier, self.rng("bench")), requests)
        spec = self._bench.amplifier
        self._clock = Clock() if clock is None else clock
        self._hookup = Hookup(unit_nodes(spec), self._bench.meter_swapped)
        self._drives: dict[str, Drive] = {}
        closed = [False] * len(spec.channels)
        self._load_warmth = dict.fromkeys(self._bench.loads, 0.0)  # fraction of resistance gained
        self._joined_loads = self._loads()
        self._unit = PoweredUnit(spec, join(spec, self._hookup, self._joined_loads, closed))
        self._unit.relay_moved = self._rejoin  # type: ignore[method-assign]
        self._unit.look = self._look
        self._watchers: list[Callable[[float], float]] = []
        self._front = Front(spec)
        self._feeding = Feeding(self._unit, self._hookup, self._front)
        self._probe = HeldProbe(self._unit, self._hookup, self._bench.probe_sensor, self._dirt)
        self._cold = HeldCold(self._unit, self._hookup, seed)
        self._ohms = Ohms(
            self._unit, self._bench, self._hookup, self._dirt, self._load_warmth, self._probe
        )
        self._waves = Waveforms(self._unit, seed, self._feeding.ripple, self._dirt)
        self._waves.special = self._section_node
        self._waves.rail_tables = self._feeding.own_ripple
        self._waves.passing.capacitive = self._capacitive
        self._sockets: dict[str, InputSignal] = {}
        self._redrive()

    # --- time ---

    @property
    def now(self) -> float:
        """Bench seconds."""
        return self._clock.now

    @property
    def virtual(self) -> bool:
        """True when time passes only by ``advance``."""
        return self._clock.virtual

    def advance(self, dt: float) -> None:
        """Let bench time pass; heat, rails and relays follow. In real time it really waits."""
        self._clock.advance(dt)
        self.catch_up()

    def restless(self, seconds: float) -> bool:
        """Whether rails or relays move within so many seconds, as far as anybody knows now."""
        return self._unit.restless(seconds)

    def running_down(self) -> bool:
        """Whether rails fall that nothing feeds any more."""
        return self._unit.running_down

    def relay_moves_in(self) -> float:
        """Seconds until a relay opens or closes, as far as anybody knows now; inf: none does."""
        return self._unit.relay_moves_in()

    def catch_up(self) -> None:
        """Bring heat, rails and relays to the clock."""
        behind = self._clock.now - self._unit.now
        if behind > 0.0:
            self._pass(behind)
            if self._dirt.load_per_w:
                self._warm_loads(behind)

    def _pass(self, seconds: float) -> None:
        """Let the unit's time pass; what a probe is held to is followed in short strides."""
        while self.node_of(PROBE) is not None and seconds > SEEN_EVERY_S:
            self._unit.advance(SEEN_EVERY_S)
            self._probe.look()
            seconds -= SEEN_EVERY_S
        self._unit.advance(seconds)

    def _warm_loads(self, seconds: float) -> None:
        """Loads follow the power in them; what they join is worked out anew when it matters."""
        kept = math.exp(-seconds / self._dirt.load_s)
        point, weights = self._unit.operating(), self._unit.wanted().weights
        moved = 0.0
        for number, channel in enumerate(self._unit.spec.channels):
            load = self._bench.loads.get(channel.name)
            if load is None or math.isinf(load.ohm):
                continue
            first = self._unit.electrics.channel_of.index(number)
            at_terminal = sum(leg.side == channel.legs[0].side for leg in channel.legs)
            amps = point.load_a[first : first + at_terminal].sum(axis=0)
            square = float((amps**2 * weights[first]).sum())
            end = self._dirt.load_per_w * square * load.ohm
            before = self._load_warmth[channel.name]
            self._load_warmth[channel.name] = end + kept * (before - end)
            joined = self._joined_loads[channel.name].ohm / self._loads(0.0)[channel.name].ohm - 1.0
            moved = max(moved, abs(self._load_warmth[channel.name] - joined))
        if moved > LOAD_RESOLVED:
            self._rejoin()

    def _loads(self, warmth: float = 1.0) -> dict[str, Load]:
        """Loads as the outputs see them: with their leads, and as warm as they are."""
        return {
            name: replace(
                load,
                ohm=(load.ohm * (1.0 + warmth * self._load_warmth[name]))
                + self._dirt.load_lead_ohm,
            )
            for name, load in self._bench.loads.items()
        }

    def watch(self, look: Callable[[float], float]) -> None:
        """Call ``look(now)`` whenever time passes, as a comparator that never sleeps would look.

        It may change what a supply does, and says within how many seconds to be called again.
        """
        self._watchers.append(look)

    def look(self) -> None:
        """Call all who watch now: one of them has something else to look for."""
        self._unit.look_now()

    def _look(self) -> float:
        now = self._unit.now
        patience = math.inf
        for look in self._watchers:
            patience = min(patience, look(now))
        return patience

    # --- hookup ---

    def connect(self, terminal: str, node: str) -> None:
        """Put a lead on a node; it leaves the one it was on. Unknown names: DemoError."""
        self._hookup.connect(terminal, node)
        self._rewired(terminal)

    def disconnect(self, terminal: str) -> None:
        """Take a lead off; nothing happens when it was off."""
        self._hookup.disconnect(terminal)
        self._rewired(terminal)

    def node_of(self, terminal: str) -> str | None:
        """Where a lead is, None when it hangs free."""
        return self._hookup.node_of(terminal)

    def nodes(self) -> list[str]:
        """Every node that the unit has."""
        return self._hookup.nodes

    def terminals(self) -> list[str]:
        """Every terminal that is on a node now."""
        return self._hookup.terminals

    def loads(self) -> Mapping[str, Load]:
        """The dummy loads of this bench by name; instruments and bench files use the stated
        values alone."""
        return self._bench.loads

    def probe_fitted(self, terminal: str, declared: float) -> float:
        """Attenuation of the probe that is really on a scope terminal ("scope.1")."""
        return 1.0 if terminal in self._bench.probe_one_to_one else declared

    def probe_noise(self, terminal: str) -> float:
        """V rms at the tip, of a ×10 probe's divider; nothing of a ×1."""
        return self._dirt.probe_noise_v if self.probe_fitted(terminal, 10.0) > 1.0 else 0.0

    def probe_errors(self, terminal: str) -> tuple[float, float]:
        """Ratio and compensation of a ×10 probe, and the clip that it stands on: fractions by
        which the tip's volts come out too large, of all and of the treble alone."""
        lead = self._dirt.lead(terminal, node := self.node_of(terminal))
        if self.probe_fitted(terminal, 10.0) <= 1.0:
            return 0.0, 0.0
        behind = 0.0
        if self._dirt.clip_ohm and node is not None:
            at = [n for n in self._bench.loads if node in self._load_nodes(n)]
            behind = sum(self._dirt.clip_ohm / self._joined_loads[n].ohm for n in at)
        return lead.ratio - behind, lead.compensation

    def _load_nodes(self, name: str) -> set[str | None]:
        """Where both leads of a load are, () when one is off."""
        nodes = {self.node_of(f"load.{name}.{end}") for end in (1, 2)}
        return set() if None in nodes else nodes - {GROUND}

    def emf(self, terminal: str) -> float:
        """Thermal EMF on the way from a lead's node to its terminal, V."""
        lead = self._dirt.lead(terminal, self.node_of(terminal))
        if not lead.emf_v_per_k:
            return lead.emf_v
        rise = self._unit.temperature_c("sink") - self._unit.ambient_c
        return lead.emf_v + lead.emf_v_per_k * rise

    def pickup(self, terminal: str) -> noise.Sinusoid | None:
        """What a lead picks up of the mains."""
        return self._dirt.lead(terminal, self.node_of(terminal)).pickup

    def lead_ohm(self, terminal: str) -> float:
        """Ω of a lead and its clip."""
        return self._dirt.lead(terminal, self.node_of(terminal)).ohm

    def _rewired(self, terminal: str) -> None:
        kind = terminal.split(".", 1)[0]
        if kind in ("load", "scope"):
            self._rejoin()
            if self._unit.joined.shorted:
                self._note_damage()
        elif kind == "meter" or kind.startswith("supply"):
            self._feeding.refeed()
        elif kind == "generator":
            self._redrive()
        elif terminal == PROBE:
            self._probe.moved()
        elif terminal == COOLER:
            self._cold.put()

    def _rejoin(self) -> None:
        self._joined_loads = self._loads()
        self._unit.load(
            join(self._unit.spec, self._hookup, self._joined_loads, self._unit.closed())
        )

    def _note_damage(self) -> None:
        for node in self._unit.joined.shorted:
            text = f"a scope clip shorts {node} to earth"
            if text not in self._unit.damage:
                self._unit.damage.append(text)

    # --- what instruments do to the unit ---

    def set_supply(self, key: str, output: int, setting: OutputSetting) -> None:
        """What output ``output`` of supply ``key`` would do from now on."""
        self._feeding.set(key, output, setting)

    def supply_state(self, key: str, output: int) -> SupplyState:
        """Terminal values of that output now."""
        return self._feeding.state(key, output)

    def current_through(self, terminal_a: str, terminal_b: str) -> float:
        """A flowing in at ``terminal_a`` and out at ``terminal_b``, a meter in series with a rail.

        0 where the two do not stand between a supply and a rail.
        """
        return self._feeding.current_through(terminal_a, terminal_b)

    def set_drive(self, terminal: str, drive: Drive | None) -> None:
        """What a generator output ("generator.1") would do from now on; None is off."""
        if self._drives.get(terminal) == drive:
            return
        if drive is None:
            self._drives.pop(terminal, None)
        else:
            self._drives[terminal] = drive
        self._redrive()

    def _redrive(self) -> None:
        at: dict[str, list[tuple[str, Drive]]] = {}
        for terminal, drive in sorted(self._drives.items()):
            # A splitter's further ends are terminals of the output: generator.1, generator.1.2.
            ends = {terminal: self.node_of(terminal), **self._hookup.matching(f"{terminal}.")}
            for node in ends.values():
                if node is not None:
                    at.setdefault(node, []).append((terminal, drive))
        self._front.spec = self._unit.spec  # warm, a channel may leak as it does not cold
        self._sockets = self._front.sockets(at)
        self._unit.drive(self._front.inputs(at))

    def set_setting(self, name: str, value: str | float | bool) -> None:
        """A knob, switch or plug of the unit. Unknown names or values: DemoError."""
        before = self._front.knobs
        self._front.turn(name, value)
        if self._front.knobs.input != before.input:
            self._unit.mute(MUTE_S)
        if self._front.knobs.speakers != before.speakers:
            self._unit.speakers = self._front.knobs.speakers
            self._rejoin()
        self._unit.provoked = self._front.knobs.protection_test
        self._feeding.refeed()
        self._redrive()

    @property
    def settings(self) -> Mapping[str, str | float | bool]:
        """Knobs, switches and plugs as they stand."""
        return self._front.settings()

    def _section_node(self, name: str) -> NodeSignal | None:
        """Sockets, headphone contacts and the standby rail; None for all others."""
        kind, _, rest = name.partition(".")
        if name in self._sockets:
            return of_input(self._sockets[name], rest)
        if name == "standby":
            volts = self._feeding.own.standby_volts(self._front.knobs)
            return NodeSignal(volts, self._feeding.own.standby_ripple() if volts else ())
        if kind == "phones":
            # Through its resistor and open: what the power stage gives, relay or not.
            return self._waves.before_relay(self._unit.spec.channel_names.index(rest))
        return None

    def _capacitive(self, channel: str) -> bool:
        """Whether the little capacitor of the bench is across the channel's output."""
        ends = {self.node_of("capacitor.1"), self.node_of("capacitor.2")}
        sides = self._unit.spec.channel(channel).sides
        hot, *cold = (f"out.{leg_label(channel, side)}" for side in sides)
        return ends == {hot, cold[0] if cold else GROUND}

    # --- what instruments see ---

    def voltage(self, hi: str | None, lo: str | None, t: Floats) -> Floats:
        """v(hi) − v(lo) at uniformly spaced bench times ``t`` (s); V, same shape as ``t``.

        Equal arguments give equal answers, noise included. A floating lead sees stray hum.
        """
        self._check(hi, lo)
        return self._waves.voltage(hi, lo, np.asarray(t, dtype=np.float64))

    def dc_voltage(
        self, hi: str | None, lo: str | None, start_s: float, aperture_s: float
    ) -> float:
        """Mean of v(hi) − v(lo) over the aperture, V, with the noise that survives averaging."""
        self._check(hi, lo)
        return self._waves.dc(hi, lo, start_s, aperture_s)

    def _check(self, *names: str | None) -> None:
        for name in names:
            if name is not None and name not in self._hookup.nodes:
                raise DemoError("no such node", found=name)

    def resistance(self, hi: str | None, lo: str | None) -> float:
        """Ω between two nodes, unpowered paths and sensors; inf when open. No lead resistance."""
        self._check(hi, lo)
        return math.inf if hi is None or lo is None else self._ohms.between(hi, lo)

    # --- chance and truth ---

    def rng(self, name: str) -> np.random.Generator:
        """A random stream that depends on the seed and the name alone."""
        return noise.stream(self._seed, name)

    @cached_property
    def truth(self) -> Truth:
        """Every exact value, for tests and studies only."""
        return Truth(
            self._unit, self._waves, self._front, self._loads, self.node_of, self._feeding.ripple
        )
