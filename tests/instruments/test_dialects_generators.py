"""Drivers of real generators against their dialects: level and frequency of each output, off."""

from __future__ import annotations

import math
from typing import Any

import pytest
from dialect_bench import eventually, of_role

GENERATORS = of_role("generator")


def _truth(dialect: Any, output: int) -> tuple[float, float, bool]:
    """Frequency, open-circuit volts rms and on, as the instrument itself has them."""
    root = 2.0 * math.sqrt(2.0)
    if hasattr(dialect, "register"):
        on = bool(dialect.register[20][output - 1])
        return dialect.hertz(output), dialect.volts_pp(output) / root, on
    if hasattr(dialect, "main"):
        it = (dialect.main, dialect.auxiliary)[output - 1]
        return it.microhertz / 1e6, it.volts_pp / root, it.on
    it = dialect.output[output - 1]
    return it.hertz, it.volts_rms, it.on


def _on(dialect: Any) -> list[bool]:
    return [_truth(dialect, n)[2] for n in (1, 2)]


@pytest.mark.parametrize("name", GENERATORS)
def test_each_output_has_the_sine_that_was_asked_for(opener: Any, name: str) -> None:
    generator, dialect = opener(name)
    generator.sine(1, 1234.5, 0.5)
    generator.sine(2, 40.0, 1.25)
    near = pytest.approx
    assert eventually(lambda: _truth(dialect, 1)[:2] == near((1234.5, 0.5), rel=1e-3))
    assert eventually(lambda: _truth(dialect, 2)[:2] == near((40.0, 1.25), rel=1e-3))
    generator.sine(1, 1234.5, 0.05)  # only the level
    assert eventually(lambda: _truth(dialect, 1)[:2] == near((1234.5, 0.05), rel=0.01))


@pytest.mark.parametrize("name", GENERATORS)
def test_an_output_without_a_signal_is_not_refused_and_plays_again(opener: Any, name: str) -> None:
    """Inputs that are not driven are terminated by it; few generators take a sine of 0 V."""
    generator, dialect = opener(name)
    generator.sine(1, 1000.0, 0.5)
    generator.enable(1, True)
    generator.sine(1, 1000.0, 0.0)

    def shape() -> str:
        it = getattr(dialect, "output", [None])[0]
        return str(getattr(it, "function", getattr(it, "kind", "")))

    if generator.driver.generator.least_level is not None:
        assert eventually(lambda: shape() == "DC")
    else:
        assert eventually(lambda: _truth(dialect, 1)[1] == 0.0)
    generator.sine(1, 1000.0, 0.25)
    assert eventually(
        lambda: _truth(dialect, 1) == (pytest.approx(1000.0), pytest.approx(0.25, rel=1e-3), True)
    )
    assert shape() != "DC"


@pytest.mark.parametrize("name", GENERATORS)
def test_one_output_goes_on_and_off_without_the_other(opener: Any, name: str) -> None:
    generator, dialect = opener(name)
    generator.make_safe()
    generator.enable(2, True)
    assert eventually(lambda: _on(dialect) == [False, True])
    generator.enable(1, True)
    assert eventually(lambda: _on(dialect) == [True, True])
    generator.enable(2, False)
    assert eventually(lambda: _on(dialect) == [True, False])


@pytest.mark.parametrize("name", GENERATORS)
def test_safe_means_both_outputs_off(opener: Any, name: str) -> None:
    generator, dialect = opener(name)
    generator.enable(1, True)
    generator.enable(2, True)
    generator.make_safe()
    assert eventually(lambda: _on(dialect) == [False, False])


@pytest.mark.parametrize("name", GENERATORS[:3])
def test_a_square_has_its_level_too(opener: Any, name: str) -> None:
    generator, dialect = opener(name)
    generator.square(1, 1000.0, 0.5)
    if hasattr(dialect, "main"):
        assert (dialect.main.kind, dialect.main.volts_pp) == (1, pytest.approx(1.0, rel=1e-3))
    else:
        assert eventually(lambda: dialect.output[0].volts_rms == pytest.approx(0.5, rel=1e-3))


def test_bursts_are_cycles_and_a_period(opener: Any) -> None:
    generator, dialect = opener("rigol-dg1000z")
    generator.burst(1, 1000.0, 1.0, 20, 0.5)
    output = dialect.output[0]
    assert (output.burst, output.cycles, output.period) == (True, 20, 0.5)
    generator.sine(1, 1000.0, 1.0)
    assert not output.burst
    generator, dialect = opener("keysight-33500b")
    generator.burst(2, 1000.0, 1.0, 20, 0.5)
    output = dialect.output[1]
    assert (output.burst, output.cycles, output.period) == (True, 20, 0.5)
    generator, dialect = opener("siglent-sdg1000x")
    generator.burst(1, 1000.0, 1.0, 20, 0.5)
    assert eventually(lambda: dialect.output[0].burst.get("TIME") == "20")


def test_levels_are_meant_for_an_open_circuit(opener: Any) -> None:
    for name in ("rigol-dg1000z", "keysight-33500b"):
        _, dialect = opener(name)
        assert [math.isinf(output.load) for output in dialect.output] == [True, True]
    _, dialect = opener("siglent-sdg1000x")
    assert eventually(lambda: [output.load for output in dialect.output] == ["HZ", "HZ"])


def test_numbers_of_fixed_width_go_out_in_full(opener: Any) -> None:
    generator, dialect = opener("feeltech-fy6900")
    generator.sine(2, 1000.0, 1.0)
    assert "WFF00001000000000" in dialect.received
    assert dialect.auxiliary.microhertz == 1_000_000_000
