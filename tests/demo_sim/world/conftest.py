"""A wired, powered bench without instruments: leads, supply settings and drives by hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import pytest

from demo_sim.ports import Drive, OutputSetting, Tone
from demo_sim.world import World

Bench = Callable[..., World]


def wired(
    unit: Mapping[str, object] | None = None, faults: Sequence[str] = (), seed: int = 1
) -> World:
    """Supply on the rails, generators on the inputs, loads on the outputs; nothing is on."""
    world = World(unit, faults, seed)
    nodes = set(world.nodes())
    world.connect("supply.1.pos", "rail.pos")
    world.connect("supply.1.neg", "ground")
    if "rail.neg" in nodes:
        world.connect("supply.2.pos", "ground")
        world.connect("supply.2.neg", "rail.neg")
    for number, channel in enumerate(world.loads(), 1):
        world.connect(f"generator.{number}", f"in.{channel}")
        single = f"out.{channel}" in nodes
        world.connect(f"load.{channel}.1", f"out.{channel}" if single else f"out.{channel}.pos")
        world.connect(f"load.{channel}.2", "ground" if single else f"out.{channel}.neg")
    return world


def powered(
    unit: Mapping[str, object] | None = None,
    faults: Sequence[str] = (),
    seed: int = 1,
    volts: float = 30.0,
    limit_a: float = 3.5,
    seconds: float = 10.0,
) -> World:
    """The same with the rails up for a while."""
    world = wired(unit, faults, seed)
    supply(world, volts, limit_a)
    world.advance(seconds)
    return world


def supply(world: World, volts: float, limit_a: float = 3.5, on: bool = True) -> None:
    for output in (1, 2):
        world.set_supply("supply", output, OutputSetting(volts, limit_a, on, 5e-4, 0.004))


def drive(world: World, volts_rms: float, frequency_hz: float = 1000.0, outputs: int = 2) -> None:
    """A sine on the generator's outputs; 0 is off."""
    for output in range(1, outputs + 1):
        tone = Tone(frequency_hz, volts_rms * 2.0**0.5)
        world.set_drive(
            f"generator.{output}", Drive((tone,), noise_v_rms=8e-6) if volts_rms else None
        )


@pytest.fixture
def bench() -> Bench:
    """``bench(faults=[...])`` → a powered world."""
    return powered


@pytest.fixture
def cold_bench() -> Bench:
    """A wired world with everything off."""
    return wired


@pytest.fixture
def set_supply() -> Callable[..., None]:
    return supply


@pytest.fixture
def set_sine() -> Callable[..., None]:
    return drive
