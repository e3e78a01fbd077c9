"""Signals and disturbances at the nodes: right, repeatable, coherent."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_sim import noise
from demo_sim.amplifier.signal import at_input, common_period, slew_limited
from demo_sim.ports import Drive, Tone


def spectrum(world, node, frequency_hz, cycles=50, per_cycle=64):
    """Peak volts at harmonics 0, 1, 2 … of a coherent capture."""
    count = cycles * per_cycle
    t = world.now + np.arange(count) / (frequency_hz * per_cycle)
    size = np.abs(np.fft.rfft(world.voltage(node, "ground", t))) * 2.0 / count
    return size[::cycles]


def test_output_is_input_times_gain(bench, set_sine):
    world = bench()
    set_sine(world, 0.2)
    out, into = (spectrum(world, node, 1000.0)[1] for node in ("out.left", "in.left"))
    assert out / into == pytest.approx(world.truth.gain("left"), rel=1e-3)


def test_the_generators_source_resistance_divides_with_the_input(bench):
    world = bench()
    world.set_drive("generator.1", Drive((Tone(1000.0, 0.2),), source_ohm=2200.0))
    assert spectrum(world, "in.left", 1000.0)[1] == pytest.approx(0.2 * 22.0 / 24.2, rel=1e-3)


def test_measured_distortion_is_the_true_one(bench, set_sine):
    world = bench()
    set_sine(world, 0.7)
    size = spectrum(world, "out.left", 1000.0)
    seen = np.sqrt((size[2:20] ** 2).sum()) / size[1]
    assert seen == pytest.approx(world.truth.thd("left"), rel=0.02)


def test_clipping_stays_inside_the_rails(bench, set_sine):
    world = bench()
    set_sine(world, 2.0)
    t = world.now + np.arange(5000) / 1e6
    assert np.abs(world.voltage("out.left", "ground", t)).max() < 30.0


def test_equal_questions_get_equal_answers_noise_included(bench):
    world = bench()
    t = world.now + np.arange(5000) / 1e6
    one, same = (world.voltage("out.left", "ground", t) for _ in range(2))
    assert np.array_equal(one, same)
    later = world.voltage("out.left", "ground", t + 1.0)
    assert not np.array_equal(one, later)


def test_dc_reading_is_the_mean_of_the_waveform(bench, set_sine):
    world = bench()
    set_sine(world, 0.3)
    t = world.now + (np.arange(200_000) + 0.5) * 1e-6
    mean = world.voltage("out.left", "ground", t).mean()
    assert world.dc_voltage("out.left", "ground", world.now, 0.2) == pytest.approx(mean, abs=5e-5)


def test_the_signals_current_ripples_the_rail_through_feed_and_reservoir(bench, set_sine):
    """A half sine of peak I has a fundamental of I/2; the rail answers with |Z| of it."""
    world = bench()
    set_sine(world, 0.4, 100.0)
    seen = spectrum(world, "rail.pos", 100.0)[1]
    peak = sum(
        0.4 * 2**0.5 * world.truth.gain(c, 100.0) / world.truth.load_ohm(c)
        for c in ("left", "right")
    )
    impedance = 1.0 / abs(1.0 / 0.054 + 2j * np.pi * 100.0 * 6.8e-3)
    assert seen == pytest.approx(0.5 * peak * impedance, rel=0.03)


def test_ballast_carries_half_sines_under_signal(bench, set_sine):
    world = bench()
    set_sine(world, 0.4)
    t = world.now + np.arange(4000) / 1e6
    name = "ballast.left.upper.1"
    amps = world.voltage(f"{name}.hot", f"{name}.cold", t) / world.truth.ballast("left", "upper", 1)
    peak = 0.4 * 2**0.5 * world.truth.gain("left") / world.truth.load_ohm("left") / 2.0
    assert amps.max() == pytest.approx(peak, rel=0.05)
    assert abs(amps.min()) < 0.01


def test_two_tones_make_sums_and_differences_only_when_driven_hard(bench):
    def difference(level):
        world = bench()
        tones = (Tone(19e3, level), Tone(20e3, level))
        world.set_drive("generator.1", Drive(tones))
        t = world.now + np.arange(20_000) / 200e3
        size = np.abs(np.fft.rfft(world.voltage("out.left", "ground", t)))
        return size[100] / size[1900]

    assert difference(0.8) > 3.0 * difference(0.2)


def test_a_square_wave_is_rounded_by_the_bandwidth(bench):
    world = bench()
    world.set_drive("generator.1", Drive((Tone(10e3, 0.1),), shape="square"))
    t = world.now + np.arange(2000) / 100e6
    volts = world.voltage("out.left", "ground", t)
    rise = np.diff(volts).max() * 100e6
    step = 2.0 * 0.1 * world.truth.gain("left")
    assert rise == pytest.approx(step * 2.0 * np.pi * 120e3, rel=0.25)


def test_a_burst_is_silent_between(bench):
    world = bench()
    drive = Drive((Tone(1000.0, 0.2),), shape="burst", burst_cycles=5, burst_period_s=0.02)
    world.set_drive("generator.1", drive)
    t = np.arange(20_000) / 1e6 + 20.0
    volts = world.voltage("out.left", "ground", t)
    assert np.abs(volts[:4500]).max() > 5.0
    assert np.abs(volts[6000:]).max() < 0.05


def test_an_open_input_picks_up_hum(bench):
    world = bench()
    world.disconnect("generator.1")
    t = world.now + np.arange(10_000) / 10e3
    size = np.abs(np.fft.rfft(world.voltage("out.left", "ground", t)))
    assert int(np.argmax(size[10:400])) + 10 == 50


def test_slew_limit_turns_a_fast_sine_into_a_triangle():
    """THD of an ideal triangle is 12.1 % (Fourier series)."""
    wave = 10.0 * np.sin(2.0 * np.pi * np.arange(4096) / 4096)
    out = slew_limited(wave, 1.0 / 4096, 5.0)
    size = np.abs(np.fft.rfft(out))
    assert np.sqrt((size[2:200] ** 2).sum()) / size[1] == pytest.approx(0.1211, rel=0.03)


@given(st.floats(10.0, 1e5), st.integers(1, 60), st.integers(1, 60))
def test_tones_on_a_common_grid_keep_their_frequencies(base, a, b):
    found, numbers = common_period([a * base, b * base])
    assert found * numbers[0] == pytest.approx(a * base, rel=1e-8)
    assert found * numbers[1] == pytest.approx(b * base, rel=1e-8)


@settings(deadline=None, max_examples=25)
@given(
    f=st.floats(5.0, 1e5),
    phase=st.floats(-3.0, 3.0),
    start=st.floats(0.0, 1000.0),
    seconds=st.floats(1e-3, 1.0),
)
def test_a_table_is_the_sine_it_was_made_from_and_so_is_its_mean(f, phase, start, seconds):
    signal = at_input([("generator.1", Drive((Tone(f, 1.0, phase),), source_ohm=0.0))], 1e12)
    t = start + np.linspace(0.0, 3.0 / f, 200)
    exact = np.sin(2.0 * np.pi * f * t + phase)
    np.testing.assert_allclose(signal.period.evaluate(signal.volts, t), exact, atol=2e-6)
    omega = 2.0 * np.pi * f
    a = omega * start + phase
    mean = (np.cos(a) - np.cos(a + omega * seconds)) / (omega * seconds)
    assert signal.period.mean(signal.volts, start, seconds) == pytest.approx(mean, abs=1e-5)


def test_white_noise_has_the_density_that_was_asked_for():
    rng = noise.stream(1, "test")
    window = noise.Window(0.0, 1e-5, 200_000)
    values = noise.white(window, 1e-6, 1e6, rng).astype(float)
    power = np.abs(np.fft.rfft(values)) ** 2 * 2.0 * window.spacing_s / values.size
    assert np.sqrt(power[100:50_000].mean()) == pytest.approx(1e-6, rel=0.02)


def test_flicker_noise_falls_by_ten_decibels_per_decade():
    times = np.arange(2**15) / 16e3
    total = np.zeros(2**14 + 1)
    for k in range(20):
        values = noise.flicker(times, 1e-6, 100.0, noise.stream(k, "f"))
        total += np.abs(np.fft.rfft(values)) ** 2 * 2.0 / 16e3 / times.size / 20
    f = np.fft.rfftfreq(times.size, 1 / 16e3)
    low, high = (np.sqrt(total[(f > a) & (f < b)].mean()) for a, b in ((90, 110), (900, 1100)))
    assert low == pytest.approx(1e-6, rel=0.1)
    assert low / high == pytest.approx(10**0.5, rel=0.15)


@pytest.mark.parametrize("points", [1, 2, 7, 16_001])
def test_hum_is_the_sum_of_its_lines(points):
    t = 1234.5 + np.arange(points) / 16e3
    lines = noise.hum(2e-3, 3e-4)
    exact = np.sum([line.at(t) for line in lines], axis=0)
    np.testing.assert_allclose(noise.added(lines, t), exact, atol=1e-10)


def test_windows_of_the_same_name_are_drawn_alike_and_others_are_not():
    one, same = noise.moment(7, "a").normal(size=2000), noise.moment(7, "a").normal(size=2000)
    np.testing.assert_array_equal(one, same)
    for other in (noise.moment(7, "b"), noise.moment(8, "a")):
        assert abs(np.corrcoef(one, other.normal(size=2000))[0, 1]) < 0.12


@pytest.mark.parametrize("summed", [2, 8])
def test_nearly_normal_noise_is_white_and_of_variance_one(summed):
    values = noise.nearly_normal(400_001, noise.stream(3, "n"), summed).astype(float)
    assert values.size == 400_001
    assert values.mean() == pytest.approx(0.0, abs=5 / np.sqrt(values.size))
    assert values.var() == pytest.approx(1.0, rel=0.01)
    assert np.mean(values[1:] * values[:-1]) == pytest.approx(0.0, abs=0.01)
    excess = np.mean(values**4) / values.var() ** 2 - 3.0
    assert excess == pytest.approx(-1.2 / summed, abs=0.05)  # of a uniform one, over their number


def test_random_bursts_are_the_same_in_windows_that_overlap():
    bursts = noise.Bursts(1, "x")
    t = np.arange(0.0, 3.0, 1e-3)
    whole, part = bursts.at(t, 1.0, 20.0), bursts.at(t[1500:], 1.0, 20.0)
    np.testing.assert_array_equal(whole[1500:], part)
    assert np.abs(whole).max() > 0.0


def test_named_streams_are_independent_of_each_other_and_of_order(cold_bench):
    world = cold_bench()
    one = world.rng("a").normal(size=3)
    world.rng("b")
    np.testing.assert_array_equal(one, world.rng("a").normal(size=3))
    assert not np.array_equal(one, world.rng("b").normal(size=3))
