"""What the instruments of a whole bench show, against what the world knows, bench by bench."""

import math

import numpy as np
import pytest

import demo_sim
from demo_sim.instruments import specifications as spec

SEEDS = range(1, 9)


def ask(bench, key, message):
    return bench.devices[key].execute(message).decode("latin-1").strip()


def hook(bench, hi, lo):
    ask(bench, "control", f'HAND:CONN "meter.hi","{hi}";CONN "meter.lo","{lo}"')


@pytest.fixture(scope="module", params=SEEDS)
def bench(request):
    """Under power for a quarter of a minute, relays closed, no signal."""
    bench = demo_sim.open_bench(seed=request.param)
    ask(bench, "supply", "VOLT 30;CURR 3;:INST:NSEL 2;:VOLT 30;CURR 3;:OUTP ON")
    ask(bench, "control", "CLOC:WAIT 15")
    return bench


def test_supply_current_is_within_its_readback_specification(bench):
    entry = spec.accuracy("supply", "readback_current")
    for output, side in ((1, "pos"), (2, "neg")):
        shown = float(ask(bench, "supply", f"MEAS:CURR? (@{output})"))
        true = bench.truth.supply_current(side)
        assert abs(shown - true) <= entry.of_reading * true + entry.offset + 2e-3


def test_dc_offset_is_within_the_meters_specification(bench):
    entry = spec.accuracy("meter", "dc_voltage", 0.25)
    hook(bench, "out.left", "ground")
    shown = float(ask(bench, "meter", "CONF:VOLT:DC 0.1;:VOLT:NPLC 100;:READ?"))
    true = bench.truth.dc("out.left")
    # Beside the specification, what is left of the amplifier's own slow noise.
    assert abs(shown - true) <= entry.of_reading * abs(true) + entry.offset + 1e-4


def test_ballast_drop_over_its_resistance_is_the_devices_current(bench):
    for half in ("upper", "lower"):
        name = f"ballast.left.{half}.1"
        hook(bench, f"{name}.hot", f"{name}.cold")
        shown = float(ask(bench, "meter", "CONF:VOLT:DC 0.1;:VOLT:NPLC 10;:READ?"))
        current = shown / bench.truth.ballast("left", half, 1)
        assert current == pytest.approx(bench.truth.device_current("left", half, 1), abs=2e-4)


def test_scope_amplitude_is_within_its_specification(bench):
    ask(bench, "generator", "FREQ 1000;VOLT 0.2;:OUTP1 ON")
    _, table = bench.truth.output("left")
    true = float(np.std(table))
    ask(bench, "scope", "INP1:PROB 10;:VOLT1:RANG:PTP 24;:SWE:TINT 1E-6;POIN 100000;:INIT;*OPC?")
    volts = np.array(ask(bench, "scope", "FORM ASC;:TRAC? CH1").split(","), float)
    ask(bench, "generator", "OUTP1 OFF")
    assert abs(volts.std() / true - 1.0) <= spec.accuracy("scope", "voltage").of_reading + 1e-3


def test_ac_voltage_is_within_the_meters_specification(bench):
    ask(bench, "generator", "FREQ 1000;VOLT 0.2;:OUTP1 ON")
    true = float(np.std(bench.truth.output("left")[1]))
    hook(bench, "out.left", "ground")
    shown = float(ask(bench, "meter", "MEAS:VOLT:AC?"))
    ask(bench, "generator", "OUTP1 OFF")
    entry = spec.accuracy("meter", "ac_voltage", 25.0)
    assert abs(shown - true) <= entry.of_reading * true + entry.offset + 1e-3


def test_sink_sensor_tells_the_sinks_temperature_within_class_b(bench):
    for end in ("hot", "cold"):
        a, b = ("hi", "sense_hi") if end == "hot" else ("lo", "sense_lo")
        node = f"sensor.sink.{end}"
        ask(bench, "control", f'HAND:CONN "meter.{a}","{node}";CONN "meter.{b}","{node}"')
    shown = float(ask(bench, "meter", "MEAS:TEMP? FRTD"))
    true = bench.truth.temperature("sink")
    class_b = 0.30 + 0.005 * true  # IEC 60751
    assert abs(shown - true) <= class_b + spec.METER_TEMPERATURE_K["FRTD"] + 0.03


def test_level_at_the_output_is_generator_level_times_gain(bench):
    ask(bench, "generator", "FREQ 1000;VOLT 0.2;:OUTP1 ON")
    true = float(np.std(bench.truth.output("left")[1]))
    ask(bench, "generator", "OUTP1 OFF")
    level = 0.2 * bench.truth.gain("left")
    loading = 50.0 / 22e3  # the source into the input resistance
    assert math.isclose(true, level, rel_tol=0.01 + 0.001 / 0.2 + loading)


def test_a_rail_that_falls_does_so_from_reading_to_reading():
    """A quick meter: at some 15 V/s none of its readings jumps, as it would if the bench's time
    passed by the tenth of a second."""
    bench = demo_sim.open_bench(seed=1)
    ask(bench, "supply", "VOLT 30;CURR 3;:INST:NSEL 2;:VOLT 30;CURR 3;:OUTP ON")
    ask(bench, "control", "CLOC:WAIT 15")
    hook(bench, "rail.pos", "ground")
    ask(bench, "meter", "CONF:VOLT:DC 30;:VOLT:NPLC 0.02")
    ask(bench, "supply", "OUTP OFF")
    shown = [float(ask(bench, "meter", "READ?")) for _ in range(150)]
    steps = -np.diff(shown[10:])  # the first let pass what had been put off until then
    assert shown[10] - shown[-1] > 3.0
    assert steps.max() < 0.3
