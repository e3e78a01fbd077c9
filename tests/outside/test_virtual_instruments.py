"""The virtual instruments against what is published about real ones."""

import math
import statistics

import numpy as np
import pytest

import demo_sim
from demo_sim.instruments import scope_frontend as fe
from demo_sim.instruments import temperature


def ask(bench, key, message):
    return bench.devices[key].execute(message).decode("ascii").strip()


@pytest.fixture(scope="module")
def shorted_meter():
    """A bench with the meter's leads on one node: what it shows is its own."""
    bench = demo_sim.open_bench()
    for terminal in ("meter.hi", "meter.lo"):
        ask(bench, "control", f'HAND:CONN "{terminal}","ground"')
    return bench


def spread(bench, nplc, readings=400):
    message = f"CONF:VOLT:DC 10;:VOLT:NPLC {nplc};:TRIG:COUN {readings};:READ?"
    return statistics.stdev(float(v) for v in ask(bench, "meter", message).split(","))


@pytest.mark.parametrize(("short", "long"), [(0.02, 1), (0.2, 1), (1, 10), (1, 100)])
def test_noise_falls_with_the_square_root_of_integration_time(shorted_meter, short, long):
    # White noise averaged over T has variance density²/(2T): any text on noise (common practice)
    ratio = spread(shorted_meter, short) / spread(shorted_meter, long)
    assert ratio == pytest.approx(math.sqrt(long / short), rel=0.2)


@pytest.mark.parametrize("bits", [8, 10, 12, 14])
def test_ideal_converter_reaches_the_sinad_of_its_width(bits):
    # 6.02 N + 1.76 dB, IEEE 1241 (from memory)
    points, cycles = 65536, 997
    top = 1.0 - 2.0 / 2**bits
    sine = top * np.sin(2 * np.pi * cycles * np.arange(points) / points)
    front = fe.FrontEnd(2.0, noise_of_range=0.0, bits=bits)
    codes = fe.convert(fe.screen(sine, front, np.random.default_rng(1)), bits)
    power = np.abs(np.fft.rfft(codes - float(fe.CENTRE))) ** 2
    sinad = 10 * math.log10(power[cycles] / (power[1:].sum() - power[cycles]))
    assert sinad == pytest.approx(6.02 * bits + 1.76, abs=0.5)


def test_scope_noise_costs_the_bits_that_its_rms_says():
    # Noise of σ steps adds to the 1/√12 step of rounding (IEEE 1241, from memory):
    # loss = log2(√(σ² + 1/12) / √(1/12)) bits.
    bits, sigma = 12, 0.41
    points, cycles = 65536, 997
    sine = 0.98 * np.sin(2 * np.pi * cycles * np.arange(points) / points)
    front = fe.FrontEnd(2.0, noise_of_range=sigma / 2**bits, bits=bits)
    codes = fe.convert(fe.screen(sine, front, np.random.default_rng(1)), bits)
    power = np.abs(np.fft.rfft(codes - float(fe.CENTRE))) ** 2
    sinad = 10 * math.log10(power[cycles] / (power[1:].sum() - power[cycles]))
    effective = (sinad - 1.76 - 20 * math.log10(0.98)) / 6.02
    assert bits - effective == pytest.approx(0.5 * math.log2(12 * (sigma**2 + 1 / 12)), abs=0.05)


@pytest.mark.parametrize(("celsius", "mv"), [(25, 1.000), (50, 2.023), (100, 4.096), (200, 8.138)])
def test_meter_converts_type_k_by_its_90(celsius, mv):
    # NIST ITS-90 thermocouple database (from memory)
    assert temperature.thermocouple_temperature(mv * 1e-3, 0.0) == pytest.approx(celsius, abs=0.06)


@pytest.mark.parametrize(
    ("celsius", "ohms"), [(0, 100.00), (25, 109.73), (50, 119.40), (100, 138.51), (150, 157.33)]
)
def test_meter_converts_platinum_by_iec_60751(celsius, ohms):
    assert temperature.platinum_temperature(ohms) == pytest.approx(celsius, abs=0.02)


@pytest.mark.parametrize("nplc", [0.02, 0.2, 1, 10])
def test_hum_on_a_reading_is_the_sinc_of_its_integration_time(nplc):
    # A mean over T passes a line frequency f as |sin(πfT)/πfT| (any text on integrating
    # converters; common practice): nothing of it over whole cycles.
    bench = demo_sim.open_bench()
    ask(bench, "control", 'HAND:CONN "meter.lo","ground"')  # hi hangs free and picks up the line
    message = f"CONF:VOLT:DC 10;:VOLT:NPLC {nplc};:TRIG:COUN 401;:READ?"
    readings = [float(v) for v in ask(bench, "meter", message).split(",")]
    expected = 0.02 / math.sqrt(2) * abs(np.sinc(nplc))  # 20 mV peak of stray hum
    assert statistics.stdev(readings) == pytest.approx(expected, rel=0.1, abs=2e-4)
