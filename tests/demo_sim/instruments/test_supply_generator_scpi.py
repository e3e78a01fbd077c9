"""Supply and generator as a client meets them."""

import pytest

from demo_sim.instruments.generator import Generator
from demo_sim.instruments.supply import Supply


def ask(device, message):
    return device.execute(message).decode("ascii").strip()


def error(device):
    return int(ask(device, "SYST:ERR?").split(",")[0])


@pytest.fixture
def supply(circuit):
    return Supply(circuit)


@pytest.fixture
def generator(circuit):
    return Generator(circuit)


def test_settings_go_to_the_selected_output(supply):
    ask(supply, "INST:NSEL 2;:VOLT 12 V;:CURR 500 MA;:INST:NSEL 1;:VOLT 30")
    assert ask(supply, "INST:NSEL?") == "1"
    assert float(ask(supply, "VOLT?")) == 30.0
    assert float(ask(supply, "INST:NSEL 2;:VOLT?")) == 12.0
    assert float(ask(supply, "CURR?")) == 0.5


def test_channel_list_measures_several_outputs_at_once(circuit, supply):
    circuit.loads = {1: 30.0, 2: 60.0}
    ask(supply, "VOLT 30;:CURR 3;:INST:NSEL 2;:VOLT 30;:CURR 3;:OUTP ON")
    one, two = map(float, ask(supply, "MEAS:CURR? (@1,2)").split(","))
    assert one == pytest.approx(1.0, abs=0.02)
    assert two == pytest.approx(0.5, abs=0.02)


def test_more_than_the_rating_is_out_of_range(supply):
    ask(supply, "VOLT 41")
    assert error(supply) == -222
    ask(supply, "CURR 6")
    assert error(supply) == -222


def test_status_tells_constant_current_from_constant_voltage(circuit, supply):
    circuit.loads = {1: 10.0}
    ask(supply, "VOLT 20;:CURR 0.5;:INST:NSEL 2;:VOLT 5;:OUTP ON")
    assert ask(supply, "STAT:QUES:INST:ISUM1:COND?") == "1"
    assert ask(supply, "STAT:QUES:INST:ISUM2:COND?") == "0"
    assert ask(supply, "STAT:QUES:COND?") == "0"
    assert ask(supply, "INST:NSEL 1;:STAT:QUES:COND?") == "1"


def test_tripped_protection_refuses_to_switch_on_until_cleared(supply):
    ask(supply, "VOLT 20;:OUTP ON;:VOLT:PROT 10")
    assert ask(supply, "OUTP?;:VOLT:PROT:TRIP?") == "0;1"
    ask(supply, "OUTP ON")
    assert error(supply) == -221
    ask(supply, "VOLT 5;:VOLT:PROT:CLE;:OUTP ON")
    assert ask(supply, "OUTP?;:VOLT:PROT:TRIP?") == "1;0"


def test_over_current_trips_between_messages(circuit, supply):
    ask(supply, "VOLT 20;:CURR 4;:CURR:PROT 1;:OUTP ON")
    circuit.loads = {1: 10.0}
    ask(supply, "*OPC?")
    circuit.advance(1.0)
    assert ask(supply, "CURR:PROT:TRIP?;:OUTP?") == "1;0"
    ask(supply, "CURR:PROT:CLE")
    assert ask(supply, "CURR:PROT:TRIP?") == "0"


def test_questionable_event_latches_a_trip_for_a_service_request(supply):
    ask(supply, "STAT:QUES:ENAB 2048;:VOLT 20;:OUTP ON;:VOLT:PROT 10")
    assert int(ask(supply, "*STB?")) & 8


def test_second_output_is_set_by_its_numeric_suffix(circuit, generator):
    ask(generator, "SOUR2:FREQ 10 KHZ;:SOURCE2:VOLT 0.5;:OUTP2 ON")
    assert float(ask(generator, "SOUR2:FREQ?")) == 10e3
    assert float(ask(generator, "FREQ?")) == 400.0
    assert circuit.drives["generator.1"] is None
    assert circuit.drives["generator.2"].tones[0].frequency_hz == pytest.approx(10e3, rel=3e-5)


def test_more_than_the_output_can_give_is_refused(generator):
    ask(generator, "VOLT 6")
    assert error(generator) == -222
    ask(generator, "VOLT 4.9;:VOLT:OFFS 2")
    assert error(generator) == -221
    assert float(ask(generator, "VOLT:OFFS?")) == 0.0


def test_two_tone_square_and_burst_reach_the_world(circuit, generator):
    ask(generator, "OUTP1 ON;:FREQ 60;VOLT 0.4;SEC:FREQ 7000;VOLT 0.1;STAT ON")
    tones = {round(t.frequency_hz): t.volts_peak for t in circuit.drives["generator.1"].tones}
    assert tones[60] / tones[7000] == pytest.approx(4.0, rel=0.05)
    ask(generator, "FUNC SQU")
    assert circuit.drives["generator.1"].shape == "square"
    ask(generator, "SEC:STAT OFF;:FUNC SIN;FREQ 1000;PULS:CYCL 20;PER 0.5;:PULM:STAT ON")
    drive = circuit.drives["generator.1"]
    assert (drive.shape, drive.burst_cycles, drive.burst_period_s) == ("burst", 20, 0.5)
    ask(generator, "PULM:STAT OFF;:PULS:CYCL 1000;:PULM:STAT ON")
    assert error(generator) == -221


def test_reset_switches_off(circuit, supply, generator):
    ask(supply, "VOLT 20;:OUTP ON;*RST")
    ask(generator, "OUTP1 ON;*RST")
    assert not circuit.supply[1].on
    assert circuit.drives["generator.1"] is None


def test_a_supply_of_one_output_knows_no_second(circuit):
    single = Supply(circuit, key="supply_2", outputs=1)
    ask(single, "INST:NSEL 2")
    assert error(single) == -222
    assert ask(single, "MEAS:VOLT? (@2)") == ""
    assert error(single) == -222


def test_level_is_the_open_circuit_rms(circuit, generator):
    ask(generator, "FREQ 1000;VOLT 0.7746;:OUTP1 ON")
    peak = circuit.drives["generator.1"].tones[0].volts_peak
    assert peak == pytest.approx(2**0.5 * 0.7746, rel=0.015)
