"""Drivers of real supplies against their dialects: set, read back, protect, trip, make safe."""

from __future__ import annotations

import math
from typing import Any

import pytest
from dialect_bench import eventually, of_role, shipped
from dialects.aim_tti_mx180tp import AimTtiMx180tp
from dialects.keysight_e3632a import KeysightE3632a
from dialects.rigol_dp800 import RigolDp800

from seqrun.errors import NotMeasured

SUPPLIES = of_role("supply")


def _outputs(dialect: Any) -> list[Any]:
    return dialect.output if isinstance(dialect.output, list) else [dialect.output]


@pytest.mark.parametrize("name", SUPPLIES)
def test_what_is_set_stands_at_the_terminals_and_is_read_back(opener: Any, name: str) -> None:
    supply, dialect = opener(name)
    last = min(2, supply.outputs)
    supply.set_voltage(last, 12.3)  # of a decimal place that all of them have
    supply.set_current_limit(last, 1.2)
    output = _outputs(dialect)[last - 1]
    assert eventually(lambda: (output.volts, output.amperes) == (12.3, 1.2))
    assert supply.voltage(last).nominal_value == 0.0
    supply.enable(True)
    assert eventually(lambda: output.on)
    assert supply.voltage(last).nominal_value == pytest.approx(12.3, abs=0.005)
    step = 0.005 if name == "manson-hcs3202" else 0.0006  # its display has 10 mA
    assert supply.current(last).nominal_value == pytest.approx(12.3 / 30.0, abs=step)


@pytest.mark.parametrize("name", [n for n in SUPPLIES if n != "manson-hcs3202"])
def test_on_and_off_are_told_as_they_are(opener: Any, name: str) -> None:
    supply, dialect = opener(name)
    supply.set_voltage(1, 5.0)
    supply.set_current_limit(1, 1.0)
    assert not supply.enabled()
    supply.enable(True)
    assert supply.enabled()
    supply.enable(False)
    assert not supply.enabled()
    assert eventually(lambda: not any(output.on for output in _outputs(dialect)))


TELLS_LIMITING = [
    n for n in SUPPLIES if (has := shipped(n).supply) and "constant_current" not in has.absent
]


@pytest.mark.parametrize("name", TELLS_LIMITING)
def test_its_current_limit_is_told_when_it_holds_the_output(opener: Any, name: str) -> None:
    supply, dialect = opener(name)
    outputs = range(1, min(2, supply.outputs) + 1)
    for output in outputs:
        supply.set_voltage(output, 9.0)
        supply.set_current_limit(output, 1.0)
    supply.enable(True)
    assert [supply.constant_current(n) for n in outputs] == [False for _ in outputs]
    _outputs(dialect)[outputs[-1] - 1].ohms = 3.0  # would draw 3 A
    assert [supply.constant_current(n) for n in outputs] == [n == outputs[-1] for n in outputs]
    assert supply.voltage(outputs[-1]).nominal_value == pytest.approx(3.0, abs=0.01)


@pytest.mark.parametrize("name", SUPPLIES)
def test_its_protections_are_read_back_or_said_to_be_absent(opener: Any, name: str) -> None:
    supply, dialect = opener(name)
    settings = shipped(name).supply
    assert settings is not None
    if "over_voltage_protection" not in settings.absent:
        supply.set_over_voltage_protection(1, 12.5)
        assert supply.over_voltage_protection(1) == pytest.approx(12.5)
        assert _outputs(dialect)[0].over_volts_on
    if "over_current_protection" in settings.absent:
        return
    if settings.over_current == "at the limit":
        assert not dialect.ocp
        supply.set_over_current_protection(1, math.nan)
        assert eventually(lambda: dialect.ocp)
    else:
        supply.set_over_current_protection(1, 0.75)
        assert supply.over_current_protection(1) == pytest.approx(0.75)
        assert _outputs(dialect)[0].over_amperes_on


def test_a_trip_of_either_protection_is_told_of_its_own_output(opener: Any) -> None:
    supply, dialect = opener("rigol-dp800", RigolDp800(ohms=10.0))
    for n in (1, 2):
        supply.set_current_limit(n, 3.0)
        supply.set_over_voltage_protection(n, 20.0)
        supply.set_over_current_protection(n, 1.0)
        supply.set_voltage(n, 5.0)
    supply.enable(True)
    assert [supply.protection_tripped(n) for n in (1, 2)] == [False, False]
    supply.set_voltage(2, 15.0)  # 1.5 A
    assert dialect.output[1].tripped == "OCP"
    assert [supply.protection_tripped(n) for n in (1, 2)] == [False, True]
    dialect.output[0].ohms = 1e6
    supply.set_voltage(1, 25.0)
    assert dialect.output[0].tripped == "OVP"
    assert [supply.protection_tripped(n) for n in (1, 2)] == [True, True]
    assert not dialect.output[0].on


@pytest.mark.parametrize("name", SUPPLIES)
def test_safe_means_every_output_off(opener: Any, name: str) -> None:
    supply, dialect = opener(name)
    for output in _outputs(dialect):
        output.on = True  # by hand, behind the driver's back
    supply.make_safe()
    assert eventually(lambda: not any(output.on for output in _outputs(dialect)))


def test_a_supply_that_does_not_tell_whether_it_is_on_says_so(opener: Any) -> None:
    supply, dialect = opener("manson-hcs3202")
    supply.enable(True)
    assert dialect.output.on
    assert not supply.has("enabled")
    with pytest.raises(NotMeasured, match="no enabled"):
        supply.enabled()
    assert dialect.received[-1] == "SOUT0"
    assert supply.identity == 'bench 1, serial 0042 (by its label; it answers "362120")'


def test_opening_never_clears_a_trip_which_would_bring_the_output_back(opener: Any) -> None:
    dialect = KeysightE3632a()
    dialect.output.tripped = "OVP"
    supply, _ = opener("keysight-e3632a", dialect)
    assert supply.protection_tripped(1)
    supply.make_safe()
    assert dialect.output.tripped and not dialect.output.on


def test_the_serial_supply_gets_each_message_by_itself(opener: Any) -> None:
    supply, dialect = opener("korad-ka3005p")
    supply.set_voltage(1, 3.0)
    supply.set_current_limit(1, 0.5)
    supply.voltage(1)
    assert dialect.received[-3:] == ["VSET1:03.00", "ISET1:0.500", "VOUT1?"]
    assert (dialect.output.volts, dialect.output.amperes) == (3.0, 0.5)


def test_an_output_that_the_common_switch_leaves_out_is_made_safe_too(opener: Any) -> None:
    supply, dialect = opener("aim-tti-mx180tp", AimTtiMx180tp(left_out_of_all=2))
    supply.set_voltage(2, 5.0)
    supply.set_current_limit(2, 1.0)
    supply.enable(True)
    assert eventually(lambda: dialect.output[1].on)
    supply.make_safe()
    assert eventually(lambda: not any(output.on for output in dialect.output))


def test_a_supply_without_terminators_is_given_time_between_messages() -> None:
    assert shipped("korad-ka3005p").link.pacing >= 0.02
