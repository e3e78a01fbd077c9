"""What the plan forecasts for a reading is about what the reading then carries."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.files.bench.load import bench_from_text
from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.load import sequence_from_text
from seqrun.plan.build import build
from seqrun.plan.needs import Unforecast
from seqrun.plan.outlook import outlooks
from seqrun.runner.opening import read_bench
from seqrun.steps.base import kinds

Powered = Callable[..., Any]
STEPS = {
    "gain": ('do = "gain"', "gain"),
    "gain_by_meter": ('do = "gain"\nby = "meter"', "gain"),
    "balance": ('do = "channel_balance"', "channel_balance"),
    # enough repeats that their own scatter is known
    "balance_by_meter": ('do = "channel_balance"\nby = "meter"\nrepeats = 30', "channel_balance"),
    "flatness": ('do = "frequency_response"\nlow = "20 Hz"\nhigh = "20 kHz"', "flatness"),
    "efficiency": ('do = "efficiency"\npower = "10 W"', "efficiency"),
    "rail": ('do = "dc_voltage"\nat = "rail.pos"\nexpect = "30 V"', "dc_voltage"),
    "phones": ('each = "channel"\ndo = "gain_to"\nat = "out.{channel}"', "gain_to_point"),
    "heat": ('do = "dissipation"', "dissipation"),
    "overload": ('do = "overload"', "overload_sticks"),
}


@pytest.mark.parametrize("name", STEPS)
def test_the_forecast_uncertainty_is_that_of_the_reading(powered: Powered, name: str) -> None:
    text, quantity = STEPS[name]
    unit = powered(seed=1000 + list(STEPS).index(name))  # its own, so that no order changes it
    name = "x.{channel}" if "each" in text else "x"
    entry = f'[[step]]\nid = "{name}"\n{text}\n'
    forecast, *_ = unit.forecasts(entry)
    for reading in unit.do(entry).all(quantity):
        ratio = reading.expanded_uncertainty / forecast.expanded_uncertainty
        assert 0.7 < ratio < 1.5


@pytest.mark.parametrize(
    ("kind", "power"), [("gain_drift", "1 W"), ("gain_with_level", "0.8 * rated_power")]
)
def test_a_change_of_the_gain_is_forecast_as_none_with_the_uncertainty_of_its_reading(
    powered: Powered, kind: str, power: str
) -> None:
    steps = (
        '[[step]]\nid = "one"\ndo = "gain"\npower = "1 W"\n'
        f'[[step]]\nid = "other"\ndo = "gain"\npower = "{power}"\n'
        f'[[step]]\nid = "change"\ndo = "{kind}"\nof = "other"\nagainst = "one"\n'
    )
    unit = powered(seed=1100)
    assert unit.needs(steps)[-1].seconds == 0.0  # of what was read already
    forecast = unit.forecasts(steps)[-1]
    assert forecast.value == 0.0
    for reading in unit.do(steps).all(kind):
        assert 0.7 < reading.expanded_uncertainty / forecast.expanded_uncertainty < 1.2


RATES = {  # exp(-3.78) = 2.3 %: nothing heard for T leaves 3.78 / T possible (Poisson)
    "bursts": ('do = "output_bursts"\nwatch = "63 s"', 63.0),
    "at one point": ('do = "noise_bursts"\nat = "out.left"\nwatch = "21 s"', 21.0),
    "crackles": ('do = "crackles"\nof = "soak"', 126.0),
    "drop-outs": ('do = "drop_outs"\nof = "soak"', 126.0),
}


@pytest.mark.parametrize("name", RATES)
def test_a_rate_is_forecast_by_what_silence_for_as_long_leaves_possible(
    powered: Powered, name: str
) -> None:
    text, listened_s = RATES[name]
    soak = (
        '[[step]]\nid = "soak"\ndo = "soak"\nambient = "ambient"\nlisten = "126 s"\n'
        'power = "rated_power / 8"\nat_most = "20 min"\n'
    )
    steps = '[[step]]\nid = "ambient"\ndo = "temperature"\nat = "sensor.ambient"\n' + soak
    forecast = powered(seed=7).forecasts(f'{steps}[[step]]\nid = "x"\n{text}\n')[-1]
    assert forecast.value + forecast.expanded_uncertainty == pytest.approx(
        3.78 / listened_s, rel=0.01
    )


def test_a_soak_that_does_not_listen_tells_no_rate(powered: Powered) -> None:
    steps = (
        '[[step]]\nid = "ambient"\ndo = "temperature"\nat = "sensor.ambient"\n'
        '[[step]]\nid = "soak"\ndo = "soak"\nambient = "ambient"\nat_most = "20 min"\n'
        '[[step]]\nid = "x"\ndo = "drop_outs"\nof = "soak"\n'
    )
    assert isinstance(powered(seed=7).forecasts(steps)[-1], Unforecast)


def test_a_scope_of_eight_bits_is_not_asked_to_prove_a_tenth_of_a_percent() -> None:
    files = read_bench("demo", None)
    text = files.view.bench.text
    eight = bench_from_text(text.replace('"generic-scope"', '"generic-scope-8bit"'), "bench")
    view = files.view.__class__(
        eight,
        files.view.unit,
        {**files.view.drivers, "scope": read_driver("generic-scope-8bit")},
    )
    sequence = sequence_from_text(
        'title = "t"\nrevision = "A"\ndecision = "guarded"\n'
        '[[step]]\nid = "protection"\ndo = "protect_supply"\nover_voltage = "33 V"\n'
        'over_current = "3 A"\n'
        '[[step]]\nid = "loads"\ndo = "load_resistance"\n'
        '[[step]]\nid = "up"\ndo = "ramp_supply"\nto = "rail_voltage"\nhealthy_current = "1 A"\n'
        '[[step]]\nid = "d"\ndo = "thd_n"\nlimit = { at_most = "0.1 %" }\n',
        kinds(),
    )
    for bench, word in ((view, "CANNOT DECIDE"), (files.view, "weak")):
        plan = build(sequence, bench, expand_all(sequence, bench.unit))
        (outlook,) = outlooks(plan)
        assert outlook.word == word


def read_driver(name: str) -> Any:
    from seqrun.files.driver.load import load_driver
    from seqrun.files.shipped import find

    return load_driver(find("driver", name))
