"""Levels and components of the virtual generator."""

import math

import pytest

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.generator_outputs import GeneratorOutputs


@pytest.fixture
def generator(circuit):
    return GeneratorOutputs(circuit)


def test_nothing_comes_out_until_switched_on(circuit, generator):
    generator.apply(1)
    assert circuit.drives["generator.1"] is None
    generator.switch(1, True)
    assert circuit.drives["generator.1"] is not None
    generator.switch(1, False)
    assert circuit.drives["generator.1"] is None


def test_level_is_within_one_per_cent_and_a_millivolt(circuit, generator):
    generator.settings[1].volts_rms = 1.0
    generator.switch(1, True)
    peak = circuit.drives["generator.1"].tones[0].volts_peak
    assert abs(peak / math.sqrt(2) - 1.0) <= 0.011


def test_harmonics_together_are_within_the_specified_distortion(generator):
    generator.settings[1].on, generator.settings[1].volts_rms = True, 0.1
    main, *harmonics = generator.drive(1).tones
    thd = math.hypot(*(h.volts_peak for h in harmonics)) / main.volts_peak
    assert 0.0 < thd <= 10 ** (spec.GENERATOR_DISTORTION_DBC / 20)
    assert [h.frequency_hz / main.frequency_hz for h in harmonics] == [2.0, 3.0]


def test_flatness_stays_within_its_specification(generator):
    s = generator.settings[1]
    s.on, s.volts_rms = True, 1.0
    level = {}
    for s.frequency_hz in (20.0, 1000.0, 20e3):
        level[s.frequency_hz] = generator.drive(1).tones[0].volts_peak
    for hz in (20.0, 20e3):
        assert abs(20 * math.log10(level[hz] / level[1000.0])) <= spec.GENERATOR_FLATNESS_DB


def test_two_tone_has_both_components(generator):
    s = generator.settings[1]
    s.second, s.on = True, True
    s.frequency_hz, s.volts_rms = 60.0, 0.8
    s.second_frequency_hz, s.second_volts_rms = 7000.0, 0.2
    tones = {round(t.frequency_hz): t.volts_peak for t in generator.drive(1).tones}
    assert tones[7000] / tones[60] == pytest.approx(0.25, rel=0.03)
