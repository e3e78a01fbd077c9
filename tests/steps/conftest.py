"""A unit on the simulated bench, powered, that a few steps can be done to."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.load import sequence_from_text
from seqrun.files.shipped import find
from seqrun.instruments.link import Link
from seqrun.plan.actions import Action, Plan
from seqrun.plan.build import build
from seqrun.plan.needs import Needs
from seqrun.record import RunInfo, Store
from seqrun.runner.engine import Engine
from seqrun.runner.events import Watcher
from seqrun.runner.opening import VirtualHands, open_bench, read_bench
from seqrun.steps.base import kinds
from seqrun.values import Judged, Reading

HEAD = 'title = "A few steps"\nrevision = "A"\ndecision = "simple"\n'
BRING_UP = """
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "1.4 * supply_at_rated_power"
[[step]]
id = "loads"
do = "load_resistance"
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
stages = 5
healthy_current = "5 * supply_idle"
running_limit = "1.3 * supply_at_rated_power"
[[step]]
id = "relays"
do = "await_output"
"""
BRING_UP_STEPS = 4
RELAYS_S, LOOK_S = 20.0, 0.2


class Readings:
    """What steps yielded."""

    def __init__(self, judged: list[Judged]) -> None:
        self.judged = judged

    def all(self, quantity: str) -> list[Reading]:
        return [j.reading for j in self.judged if j.reading.quantity == quantity]

    def one(self, quantity: str, channel: str | None = None) -> Reading:
        """The only reading of a quantity (of a channel); its reason when it was not measured."""
        found = [r for r in self.all(quantity) if channel is None or r.channel == channel]
        assert len(found) == 1, [(r.quantity, r.channel, r.note) for r in map(_read, self.judged)]
        assert found[0].value is not None, found[0].note
        return found[0]

    def reason(self) -> str:
        """Why nothing was measured."""
        missing = {j.reading.note for j in self.judged if j.reading.value is None}
        assert len(missing) == 1, missing
        return missing.pop()


def _read(judged: Judged) -> Reading:
    return judged.reading


class PoweredUnit:
    """A unit with its rails up and its relays closed, on an opened bench."""

    def __init__(
        self, folder: Path, faults: tuple[str, ...], unit: str | None, seed: int, bench: str
    ) -> None:
        self._files = read_bench(bench, unit, faults=faults, seed=seed)
        self._opened = open_bench(self._files, lambda *_: None)
        self._record = Store(folder).start(
            RunInfo("T-1", "demo", "steps", "A", "demo", "", True, "0")
        )
        self._do("", slice(BRING_UP_STEPS - 1))
        self._let_relays_close()

    @property
    def truth(self) -> Any:
        return self._files.demo.truth

    @property
    def world(self) -> Any:
        return self._files.demo.world

    @property
    def sound(self) -> Any:
        """The simulated sound interface, on a bench that has one."""
        return self._files.demo.sound

    @property
    def view(self) -> Any:
        return self._files.view

    def _let_relays_close(self) -> None:
        """As ``relays`` would wait for it, without its listening."""
        until, channels = self.world.now + RELAYS_S, self.view.unit.channels
        while self.world.now < until and not all(map(self.truth.relay_closed, channels)):
            self.world.advance(LOOK_S)

    def do(self, steps: str) -> Readings:
        """Do ``[[step]]`` entries to it."""
        return self._do(steps, slice(BRING_UP_STEPS, None))

    def forecasts(self, steps: str) -> list[Any]:
        """What the plan forecasts for them."""
        return [forecast for action in self._planned(steps) for _, forecast in action.forecasts]

    def needs(self, steps: str) -> list[Needs]:
        """What each of them asks of a bench."""
        return [action.needs for action in self._planned(steps)]

    def _planned(self, steps: str) -> Sequence[Action]:
        return self._plan(steps).actions[BRING_UP_STEPS:]

    def _plan(self, steps: str) -> Plan:
        sequence = sequence_from_text(HEAD + BRING_UP + steps, kinds(), unit=self.view.unit)
        return build(sequence, self.view, expand_all(sequence, self.view.unit))

    def _do(self, steps: str, part: slice) -> Readings:
        plan = self._plan(steps)
        rest = dataclasses.replace(plan, actions=plan.actions[part])
        control = self._opened.control
        assert isinstance(control, Link)
        engine = Engine(
            rest, self._opened, VirtualHands(control), self._record, Watcher(), lambda: None
        )
        engine.live = engine.seen_up = bool(part.start)
        engine.powered_at = engine.clock.now()
        engine.do_all()
        return Readings(engine.judged)

    def close(self) -> None:
        self._opened.close()


@pytest.fixture(scope="session")
def powered(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., PoweredUnit]]:
    """``powered("hum@left=0.5", seed=3)``: that unit, made once and shared."""
    made: dict[tuple[object, ...], PoweredUnit] = {}

    def get(
        *faults: str, unit: str | None = None, seed: int = 1, bench: str = "demo"
    ) -> PoweredUnit:
        key = (faults, unit, seed, bench)
        if key not in made:
            folder = tmp_path_factory.mktemp("results")
            made[key] = PoweredUnit(folder, faults, unit, seed, bench)
        return made[key]

    yield get
    for unit in made.values():
        unit.close()


@pytest.fixture(scope="session")
def out_of_reach(tmp_path_factory: pytest.TempPathFactory) -> str:
    """One channel, two devices in each half, whose ballasts no lead gets to."""
    text = Path(find("unit", "demo-2x40", None)).read_text(encoding="utf-8")
    for old, new in (
        ('channels = ["left", "right"]', 'channels = ["left"]'),
        ('ballast = "0.22 Ω"', 'ballast = "not accessible"\ncases = "accessible"'),
        ('idle_current = "25 mA"', 'supply_idle = "55 mA"\nidle_current = "unknown"'),
    ):
        assert old in text
        text = text.replace(old, new)
    path = tmp_path_factory.mktemp("unit") / "unit.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)
