"""Programming, regulation, slew and protection of the virtual supply's outputs."""

import pytest

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.supply_outputs import SupplyOutputs


@pytest.fixture
def supply(circuit):
    return SupplyOutputs(circuit)


def test_output_off_gives_nothing(circuit, supply):
    supply.set_volts(1, 30.0)
    assert not circuit.supply[1].on
    assert abs(supply.read_volts(1)) < 0.02


def test_rail_is_within_programming_and_reading_within_readback_specification(circuit, supply):
    supply.set_amperes(1, 2.0)
    supply.set_volts(1, 30.0)
    supply.switch(True)
    true = circuit.supply[1].volts
    program = spec.accuracy("supply", "program_voltage")
    readback = spec.accuracy("supply", "readback_voltage")
    assert abs(true - 30.0) <= program.of_reading * 30.0 + program.offset
    allowed = readback.of_reading * true + readback.offset + 3e-3
    assert abs(supply.read_volts(1) - true) <= allowed


def test_rails_rise_together_over_some_milliseconds(circuit, supply):
    for n in (1, 2):
        supply.set_volts(n, 30.0)
    started = circuit.now
    circuit.supply_history.clear()
    supply.switch(True)
    assert circuit.now - started == pytest.approx(30.0 / spec.SUPPLY_SLEW_V_PER_S, abs=0.01)
    for n in (1, 2):
        steps = [v for _, output, v in circuit.supply_history if output == n]
        assert len(steps) > 5
        assert steps == sorted(steps)


def test_current_limit_holds_the_current(circuit, supply):
    circuit.loads[1] = 10.0
    supply.set_amperes(1, 0.5)
    supply.set_volts(1, 20.0)
    supply.switch(True)
    assert supply.constant_current(1)
    assert supply.read_amperes(1) == pytest.approx(0.5, abs=0.03)
    assert supply.read_volts(1) == pytest.approx(5.0, abs=0.2)


def test_over_voltage_takes_every_output_down_and_latches(circuit, supply):
    supply[1].over_volts = 12.0
    supply.switch(True)
    supply.set_volts(2, 10.0)
    supply.set_volts(1, 13.0)
    assert supply[1].over_volts_tripped
    assert not circuit.supply[1].on
    assert not circuit.supply[2].on
    supply.set_volts(1, 5.0)
    supply.switch(True)
    assert not supply.on
    supply.clear_protection()
    assert not supply.on
    supply.switch(True)
    assert supply.on


def test_over_current_trips_after_its_delay_when_the_load_grows(circuit, supply):
    supply[1].over_amperes = 1.0
    supply.set_amperes(1, 3.0)
    supply.set_volts(1, 20.0)
    supply.switch(True)
    assert supply.on
    circuit.loads[1] = 10.0
    circuit.advance(0.005)
    assert supply.on
    circuit.advance(0.1)
    assert supply[1].over_amperes_tripped
    assert not circuit.supply[1].on


def test_protection_that_is_not_armed_does_not_trip(circuit, supply):
    supply[1].over_volts, supply[1].over_volts_armed = 5.0, False
    supply.set_volts(1, 10.0)
    supply.switch(True)
    assert supply.on
