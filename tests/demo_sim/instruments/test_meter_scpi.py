"""The meter as a client meets it."""

import numpy as np
import pytest

from demo_sim.instruments.meter import Meter
from demo_sim.instruments.temperature import platinum_resistance


def dc(value):
    return lambda t: np.full_like(t, value)


@pytest.fixture
def meter(circuit):
    circuit.leads = {"meter.hi": "a", "meter.lo": "ground"}
    circuit.volts["a"] = dc(5.0)
    return Meter(circuit)


def ask(device, message):
    return device.execute(message).decode("ascii").strip()


def error(device):
    return int(ask(device, "SYST:ERR?").split(",")[0])


def test_identity_says_that_it_is_simulated(circuit):
    assert ask(Meter(circuit, serial="M1"), "*IDN?") == "SEQRUN DEMO,SIMULATED METER,M1,1.0"


def test_configure_then_read(meter):
    assert float(ask(meter, "CONF:VOLT:DC 10;:VOLT:NPLC 1;:READ?")) == pytest.approx(5.0, abs=1e-3)
    assert error(meter) == 0


def test_configure_takes_ranges_words_and_suffixes(meter):
    ask(meter, "CONF:VOLT:DC 300 MV")
    assert ask(meter, "CONF?").startswith('"VOLT +2.500000000E+00')
    ask(meter, "CONF:VOLT AUTO")
    assert ask(meter, "VOLT:RANG:AUTO?") == "1"
    ask(meter, "CONF:VOLT 3000")
    assert error(meter) == -222


def test_a_meter_without_sense_terminals_says_that_they_are_missing(circuit):
    meter = Meter(circuit, four_wire=False)
    for message in ("CONF:FRES 250", "MEAS:TEMP? FRTD", 'FUNC "FRES"'):
        ask(meter, message)
        assert error(meter) == -241  # hardware missing
    assert ask(meter, "FUNC?") == '"VOLT"'


def test_range_too_small_answers_overload(meter):
    assert float(ask(meter, "CONF:VOLT:DC 2.5;:READ?")) == 9.9e37


def test_readings_of_a_burst_are_fetched_again_and_again(meter):
    ask(meter, "CONF:VOLT:DC 10;:VOLT:NPLC 0.02;:TRIG:COUN 21;:INIT")
    first, second = ask(meter, "FETC?"), ask(meter, "FETC?")
    assert first == second
    assert len(first.split(",")) == 21


def test_burst_waits_for_its_bus_triggers(meter):
    ask(meter, "CONF:VOLT:DC 10;:TRIG:COUN 2;SOUR BUS;:INIT;*TRG")
    assert ask(meter, "FETC?") == ""
    assert error(meter) == -214
    ask(meter, "*TRG")
    assert len(ask(meter, "FETC?").split(",")) == 2
    ask(meter, "*TRG")
    assert error(meter) == -211


def test_waiting_for_completion_that_cannot_come_is_a_deadlock(meter):
    ask(meter, "TRIG:SOUR BUS;:INIT")
    assert ask(meter, "*OPC?") == ""
    assert error(meter) == -214


def test_fetching_nothing_is_stale_data(meter):
    assert ask(meter, "CONF:VOLT:DC;:FETC?") == ""
    assert error(meter) == -230


def test_finer_resolution_takes_a_longer_integration_time(meter):
    times = []
    for resolution in (1e-3, 1e-5, 1e-7):
        ask(meter, f"CONF:VOLT:DC 10,{resolution:g}")
        times.append(float(ask(meter, "VOLT:NPLC?")))
    assert times == sorted(set(times))
    assert (times[0], times[-1]) == (0.02, 100.0)


def test_integration_time_is_any_within_its_limits(meter):
    assert float(ask(meter, "VOLT:NPLC 3;NPLC?")) == 3.0
    assert float(ask(meter, "VOLT:NPLC? MAX")) == 100.0
    ask(meter, "VOLT:NPLC 200")
    assert error(meter) == -222


def test_four_wire_platinum_sensor_reads_its_temperature(circuit):
    circuit.leads = {f"meter.{n}": "a" for n in ("hi", "sense_hi")}
    circuit.leads |= {f"meter.{n}": "b" for n in ("lo", "sense_lo")}
    circuit.ohms[frozenset(("a", "b"))] = platinum_resistance(60.0)
    meter = Meter(circuit)
    assert float(ask(meter, "MEAS:TEMP? FRTD")) == pytest.approx(60.0, abs=0.1)
    circuit.ohms[frozenset(("a", "b"))] = platinum_resistance(60.0, 1000.0)
    assert float(ask(meter, "MEAS:TEMP? FRTD,1000")) == pytest.approx(60.0, abs=0.1)
    circuit.ohms.clear()
    assert float(ask(meter, "MEAS:TEMP? FRTD")) == 9.9e37


def test_thermocouple_and_thermistor(circuit, meter):
    circuit.volts["a"] = dc(2e-3)
    warm = float(ask(meter, "MEAS:TEMP? TC,K"))
    circuit.volts["a"] = dc(0.0)
    assert warm - float(ask(meter, "MEAS:TEMP? TC,K")) == pytest.approx(48.9, abs=1.0)
    circuit.ohms[frozenset(("a", "ground"))] = 5000.0
    assert float(ask(meter, "MEAS:TEMP? THER,5000")) == pytest.approx(25.0, abs=0.3)
    ask(meter, "CONF:TEMP TC,T")
    assert error(meter) == 0
    ask(meter, "CONF:TEMP THER,4711")
    assert error(meter) == -224


def test_integration_time_is_spent_on_the_bench_clock_twice(circuit, meter):
    ask(meter, "CONF:VOLT:DC 10;:VOLT:NPLC 100")
    before = circuit.now
    ask(meter, "READ?")  # of the input, and of a shorted input
    assert circuit.now - before == pytest.approx(4.0, rel=0.01)


def test_reset_returns_to_dc_volts_with_auto_range(meter):
    ask(meter, "CONF:FRES 100;:TRIG:COUN 9;*RST")
    assert ask(meter, "FUNC?;:TRIG:COUN?;:VOLT:RANG:AUTO?") == '"VOLT";1;1'
