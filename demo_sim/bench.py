"""A whole simulated bench: one world, its instruments, and the ways to reach them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache, cached_property
from typing import TYPE_CHECKING

import numpy as np

from demo_sim.amplifier.unit_values import unit_values
from demo_sim.bench_file import PROBE, SCOPE_CHANNELS, Wiring, bench_text, fixed_leads, load_leads
from demo_sim.clock import Clock, RealTimeClock
from demo_sim.errors import DemoError
from demo_sim.instruments import specifications as spec
from demo_sim.instruments.control import Control
from demo_sim.instruments.generator import Generator
from demo_sim.instruments.meter import Meter
from demo_sim.instruments.scope import Scope
from demo_sim.instruments.sound import USUAL, Card, SoundInterface
from demo_sim.instruments.supply import PlainSupply, Supply
from demo_sim.instruments.switch import Switch
from demo_sim.lock import WorldLock
from demo_sim.scpi import ScpiDevice
from demo_sim.variants import Outfit, outfit
from demo_sim.world import World

if TYPE_CHECKING:
    from demo_sim.links.visa import DemoVisaLibrary
    from demo_sim.serving import BenchServer
    from demo_sim.truth import Truth

NAME = "Simulated bench"
DEMO_UNIT_SHEET = "demo-2x40"
SOUND = "sound::simulated"
HOST = "demo"  # in-process devices are supply.demo, meter.demo, …


@cache
def _keep_memory() -> None:
    """Have what a record took kept for the next one.

    Arrays of some 100 kB come and go by the thousand, and glibc gives each back to the system,
    which costs more than filling it. A larger block, freed and never written to, tells it that such
    sizes come and go (mallopt(3), M_MMAP_THRESHOLD); other allocators take no notice.
    """
    np.empty(31 << 20, dtype=np.uint8)


class Bench:
    """What ``open_bench`` returns.

    Attributes:
        world: the world; instruments and hands act on it.
        devices: instrument key → virtual instrument, and ``control``.
        lock: held while any device works, because all share the world; in real time whoever has
            to wait gives it up meanwhile.
    """

    def __init__(
        self,
        world: World,
        clock: Clock,
        lock: WorldLock,
        unit: Mapping[str, object] | None,
        seed: int,
        outfit: Outfit,
        unit_sheet: str | None,
        card: Card = USUAL,
    ) -> None:
        self.world = world
        self.lock = lock
        self._clock = clock
        self.wiring = _wiring(unit_values(unit), outfit, card)
        self._unit_sheet = unit_sheet or (DEMO_UNIT_SHEET if unit is None else None)
        self._outfit = outfit
        self._drivers = _drivers(outfit)
        self._wire()

        def serial(letters: str) -> str:
            return f"{letters}{seed % 10_000:04d}"

        supply = Supply if outfit.protection else PlainSupply
        outputs = 1 if outfit.single_supplies else 2
        self.devices: dict[str, ScpiDevice] = {
            "supply": supply(world, serial=serial("SU"), outputs=outputs)
        }
        if outfit.single_supplies and self.wiring.split_rails:
            self.devices["supply_2"] = supply(world, "supply_2", serial("SV"), outputs)
        self.devices |= {
            "meter": Meter(world, serial=serial("ME"), four_wire=outfit.four_wire),
            "scope": Scope(
                world,
                serial=serial("SC"),
                bits=outfit.scope_bits,
                memory=outfit.scope_memory,
            ),
            "generator": Generator(
                world,
                serial=serial("GE"),
                outputs=1 if outfit.splitter else spec.GENERATOR_OUTPUTS,
            ),
            "switch": Switch(world, serial=serial("SW")),
            "control": Control(world, serial=serial("BE")),
        }
        self.sound = SoundInterface(world, card) if outfit.sound else None
        if self.sound is not None:
            self.sound.levelled_against = self.devices["meter"].identity
        for key in list(self.devices):
            of_sound = outfit.sound and key in ("scope", "generator")
            if key.partition("_")[0] in outfit.missing or of_sound:
                del self.devices[key]

    def _wire(self) -> None:
        leads = dict(fixed_leads(self.wiring))
        for channel in self.wiring.channels:
            leads |= load_leads(self.wiring, channel)
        for terminal, node in leads.items():
            if terminal.partition(".")[0].partition("_")[0] not in self._outfit.missing:
                self.world.connect(terminal, node)

    @property
    def truth(self) -> Truth:
        """Exact values, for tests and studies only."""
        return self.world.truth

    @cached_property
    def visa_library(self) -> DemoVisaLibrary:
        """For ``pyvisa.ResourceManager``; the in-process way to the instruments.

        A read whose time-out is shorter than what the instrument is busy for, in bench time, times
        out as it would on a bench. What the clock is told to wait by hand counts for nobody.
        """
        from demo_sim.links.visa import DemoVisaLibrary

        control = self.devices["control"]
        assert isinstance(control, Control)
        hosts = {f"{key}.{HOST}": device for key, device in self.devices.items()}
        mutex, clock = self.lock.mutex, self._clock
        if not clock.virtual:
            return DemoVisaLibrary(hosts, mutex)
        return DemoVisaLibrary(
            hosts,
            mutex,
            now=lambda: clock.elapsed - control.spent_s,
            wait=self.world.advance,
        )

    @property
    def resources(self) -> dict[str, str]:
        """In-process VISA resource names by instrument key, and ``control``."""
        return {key: f"TCPIP0::{key}.{HOST}::INSTR" for key in self.devices}

    def bench_toml(self, resources: Mapping[str, str] | None = None) -> str:
        """Text of a bench file for this bench; in-process resources unless others are given."""
        chosen = dict(resources or self.resources)
        if self.sound is not None:
            there = ("scope", "generator")
            chosen |= {key: SOUND for key in there if key not in self._outfit.missing}
        if not self._outfit.switch:
            chosen.pop("switch", None)
        serials = {key: device.serial for key, device in self.devices.items()}
        loads = {
            name: (load.stated_ohm, load.tolerance, load.power_w)
            for name, load in self.world.loads().items()
        }
        return bench_text(
            NAME,
            self.wiring,
            chosen,
            serials,
            loads,
            self._unit_sheet,
            self._drivers,
            self._outfit.by_hand,
            self._outfit.clean,
            self.sound.label() if self.sound is not None else {},
        )

    def serve(
        self, host: str = "127.0.0.1", ports: Mapping[str, int] | int | None = None
    ) -> BenchServer:
        """Serve every instrument on a TCP port of its own.

        Args:
            ports: by instrument key, or the first of consecutive ones; None takes free ones.

        Raises:
            OSError: a port is taken.
        """
        from demo_sim.serving import BenchServer

        return BenchServer(self.devices, self.lock, self.bench_toml, host, ports)


def open_bench(
    unit: Mapping[str, object] | None = None,
    faults: Sequence[str] = (),
    seed: int = 1,
    real_time: bool = False,
    *,
    scope_bits: int | None = None,
    with_switch: bool = False,
    variants: Sequence[str] = (),
    unit_sheet: str | None = None,
    card: Card = USUAL,
) -> Bench:
    """A bench with a unit on it, wired, everything switched off.

    Args:
        unit: a unit sheet's plain values in SI units; None is the built-in Demo 2x40.
        faults: as ``"dc_offset@left=0.6"``; see ``fault_catalogue``.
        seed: of everything that differs from bench to bench: parts, hidden errors, noise.
        real_time: follow the wall clock; else time passes as the work needs it.
        scope_bits: 8 or 12; None: what the variants say. with_switch: name the relay matrix in
            the bench file. variants: names of what is different on this bench (``VARIANTS``).
        card: what kind of sound interface it is, on a bench with one.
        unit_sheet: what the bench file calls the sheet that ``unit`` comes from.

    Raises:
        DemoError: an unknown fault, channel, variant or scope, with what is known.
    """
    chosen = outfit(variants)
    chosen = replace(
        chosen,
        scope_bits=chosen.scope_bits if scope_bits is None else scope_bits,
        switch=chosen.switch or with_switch,
    )
    if chosen.scope_bits not in (8, 12):
        raise DemoError("no such scope", found=f"{scope_bits} bits", expected="8 or 12")
    _keep_memory()
    lock = WorldLock()
    clock = RealTimeClock(lock.sleep) if real_time else Clock()
    world = World(unit, tuple(faults), seed, clock, dirty=chosen.dirty, wide_parts=chosen.wide)
    return Bench(world, clock, lock, unit, seed, chosen, unit_sheet, card)


def _drivers(outfit: Outfit) -> dict[str, str]:
    """Drivers of those instruments that do not go by the name ``generic-<key>``."""
    drivers = {}
    if outfit.scope_memory != Outfit().scope_memory:
        drivers["scope"] = "generic-scope-small"
    elif outfit.scope_bits != Outfit().scope_bits:
        drivers["scope"] = "generic-scope-8bit"
    if not outfit.protection or outfit.single_supplies:
        plain = "-plain" if not outfit.protection else ""
        single = "-single" if outfit.single_supplies else ""
        drivers |= dict.fromkeys(("supply", "supply_2"), f"generic-supply{single}{plain}")
    if outfit.sound:
        drivers |= {"scope": "sound-input", "generator": "sound-output"}
    if not outfit.four_wire:
        drivers["meter"] = "generic-meter-two-wire"
    if outfit.splitter:
        drivers["generator"] = "generic-generator-single"
    return drivers


def _wiring(unit: Mapping[str, object], outfit: Outfit, card: Card) -> Wiring:
    channels = unit["channels"]
    assert isinstance(channels, list | tuple)
    return Wiring(
        channels=tuple(str(channel) for channel in channels),
        bridged=unit["topology"] != "single_ended",
        split_rails=unit["rails"] == "split",
        single_supplies=outfit.single_supplies,
        scope_channels=card.inputs if outfit.sound else SCOPE_CHANNELS,
        splitter=outfit.splitter,
        probe=card.divider if outfit.sound else PROBE,
        cases=bool(unit["cases"]),
    )
