"""One level in the units that generators take: V rms, V peak, V peak to peak, dBm; 50 Ω or not."""

from __future__ import annotations

import math
from typing import Any

import pytest

from seqrun.errors import InstrumentRefused
from seqrun.files.driver.equipment import GeneratorSettings
from seqrun.instruments.generator import LEAST_DBM, possible, told


def settings(**keys: Any) -> GeneratorSettings:
    return GeneratorSettings.model_validate({"outputs": 1, **keys})


ROOT = math.sqrt(2.0)


@pytest.mark.parametrize(
    ("crest", "peak"), [(ROOT, 1.0 * ROOT), (1.0, 1.0)], ids=["sine", "square"]
)
def test_an_open_circuit_level_is_told_as_it_is(crest: float, peak: float) -> None:
    found = told(settings(), 1.0, crest)
    assert found["volts_rms"] == 1.0
    assert found["volts_peak"] == pytest.approx(peak)
    assert found["volts_pp"] == pytest.approx(2.0 * peak)


def test_a_level_meant_for_a_matched_load_is_half_of_the_open_circuit_s() -> None:
    found = told(settings(levels_into="50 Ω"), 1.0, ROOT)
    assert found["volts_rms"] == pytest.approx(0.5)
    assert found["volts_pp"] == pytest.approx(ROOT)
    found = told(settings(levels_into="50 Ω", impedance="600 Ω"), 1.3, ROOT)
    assert found["volts_rms"] == pytest.approx(1.3 * 50.0 / 650.0)


def test_no_dbm_is_a_milliwatt_in_the_matched_load() -> None:
    # 0 dBm is 223.6 mV rms across 50 Ω (P = V²/R), 447.2 mV of the open circuit.
    assert told(settings(), 2.0 * math.sqrt(50e-3), ROOT)["dbm"] == pytest.approx(0.0, abs=1e-12)
    assert told(settings(), 0.2 * math.sqrt(50e-3), ROOT)["dbm"] == pytest.approx(-20.0)
    dbu = told(settings(impedance="600 Ω"), 2.0 * 0.7746, ROOT)["dbm"]
    assert dbu == pytest.approx(0.0, abs=1e-3)
    assert told(settings(), 0.0, ROOT)["dbm"] == LEAST_DBM


def test_what_a_generator_does_not_give_is_refused_before_it_is_asked() -> None:
    its = settings(most_level="7 V", most_frequency="25 MHz")
    possible(its, 7.0, 25e6, "generator")
    with pytest.raises(InstrumentRefused, match=r"7\.1 V is more than it gives"):
        possible(its, 7.1, 1e3, "generator")
    with pytest.raises(InstrumentRefused, match=r"2.6e\+07 Hz is more"):
        possible(its, 1.0, 26e6, "generator")
    possible(settings(), 1e3, 1e12, "generator")


def test_a_level_below_what_a_generator_gives_is_refused_before_it_is_asked() -> None:
    its = settings(least_level="7 mV")
    possible(its, 0.007, 1e3, "generator")
    with pytest.raises(InstrumentRefused, match=r"0\.005 V is less than it gives"):
        possible(its, 0.005, 1e3, "generator")


def test_one_that_gives_no_zero_is_told_its_smallest_sine_below_what_amplifiers_pass(
    bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    generator = bench.generator
    monkeypatch.setattr(generator, "_settings", settings(least_level="7 mV"))
    generator.sine(1, 1000.0, 0.5)
    generator.sine(1, 1000.0, 0.0)
    assert "FREQ 1;" in bench.sent("generator")[-1]
    assert "VOLT 0.007" in bench.sent("generator")[-1]
    generator.sine(1, 1000.0, 0.5)
    assert "FREQ 1000;" in bench.sent("generator")[-1]
