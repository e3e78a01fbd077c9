"""Several instruments that play one role: outputs count through them, off means all of them."""

from __future__ import annotations

import re
from typing import Any

import pytest

from seqrun.errors import InstrumentRefused, InstrumentSilent
from seqrun.files.bench.load import bench_from_text
from seqrun.files.driver.file import Driver
from seqrun.files.driver.load import driver_from_text, load_driver
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import load_unit
from seqrun.instruments.combined import CombinedSupply, together
from seqrun.instruments.opening import open_instrument
from seqrun.instruments.roles import Generator, Supply
from seqrun.plan.view import BenchView


@pytest.fixture
def two(bench: Any, other_bench: Any) -> dict[str, Any]:
    """The supplies and generators of two benches, as one bench file would name them."""
    return {
        "supply_a": bench.supply,
        "supply_b": other_bench.supply,
        "generator_a": bench.generator,
        "generator_b": other_bench.generator,
        "meter": bench.meter,
    }


def test_several_supplies_are_one_and_their_outputs_count_through(two: dict[str, Any]) -> None:
    for name in ("supply_a", "supply_b"):
        two[name].name = name
    found = together(two)
    assert sorted(found) == ["generator_a", "meter", "supply_a"]
    supply: Any = found["supply_a"]
    assert isinstance(supply, Supply)
    assert isinstance(found["generator_a"], Generator)
    assert (supply.name, supply.outputs) == ("supply_a; supply_b", 4)
    supply.set_voltage(3, 7.0)
    assert float(two["supply_b"]._link.query("INST:NSEL 1;:VOLT?")) == 7.0
    with pytest.raises(InstrumentRefused, match="no output 5"):
        supply.set_voltage(5, 1.0)


def test_on_is_all_on_and_off_is_all_off(two: dict[str, Any]) -> None:
    supply = CombinedSupply([two["supply_a"], two["supply_b"]])
    supply.enable(True)
    assert two["supply_a"].enabled() and two["supply_b"].enabled()
    two["supply_a"].enable(False)
    assert supply.enabled(), "one of them is on still"
    supply.make_safe()
    assert not supply.enabled()


def test_one_that_fails_does_not_keep_the_others_on(two: dict[str, Any], mocker: Any) -> None:
    supply = CombinedSupply([two["supply_a"], two["supply_b"]])
    supply.enable(True)
    gone = InstrumentSilent("gone")
    mocker.patch.object(two["supply_a"], "make_safe", side_effect=gone)
    with pytest.raises(InstrumentSilent):
        supply.make_safe()
    assert not two["supply_b"].enabled()


def test_when_the_second_does_not_go_on_the_first_goes_off(
    two: dict[str, Any], mocker: Any
) -> None:
    supply = CombinedSupply([two["supply_a"], two["supply_b"]])
    refused = InstrumentRefused("no")
    mocker.patch.object(two["supply_b"], "enable", side_effect=refused)
    with pytest.raises(InstrumentRefused):
        supply.enable(True)
    assert not two["supply_a"].enabled()


HALVES = """
name = "Two supplies"
[instrument.supply_pos]
resource = "TCPIP0::192.0.2.10::5025::SOCKET"
driver = "a"
[instrument.supply_neg]
resource = "TCPIP0::192.0.2.11::5025::SOCKET"
driver = "b"
[[lead]]
from = "supply_pos.1.pos"
to = "rail.pos"
[[lead]]
from = "supply_neg.1.neg"
to = "rail.neg"
"""


def half() -> Driver:
    text = find("driver", "generic-supply").read_text(encoding="utf-8")
    return driver_from_text(re.sub(r"outputs = \d", "outputs = 1", text))


def test_each_lead_says_which_supply_feeds_which_rail() -> None:
    drivers = {"supply_pos": half(), "supply_neg": half()}
    view = BenchView(bench_from_text(HALVES), load_unit("demo-2x40"), drivers)
    assert view.outlets("supply") == ("supply_pos.1", "supply_neg.1")
    assert view.rails == {"rail.pos": 1, "rail.neg": 2}
    assert view.keys("supply") == ("supply_pos", "supply_neg")


def test_two_roles_of_one_instrument_share_its_link(bench: Any) -> None:
    first = bench.generator
    entry = bench_from_text(bench.demo.bench_toml()).instrument["generator"]
    driver = load_driver(find("driver", entry.driver))
    second = open_instrument("other", entry, driver, bench.manager, bench.note, first.link)
    assert second.link is first.link
    second.close()
    assert first.identity  # the link is given back by the last one
    first.enable(1, True)
    assert "OUTP" in bench.sent("generator")[-1]
