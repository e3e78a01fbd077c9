"""Distortion steps against what the simulated unit really does to a sine."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded
from seqrun.measure.distortion import check_agreement
from seqrun.steps.common.drive import Drive
from seqrun.steps.distortion import OVER_THD, Thd
from seqrun.steps.driven_noise import DrivenNoise
from seqrun.values import Bound, Limit, normal

Powered = Callable[..., Any]
LOW_BIAS = "bias_low@left=0.9"


def true_thd(unit: Any, channel: str, watts: float) -> float:
    """Percent, into the true load, with a pure sine."""
    volts = math.sqrt(watts * unit.truth.load_ohm(channel))
    return 100.0 * float(unit.truth.thd(channel, volts / unit.truth.gain(channel)))


def test_crossover_distortion_of_a_low_bias_is_read_within_its_uncertainty(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = powered(LOW_BIAS)
    true: list[float] = []
    taken = Drive.capture

    def watched(self: Drive, **given: Any) -> Any:
        waves = taken(self, **given)
        # At the level that is there, and as warm as the junctions are now: with the drive off the
        # idle current falls again, and the distortion at a watt is another.
        watts = waves["left"].rms_v ** 2 / unit.truth.load_ohm("left")
        true.append(true_thd(unit, "left", watts))
        return waves

    monkeypatch.setattr(Drive, "capture", watched)
    read = unit.do('[[step]]\nid = "d"\ndo = "thd"\npower = "1 W"\n').one("thd", "left")
    assert read.bound is Bound.EXACT
    assert read.value == pytest.approx(true[-1], abs=read.expanded_uncertainty)
    assert read.expanded_uncertainty < 0.1 * read.value


def test_a_healthy_unit_distorts_less_than_the_bench_can_tell(powered: Powered) -> None:
    unit = powered()
    read = unit.do('[[step]]\nid = "d"\ndo = "thd"\npower = "1 W"\n').one("thd", "left")
    assert read.bound is Bound.AT_MOST
    assert true_thd(unit, "left", 1.0) < read.value


def test_sinad_is_thd_plus_noise_turned_over(powered: Powered) -> None:
    read = powered(LOW_BIAS).do('[[step]]\nid = "d"\ndo = "sinad"\npower = "1 W"\n')
    thd_n = read.one("thd_n", "left").value
    assert read.one("sinad", "left").value == pytest.approx(-20.0 * math.log10(thd_n / 100.0))


def test_only_the_quantity_of_the_step_is_held_against_its_limit(powered: Powered) -> None:
    limit = 'limit = { at_most = "10 %" }'
    read = powered(LOW_BIAS).do(f'[[step]]\nid = "d"\ndo = "thd_n"\n{limit}\n')
    held = {j.reading.quantity for j in read.judged if j.limit is not None}
    assert held == {"thd_n"}


def test_low_bias_makes_two_tones_modulate_each_other(powered: Powered) -> None:
    text = '[[step]]\nid = "i"\ndo = "intermodulation"\npower = "1 W"\n'
    read = powered(LOW_BIAS).do(text)
    bad, good = read.one("intermodulation", "left"), read.one("intermodulation", "right")
    assert bad.bound is Bound.EXACT
    assert bad.value > good.value


def test_intermodulation_over_distortion_of_one_curvature_by_algebra() -> None:
    # y = x + a x² with 0.8 and 0.2: side lines 2·(a·0.8·0.2) over 0.2; second harmonic a/2.
    second = 2.0 * 0.8 * 0.2 / 0.2 / 0.5
    # y = x + b x³: side lines 2·(3/4·b·0.8²·0.2) over 0.2; third harmonic b/4.
    third = 2.0 * 0.75 * 0.8**2 * 0.2 / 0.2 / 0.25
    assert OVER_THD["modulation"] == pytest.approx(max(second, third))


def test_two_readings_of_one_record_that_disagree_are_no_measurement() -> None:
    one = Bounded(normal(0.010, 1e-5, "noise"))
    check_agreement(one, Bounded(normal(0.01001, 1e-5, "noise")))
    with pytest.raises(NotMeasured, match="by sine fits"):
        check_agreement(one, Bounded(normal(0.012, 1e-5, "noise")))


def test_distortion_without_a_load_is_not_measured(powered: Powered) -> None:
    text = '[[step]]\nid = "d"\ndo = "thd"\npower = "10 W"\n'
    reason = powered("load_missing@left", "load_missing@right").do(text).reason()
    assert "supply gives only" in reason


def test_harmonics_may_be_told_apart_by_a_tenth_of_the_noise_allowed_beside_them() -> None:
    """12.7 mV beside 12.7 V are 0.1 %: a thousandth of a percent between the two is no noise."""
    noise = DrivenNoise.model_validate({"id": "n", "do": "driven_noise", "power": "20 W"})
    thd = Thd.model_validate({"id": "t", "do": "thd", "power": "20 W"})
    held: Any = SimpleNamespace(limit=Limit(high=12.7e-3))
    none: Any = SimpleNamespace(limit=None)
    assert noise.slack(held, 12.7) == pytest.approx(1e-4)
    assert noise.slack(none, 12.7) == 0.0
    assert thd.slack(held, 12.7) == 0.0
