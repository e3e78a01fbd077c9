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
from seqrun.instruments.by_hand import SupplyByHand
from seqrun.instruments.combined import CombinedGenerator, CombinedSupply, together
from seqrun.instruments.desk import Desk
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


def test_one_supply_that_a_hand_sets_makes_the_pair_one_that_a_hand_sets(
    bench: Any, other_bench: Any
) -> None:
    hand = SupplyByHand("hand", load_driver(find("driver", "generic-supply")), Desk())
    assert CombinedSupply([bench.supply, hand]).by_hand
    assert CombinedSupply([hand, hand]).by_hand
    assert not CombinedSupply([bench.supply, other_bench.supply]).by_hand


def test_each_output_is_set_and_read_where_it_is(
    two: dict[str, Any], bench: Any, other_bench: Any
) -> None:
    parts = [two["supply_a"], two["supply_b"]]
    supply: Any = CombinedSupply(parts)
    for n in range(1, 5):
        supply.set_voltage(n, 2.0 + n)
        supply.set_current_limit(n, 0.1 * n)
        supply.set_over_voltage_protection(n, 10.0 + n)
        supply.set_over_current_protection(n, 1.0 + 0.1 * n)
    supply.enable(True)
    for one in (bench, other_bench):  # reservoirs take their time
        one.demo.world.advance(20.0)
    for n in range(1, 5):
        part, own = parts[(n - 1) // 2], (n - 1) % 2 + 1
        assert supply.over_voltage_protection(n) == part.over_voltage_protection(own) == 10.0 + n
        level = pytest.approx(1.0 + 0.1 * n)
        assert supply.over_current_protection(n) == part.over_current_protection(own) == level
        assert supply.protection(n) == part.protection(own)
        assert supply.voltage(n).nominal_value == pytest.approx(2.0 + n, abs=0.05)
        drawn = part.current(own).nominal_value
        assert supply.current(n).nominal_value == pytest.approx(drawn, abs=0.01)
        assert supply.current_raw(n) == pytest.approx(drawn, abs=0.01)
        assert supply.enabled(n) is True
        assert supply.protection_tripped(n) is False
        assert supply.constant_current(n) is False
    assert supply.has("over_current_protection") is parts[0].has("over_current_protection")
    assert two["supply_a"].identity in supply.identity and two["supply_b"].identity in (
        supply.identity
    )


def test_each_output_of_generators_plays_what_it_is_told(two: dict[str, Any]) -> None:
    parts = [two["generator_a"], two["generator_b"]]
    generator: Any = CombinedGenerator(parts)
    for n in range(1, 5):
        generator.sine(n, 1000.0, 0.1 * n)
        generator.enable(n, n > 2)
    for n in range(1, 5):
        part, own = parts[(n - 1) // 2], (n - 1) % 2 + 1
        assert float(generator.amplitude(n).nominal_value) == pytest.approx(0.1 * n)
        assert float(part.amplitude(own).nominal_value) == pytest.approx(0.1 * n)
        assert generator.enabled(n) is part.enabled(own) is (n > 2)
    assert generator.enabled() is True
    generator.make_safe()
    assert generator.enabled() is False


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


def test_one_that_does_not_go_off_is_told_and_the_others_go_off(
    two: dict[str, Any], mocker: Any
) -> None:
    supply = CombinedSupply([two["supply_a"], two["supply_b"]])
    supply.enable(True)
    gone = (InstrumentSilent("first"), InstrumentRefused("second"))
    mocker.patch.object(two["supply_a"], "enable", side_effect=gone[0])
    with pytest.raises(InstrumentSilent, match="first"):
        supply.enable(False)
    assert not two["supply_b"].enabled()
    mocker.patch.object(two["supply_b"], "enable", side_effect=gone[1])
    with pytest.raises(InstrumentSilent, match="first"):  # the first that failed
        supply.enable(False)


def test_every_wave_and_state_goes_to_the_generator_that_has_the_output(mocker: Any) -> None:
    """Outputs 1 and 2 are the first one's, output 3 is the second's only one."""
    first, second = mocker.Mock(outputs=2), mocker.Mock(outputs=1)
    first.name, second.name = "a", "b"
    both: Any = CombinedGenerator([first, second])
    told = {
        "sine": (1000.0, 1.0), "two_tone": (60.0, 0.4, 7000.0, 0.1), "square": (100.0, 0.5),
        "burst": (1000.0, 1.0, 20, 0.5), "enable": (True,), "enabled": (), "amplitude": (),
    }  # fmt: skip
    for name, values in told.items():
        for output, part, own in ((2, first, 2), (3, second, 1)):
            found = getattr(both, name)(output, *values)
            getattr(part, name).assert_called_with(own, *values)
            if name in ("enabled", "amplitude"):
                assert found is getattr(part, name).return_value
    assert (both.name, both.outputs) == ("a; b", 3)
    first.enabled.return_value, second.enabled.return_value = False, True
    assert both.enabled()
    second.enabled.return_value = False
    assert not both.enabled()
