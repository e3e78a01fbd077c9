"""Attenuator, noise and converter of the virtual scope."""

import math

import numpy as np
import pytest

from demo_sim.instruments import scope_frontend as fe
from demo_sim.instruments import specifications as spec
from demo_sim.noise import nearly_normal

RNG_SEED = 7


def digitise(volts, front, fold=1):
    rng = np.random.default_rng(RNG_SEED)
    bits = fe.high_resolution_bits(front.bits, fold)
    return fe.convert(fe.screen(np.asarray(volts, float), front, rng, fold), bits)


def volts_of(codes, front):
    return (codes.astype(float) - fe.CENTRE) * front.range_pp_v / fe.CODES + front.offset_v


def sine(amplitude, n=65536, cycles=997):
    return amplitude * np.sin(2 * np.pi * cycles * np.arange(n) / n)


def test_codes_turn_back_into_the_volts_at_the_tip():
    front = fe.FrontEnd(8.0, offset_v=1.5)
    volts = np.linspace(-2.0, 5.0, 500)
    assert volts_of(digitise(volts, front), front) == pytest.approx(volts, abs=6e-3)


@pytest.mark.parametrize("bits", [8, 12])
def test_converter_has_no_more_than_its_number_of_codes(bits):
    front = fe.FrontEnd(2.0, bits=bits)
    codes = digitise(np.linspace(-0.99, 0.99, 200_000), front)
    assert 0.95 * 2**bits < len(np.unique(codes)) <= 2**bits


@pytest.mark.parametrize("bits", [8, 12])
def test_out_of_range_is_the_lowest_or_highest_code(bits):
    front = fe.FrontEnd(2.0, bits=bits)
    codes = digitise([-5.0, -1.1, 0.0, 1.1, 5.0], front)
    assert list(codes[[0, 1, 3, 4]]) == [0, 0, 65535, 65535]


def test_wrong_probe_factor_gives_wrong_volts():
    front = fe.FrontEnd(80.0, probe_declared=10.0, probe_fitted=1.0)
    assert volts_of(digitise([2.0] * 100, front), front).mean() == pytest.approx(20.0, rel=1e-3)


def test_high_resolution_lowers_the_noise():
    front = fe.FrontEnd(8.0)
    plain, fine = digitise(np.zeros(20_000), front), digitise(np.zeros(20_000), front, fold=100)
    assert fine.std() < 0.2 * plain.std()


def test_own_distortion_is_as_specified_at_full_scale():
    total = 10.0 ** (spec.SCOPE_DISTORTION_DBC / 20)
    front = fe.FrontEnd(2.0, noise_of_range=0.0, second=2 * total, bits=16)
    spectrum = np.abs(np.fft.rfft(volts_of(digitise(sine(0.999), front), front)))
    level = 20 * math.log10(spectrum[2 * 997] / spectrum[997])
    assert level == pytest.approx(spec.SCOPE_DISTORTION_DBC, abs=0.3)


def test_front_end_noise_is_white_and_all_but_normal():
    noise = nearly_normal(200_000, np.random.default_rng(RNG_SEED)).astype(float)
    assert noise.mean() == pytest.approx(0.0, abs=0.01)
    assert noise.std() == pytest.approx(1.0, abs=0.01)
    assert np.mean(np.abs(noise) > 2.0) == pytest.approx(0.0455, abs=0.004)  # normal: 4.55 %
    assert abs(np.mean(noise[1:] * noise[:-1])) < 0.01
