"""The generator: what it is told and how well its level is known."""

from __future__ import annotations

import math
from typing import Any

import pytest

from seqrun.errors import InstrumentRefused
from seqrun.instruments.roles import Generator


def test_it_plays_its_role(bench: Any) -> None:
    assert isinstance(bench.generator, Generator)
    assert bench.generator.outputs == 2


def test_a_new_level_alone_is_one_short_command(bench: Any) -> None:
    bench.generator.sine(1, 1000.0, 0.5)
    bench.generator.sine(1, 1000.0, 0.6)
    assert bench.sent("generator")[-1] == "SOUR1:VOLT 0.6;:SYST:ERR?"
    before = len(bench.log)
    bench.generator.sine(1, 1000.0, 0.6)
    assert len(bench.log) == before


def test_after_a_square_wave_a_sine_is_set_in_full(bench: Any) -> None:
    bench.generator.sine(1, 1000.0, 0.5)
    bench.generator.square(1, 1000.0, 0.5)
    bench.generator.sine(1, 1000.0, 0.5)
    assert "FUNC SIN" in bench.sent("generator")[-1]


def test_the_level_accuracy_is_the_data_sheet_s_at_one_kilohertz(bench: Any) -> None:
    bench.generator.sine(1, 1000.0, 1.0)
    level = bench.generator.amplitude(1)
    assert level.nominal_value == 1.0
    assert level.std_dev == pytest.approx(math.hypot(0.01, 0.001) / math.sqrt(3.0))


def test_flatness_counts_away_from_one_kilohertz_only(bench: Any) -> None:
    bench.generator.sine(1, 1000.0, 1.0)
    reference = bench.generator.amplitude(1)
    bench.generator.sine(1, 20000.0, 1.0)
    ratio = bench.generator.amplitude(1) / reference
    assert ratio.std_dev == pytest.approx(0.0116 / math.sqrt(3.0), rel=1e-3)


def test_every_waveform_of_the_role_is_taken(bench: Any) -> None:
    generator = bench.generator
    generator.two_tone(1, 60.0, 0.4, 7000.0, 0.1)
    generator.burst(2, 1000.0, 0.5, 20, 0.5)
    generator.square(2, 100.0, 0.2)
    assert generator.amplitude(1).nominal_value == pytest.approx(math.hypot(0.4, 0.1))


def test_a_level_beyond_its_reach_is_refused(bench: Any) -> None:
    with pytest.raises(InstrumentRefused, match="-222"):
        bench.generator.sine(1, 1000.0, 50.0)
    with pytest.raises(InstrumentRefused, match="no amplitude"):
        bench.generator.amplitude(1)


def test_made_safe_both_outputs_are_off(bench: Any) -> None:
    bench.generator.enable(1, True)
    bench.generator.enable(2, True)
    bench.generator.make_safe()
    assert bench.generator._link.query("OUTP1?;:OUTP2?") == "0;0"
