"""The meter's measuring part, on circuits worked out by hand."""

import math
import statistics

import numpy as np
import pytest

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.meter_front import OVERLOAD, MeterFront


def dc(value):
    return lambda t: np.full_like(t, value)


def hum(amplitude, offset=0.0, hz=50.0):
    return lambda t: offset + amplitude * np.sin(2 * np.pi * hz * t)


@pytest.fixture
def meter(circuit):
    circuit.leads = {"meter.hi": "a", "meter.lo": "ground"}
    return MeterFront(circuit)


@pytest.mark.parametrize("value", [0.0055, 0.7, -4.2, 29.0, -250.0])
def test_dc_reading_is_within_its_specification_and_noise(circuit, meter, value):
    circuit.volts["a"] = dc(value)
    shown, scale = meter.read("dc_voltage", None)
    entry = spec.accuracy("meter", "dc_voltage", scale)
    allowed = entry.of_reading * abs(value) + entry.offset + 5 * 0.6e-6 * scale
    assert abs(shown - value) <= allowed


def test_hidden_errors_fill_their_specification_and_never_leave_it(circuit_of_seed):
    entry = spec.accuracy("meter", "dc_voltage", 25.0)
    offsets = []
    for seed in range(200):
        circuit = circuit_of_seed(seed)
        circuit.leads = {"meter.hi": "a", "meter.lo": "ground"}
        shown, _ = MeterFront(circuit).read("dc_voltage", 25.0, nplc=100.0)
        offsets.append(shown / entry.offset)
    assert max(map(abs, offsets)) < 1.1  # a little noise on top
    assert statistics.pstdev(offsets) == pytest.approx(1 / math.sqrt(3), rel=0.15)  # uniform


def test_two_readings_on_one_range_share_their_error(circuit, meter):
    circuit.volts["a"] = dc(5.0)
    first = meter.read("dc_voltage", 25.0, nplc=100.0)[0]
    second = meter.read("dc_voltage", 25.0, nplc=100.0)[0]
    assert abs(first - second) < 20e-6  # the data sheet allows either 350 µV


@pytest.mark.parametrize("nplc", [1.0, 10.0])
def test_hum_averages_out_over_whole_line_cycles(circuit, meter, nplc):
    circuit.volts["a"] = hum(1.0, offset=2.0)
    assert meter.read("dc_voltage", 25.0, nplc)[0] == pytest.approx(2.0, abs=1e-3)


def test_hum_shows_when_integrating_less_than_a_cycle(circuit, meter):
    circuit.volts["a"] = hum(1.0, offset=2.0)
    readings = [meter.read("dc_voltage", 25.0, 0.2)[0] for _ in range(20)]
    assert statistics.pstdev(readings) > 0.3


def test_reading_takes_its_integration_time_and_the_same_on_a_shorted_input(circuit, meter):
    meter.read("dc_voltage", 25.0, 10.0)
    assert circuit.now == pytest.approx(2 * 10 / 50.0, rel=0.02)


def test_overload_beyond_ten_per_cent_over_range(circuit, meter):
    circuit.volts["a"] = dc(27.4)
    assert meter.read("dc_voltage", 25.0)[0] == pytest.approx(27.4, rel=1e-3)
    circuit.volts["a"] = dc(27.6)
    assert meter.read("dc_voltage", 25.0)[0] == OVERLOAD
    circuit.volts["a"] = dc(-27.6)
    assert meter.read("dc_voltage", 25.0)[0] == -OVERLOAD


@pytest.mark.parametrize(
    ("value", "scale"), [(0.05, 0.25), (0.2, 0.25), (0.5, 2.5), (8.0, 25.0), (30.0, 250.0)]
)
def test_auto_ranging_ends_on_the_smallest_range_that_holds_the_value(circuit, meter, value, scale):
    circuit.volts["a"] = dc(value)
    assert meter.read("dc_voltage", None)[1] == scale


def test_auto_ranging_goes_up_when_the_value_grows(circuit, meter):
    circuit.volts["a"] = dc(0.05)
    meter.read("dc_voltage", None)
    circuit.volts["a"] = dc(40.0)
    shown, scale = meter.read("dc_voltage", None)
    assert (round(shown, 1), scale) == (40.0, 250.0)


def test_ac_reads_rms_of_what_is_left_without_the_mean(circuit, meter):
    circuit.volts["a"] = lambda t: 5.0 + math.sqrt(2) * np.sin(2 * np.pi * 1000 * t)
    assert meter.read("ac_voltage", None)[0] == pytest.approx(1.0, rel=0.002)


def test_four_wire_leaves_the_leads_out_and_two_wire_does_not(circuit):
    circuit.ohms[frozenset(("a", "b"))] = 100.0
    circuit.leads = {f"meter.{n}": "a" for n in ("hi", "sense_hi")}
    circuit.leads |= {f"meter.{n}": "b" for n in ("lo", "sense_lo")}
    meter = MeterFront(circuit)
    four, two = (meter.read(f, 2.5e3)[0] for f in ("resistance_4w", "resistance_2w"))
    assert four == pytest.approx(100.0, abs=0.03)
    assert two - four == pytest.approx(2 * spec.METER_LEAD_OHM, abs=0.25)


def test_open_sense_lead_and_open_sensor_read_overload(circuit):
    circuit.leads = {"meter.hi": "a", "meter.lo": "b", "meter.sense_hi": "a"}
    circuit.ohms[frozenset(("a", "b"))] = 100.0
    assert MeterFront(circuit).read("resistance_4w", 2.5e3)[0] == OVERLOAD
    circuit.leads["meter.sense_lo"] = "b"
    circuit.ohms.clear()
    assert MeterFront(circuit).read("resistance_4w", 2.5e3)[0] == OVERLOAD


def test_ohms_on_a_live_circuit_are_wrong_by_its_volts_over_the_test_current(circuit, meter):
    circuit.ohms[frozenset(("a", "ground"))] = 100.0
    circuit.volts["a"] = dc(0.05)
    assert meter.read("resistance_2w", 2.5e3)[0] == pytest.approx(100.0 + 0.05 / 1e-3, abs=0.5)


def test_current_range_across_a_rail_blows_the_fuse(circuit):
    circuit.leads = {"meter.amps": "a", "meter.lo": "ground"}
    circuit.volts["a"], circuit.ohms[frozenset(("a", "ground"))] = dc(30.0), 0.1
    meter = MeterFront(circuit)
    meter.read("dc_current", 10.0)
    assert meter.fuse_blown
    circuit.ohms[frozenset(("a", "ground"))] = 30.0
    assert abs(meter.read("dc_current", 10.0)[0]) < 0.01


def test_current_range_in_series_with_a_rail_reads_the_rails_current(circuit):
    circuit.leads = {"meter.amps": "link", "meter.lo": "rail"}
    circuit.series["link", "rail"] = 0.5
    assert MeterFront(circuit).read("dc_current", None)[0] == pytest.approx(0.5, rel=2e-3)


def test_signal_on_top_of_a_small_dc_voltage_overloads_the_small_range(circuit, meter):
    circuit.volts["a"] = hum(18.0, offset=0.02, hz=1000.0)
    assert meter.read("dc_voltage", 0.25)[0] == OVERLOAD
    circuit.advance(2.0)
    shown, scale = meter.read("dc_voltage", None)
    assert (scale, shown) == (25.0, pytest.approx(0.02, abs=1e-3))
