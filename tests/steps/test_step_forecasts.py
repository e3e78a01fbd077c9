"""What the plan forecasts for a reading is about what the reading then carries."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.files.bench.load import bench_from_text
from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.load import sequence_from_text
from seqrun.plan.build import build
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
