"""What each trip reads on the bench, and when it reads nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import pytest
from pytest_mock import MockerFixture
from uncertainties import ufloat

from seqrun.errors import Tripped
from seqrun.files.sequence.file import Trip
from seqrun.instruments.roles import Supply
from seqrun.instruments.supply import DrivenSupply
from seqrun.plan.view import BenchView
from seqrun.quantity import Quantity
from seqrun.runner.opening import OpenBench, open_bench, read_bench
from seqrun.runner.trips import DEAD_A, arm


@dataclass
class Watch:
    """A run as the trips see it."""

    bench: OpenBench
    live: bool = True
    seen: dict[str, float] = field(default_factory=dict)

    @property
    def supply(self) -> Supply:
        found = self.bench.instruments["supply"]
        assert isinstance(found, Supply)
        return found

    @property
    def view(self) -> BenchView:
        return self.bench.view

    def names(self) -> Mapping[str, Quantity]:
        return self.view.unit.names()

    def observed(self, quantity: str) -> float | None:
        return self.seen.get(quantity)


@pytest.fixture
def watch() -> Iterator[Watch]:
    opened = open_bench(read_bench("demo", None), lambda *_: None)
    yield Watch(opened)
    opened.close()


def look(watch: Watch, quantity: str, **threshold: str) -> None:
    for armed in arm([Trip.model_validate({"quantity": quantity, "why": "w", **threshold})], watch):
        armed.look()


@pytest.mark.parametrize("output", [1, 2])
def test_the_current_of_each_rail_trips_while_the_unit_is_live(
    watch: Watch, mocker: MockerFixture, output: int
) -> None:
    mocker.patch.object(DrivenSupply, "current_raw", lambda self, n: 3.0 if n == output else 0.1)
    with pytest.raises(Tripped, match="supply_current is 3 A"):
        look(watch, "supply_current", above="2.5 A")
    look(watch, "supply_current", above="3.5 A")
    watch.live = False
    look(watch, "supply_current", above="2.5 A")


@pytest.mark.parametrize("output", [1, 2])
def test_the_voltage_of_each_rail_trips_while_the_unit_is_live(
    watch: Watch, mocker: MockerFixture, output: int
) -> None:
    mocker.patch.object(
        DrivenSupply, "voltage", lambda self, n: ufloat(36.0 if n == output else 30.0, 0.1)
    )
    with pytest.raises(Tripped, match="supply_voltage is 36 V"):
        look(watch, "supply_voltage", above="1.1 * rail_voltage")
    look(watch, "supply_voltage", above="1.3 * rail_voltage")
    watch.live = False
    look(watch, "supply_voltage", above="1.1 * rail_voltage")


@pytest.mark.parametrize(
    ("quantity", "above"), [("sink_temperature", "70 °C"), ("out_dc", "300 mV")]
)
def test_what_a_step_reads_anyway_is_looked_at(watch: Watch, quantity: str, above: str) -> None:
    look(watch, quantity, above=above)  # nobody has read it
    watch.seen[quantity] = 0.1
    look(watch, quantity, above=above)
    watch.seen[quantity] = 99.0
    with pytest.raises(Tripped, match=f"{quantity} is 99"):
        look(watch, quantity, above=above)
    watch.seen = {"another": 99.0}
    look(watch, quantity, above=above)


@pytest.mark.parametrize(
    ("tells", "tripped", "enabled", "acts"),
    [
        ({"protection_tripped", "enabled"}, True, True, True),
        ({"protection_tripped", "enabled"}, False, False, True),
        ({"protection_tripped", "enabled"}, False, True, False),
        ({"protection_tripped"}, True, False, True),
        ({"protection_tripped"}, False, False, False),
        ({"enabled"}, True, False, True),
        ({"enabled"}, True, True, False),
        (set(), True, False, False),
    ],
)
def test_a_rail_that_draws_nothing_has_tripped_only_when_the_supply_says_that_it_is_off(
    watch: Watch, mocker: MockerFixture, tells: set[str], tripped: bool, enabled: bool, acts: bool
) -> None:
    mocker.patch.object(DrivenSupply, "current_raw", return_value=0.5 * DEAD_A)
    mocker.patch.object(DrivenSupply, "has", lambda self, what: what in tells)
    mocker.patch.object(DrivenSupply, "protection_tripped", lambda self, n: tripped)
    mocker.patch.object(DrivenSupply, "enabled", lambda self, n=None: enabled)
    if acts:
        with pytest.raises(Tripped, match=r"has switched rail\.\w+ off by itself"):
            look(watch, "supply_current", above="2.5 A")
    else:
        look(watch, "supply_current", above="2.5 A")
    mocker.patch.object(DrivenSupply, "current_raw", return_value=0.01)
    look(watch, "supply_current", above="2.5 A")  # a rail that draws current is on
