"""Rises, their ends and their currents by value, and where each rule turns."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import curve_fit
from uncertainties import UFloat, ufloat

from seqrun.errors import NotMeasured
from seqrun.measure import (
    heat,
    saturating,
)
from seqrun.values import budget_of, exactly, student

RATE = 10e3


def white(sd: float, points: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, points)


def test_a_saturating_curve_is_fitted_as_by_any_least_squares() -> None:
    x = np.linspace(0.0, 3.0, 60)
    y = 1.0 + 5.0 * -np.expm1(-0.8 * x) + white(0.02, 60)
    theirs, covariance = curve_fit(
        lambda t, rise, rate, start: start - rise * np.expm1(-rate * t), x, y, (4.0, 1.0, 0.0)
    )
    found = saturating.fit_saturating(x, y)
    assert (found.rise, found.rate, found.start) == pytest.approx(tuple(theirs), rel=1e-5)
    assert found.covariance == pytest.approx(covariance, rel=1e-3)
    assert found.standard_deviations() == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)
    rest = y - found.start + found.rise * np.expm1(-found.rate * x)
    assert found.residual_sd == pytest.approx(math.sqrt(float(rest @ rest) / 57.0))
    assert found.correlation == pytest.approx(float(rest[1:] @ rest[:-1]) / float(rest @ rest))
    assert found.degrees_of_freedom == 57


def test_what_does_not_bend_or_is_a_step_is_no_saturating_curve() -> None:
    x = np.linspace(0.0, 1.0, 30)
    for y, words in (
        (x, "the curve does not bend"),
        (np.where(x > 0.0, 1.0, 0.0), "the curve is a step"),
    ):
        with pytest.raises(NotMeasured, match=words):
            saturating.fit_saturating(x, y)
    with pytest.raises(NotMeasured, match="all points at one time"):
        saturating.fit_saturating(np.ones(10), np.arange(10.0))


def rising(times: np.ndarray, end: float = 30.0, tau: float = 600.0) -> np.ndarray:
    return end * -np.expm1(-times / tau)


@pytest.mark.parametrize(("seen", "enough"), [(0.69, False), (0.71, True)])
def test_a_rise_is_predicted_from_seven_tenths_of_its_time_constant(
    seen: float, enough: bool
) -> None:
    t = np.linspace(0.0, seen * 600.0, 60)
    if enough:
        found = heat.predict_rise(t, rising(t))
        assert found.tau_s.nominal_value == pytest.approx(600.0, rel=1e-3)
        assert found.last_s == pytest.approx(seen * 600.0)
        return
    with pytest.raises(NotMeasured, match="time constants seen"):
        heat.predict_rise(t, rising(t))


def test_of_a_rise_of_one_constant_a_tenth_of_what_is_to_come_is_left_to_the_model() -> None:
    t = np.linspace(0.0, 900.0, 120)
    found = heat.predict_rise(t, rising(t)).end_k
    (u,) = [
        c.standard_uncertainty for c in budget_of(found) if c.source.name == "one time constant"
    ]
    assert u == pytest.approx(0.1 * 30.0 * math.exp(-1.5) / math.sqrt(3.0), rel=1e-3)


@pytest.mark.parametrize("end_s", [300.0, 900.0, 3000.0])
def test_better_cooling_leads_by_the_equation_that_it_states(end_s: float) -> None:
    """d' = −d − y ln y from nothing, step by step (Euler, a thousand steps to a constant)."""
    times = np.linspace(0.0, end_s / 600.0, 7)
    lead, at, step = 0.0, 0.0, 1e-3
    told = []
    for wanted in times:
        while at < wanted - step / 2.0:
            y = max(-math.expm1(-at), 1e-12)
            lead += step * (-lead - y * math.log(y))
            at += step
        told.append(lead)
    assert heat._better_cooling(times) == pytest.approx(told, abs=2e-3)


def test_a_drift_of_the_room_is_carried_on_by_what_half_a_kelvin_an_hour_makes_of_the_end() -> None:
    """The larger of both directions: once it is taken for the beginning of more."""
    t, since, trial = np.linspace(0.0, 900.0, 90), 120.0, 0.5 / 3600.0
    down, plain, up = (
        float(heat.predict_rise(t, rising(t) + k * (t + since)).end_k.nominal_value)
        for k in (-trial, 0.0, trial)
    )
    found = heat.drift_carried(t, rising(t), since)
    assert found == pytest.approx(max(abs(down - plain), abs(up - plain)) / trial)
    assert found > 900.0 + since


def test_a_record_that_is_just_long_enough_also_tells_what_a_drift_makes_of_it() -> None:
    """With a drift added it shows a little less of its bend: a healthy soak that ended as soon as
    it could was not measured for that."""
    t = np.linspace(0.0, 0.71 * 600.0, 90)
    y = rising(t, end=5.0)
    with pytest.raises(NotMeasured, match="time constants seen"):
        heat.predict_rise(t, y + 0.5 / 3600.0 * t)
    assert heat.predict_rise(t, y).end_k.nominal_value > 4.0
    assert heat.drift_carried(t, y, 60.0) > 0.71 * 600.0


def test_a_drift_of_one_direction_is_enough_where_the_other_leaves_no_bend() -> None:
    t = np.linspace(0.0, 900.0, 90)

    def end_of(times: np.ndarray, rises: np.ndarray) -> UFloat:
        if rises[-1] > 1.0001:
            raise NotMeasured("no bend")
        return ufloat(20.0 + 3.0 * (rises[-1] - 1.0), 0.1)

    flat = np.ones_like(t)
    assert heat.drift_carried(t, flat, 100.0, end_of) == pytest.approx(3.0 * 1000.0)
    with pytest.raises(NotMeasured, match="no bend"):
        heat.drift_carried(t, flat + 1.0, 100.0, end_of)


@pytest.mark.parametrize(("change", "settled"), [(2.99, True), (3.01, False)])
def test_a_rise_has_settled_at_three_kelvins_in_thirty_minutes(
    change: float, settled: bool
) -> None:
    t = np.linspace(0.0, 1800.0, 31)
    assert heat.settled_rise(t, 20.0 + change * t / 1800.0).settled is settled
    falling = heat.settled_rise(t, 20.0 - change * t / 1800.0)
    assert falling.settled is settled


@pytest.mark.parametrize(("seconds", "enough"), [(1799.0, False), (1800.0, True)])
def test_thirty_minutes_are_looked_at_to_call_a_rise_settled(seconds: float, enough: bool) -> None:
    t = np.linspace(0.0, seconds, 31)
    if enough:
        assert heat.settled_rise(t, np.full(31, 20.0)).settled
        return
    with pytest.raises(NotMeasured, match="at least 30 min"):
        heat.settled_rise(t, np.full(31, 20.0))


def climbing(late: float, n: int = 60) -> tuple[np.ndarray, np.ndarray]:
    """A current whose slope falls from 1 to ``late`` for the last third, in scatter."""
    t = np.arange(float(n))
    y = np.where(t < 2 * n / 3, t, 2 * n / 3 + late * (t - 2 * n / 3))
    return t, y + 1.9 * np.where(np.arange(n) % 2, 1.0, -1.0)


@pytest.mark.parametrize(("late", "climbs"), [(0.7, False), (0.9, True), (-0.5, False)])
def test_a_current_that_slows_down_by_a_fifth_does_not_climb_on(late: float, climbs: bool) -> None:
    """In so much scatter the difference by itself says nothing."""
    assert heat.still_climbing(*climbing(late)) is climbs


@pytest.mark.parametrize(("n", "says"), [(14, False), (15, True)])
def test_fewer_than_fifteen_readings_of_a_current_say_nothing(n: int, says: bool) -> None:
    assert heat.still_climbing(np.arange(float(n)), np.arange(float(n))) is says


@pytest.mark.parametrize(("least", "runs"), [(2.99, True), (3.01, False)])
def test_a_runaway_has_to_grow_by_what_is_worth_the_word(least: float, runs: bool) -> None:
    """Flat, then 1 a second: from the sixth reading to the ninth it grows by three."""
    t = np.arange(12.0)
    y = np.concatenate([np.zeros(6), 0.6 * np.arange(6.0)])
    assert heat.runaway(t, y, least_growth=least).running_away is runs
    assert not heat.runaway(t, -y).running_away


def test_a_bend_is_lost_in_scatter_that_leaves_its_rate_open_by_three_tenths() -> None:
    t = np.linspace(0.0, 900.0, 40)
    shape = white(1.0, 40, 7)
    seen = set()
    for scatter in np.linspace(0.2, 4.0, 30):
        y = rising(t) + scatter * shape
        try:
            fit = saturating.fit_saturating(t, y)
        except NotMeasured:
            continue
        open_by = math.sqrt(float(fit.covariance[1, 1])) / fit.rate
        if fit.rate * 900.0 < 0.7:
            continue
        lost = False
        try:
            heat.predict_rise(t, y)
        except NotMeasured as reason:
            lost = "lost in its scatter" in str(reason)
        assert lost is (open_by > 0.3), (scatter, open_by)
        seen.add((lost, 0.2 < open_by < 0.45))
    assert {(True, True), (False, True)} <= seen


def one_constant_of(found: object) -> float:
    (u,) = [
        c.standard_uncertainty
        for c in budget_of(found)  # type: ignore[arg-type]
        if c.source.name == "one time constant"
    ]
    return u


@pytest.mark.parametrize(
    ("fast_k", "seconds", "goes_by"),
    [
        (0.0, 1200.0, "the whole"),
        (0.0, 3000.0, "the whole"),  # hardly anything is still to come
        (6.0, 1200.0, "its later part"),
    ],
)
def test_what_the_model_of_one_constant_leaves_open_is_half_of_what_its_later_part_says(
    fast_k: float, seconds: float, goes_by: str
) -> None:
    """A fast part of 60 s beside the sink's: the fit without the first third ends elsewhere."""
    t = np.linspace(0.0, seconds, 120)
    y = rising(t) + rising(t, fast_k, 60.0) + white(0.02, 120, 3)
    whole = saturating.fit_saturating(t, y)
    late = t >= seconds / 3.0
    tail = saturating.fit_saturating(t[late], y[late])
    change = abs(tail.start + tail.rise - whole.start - whole.rise)
    hang = min(max(tail.correlation, 0.0), 0.9)
    c = tail.covariance * (1.0 + hang) / (1.0 - hang)
    known = math.sqrt(c[0, 0] + c[2, 2] + 2.0 * c[0, 2])
    fit, half = (whole, min(change, known)) if goes_by == "the whole" else (tail, change)
    assert (change > 2.0 * known) is (goes_by != "the whole")
    found = heat.predict_rise(t, y)
    assert found.fit.rise == pytest.approx(fit.rise)
    to_come = fit.rise * math.exp(-fit.rate * seconds)
    u = math.hypot(half / 2.0 / math.sqrt(3.0), 0.1 * to_come / math.sqrt(3.0))
    assert one_constant_of(found.end_k) == pytest.approx(u, rel=1e-3)


def test_a_reading_before_the_window_does_not_count_against_a_settled_rise() -> None:
    t = np.arange(0.0, 1861.0, 60.0)
    y = np.full(t.size, 20.0)
    y[0] = 100.0  # 31 min ago
    found = heat.settled_rise(t, y)
    assert found.settled
    assert found.change_k.nominal_value == pytest.approx(0.0)
    y[0], y[1] = 20.0, 60.0  # 30 min ago
    assert not heat.settled_rise(t, y).settled


@pytest.mark.parametrize("first", [5.0, -5.0])
def test_how_a_current_began_is_none_of_its_slowing_down(first: float) -> None:
    """The last third is held against the one before it."""
    t, y = climbing(0.9)
    begun = np.where(t < 20.0, first * (t - 20.0), 0.0)
    assert heat.still_climbing(t, y + begun)


# --- records that do not begin at nought, and what is left of a rise ------------------------------

LATER = 7200.0  # s: two hours into a run


def test_whether_it_has_settled_climbs_or_runs_away_is_the_same_whenever_the_record_begins() -> (
    None
):
    for late, climbs in ((0.7, False), (0.9, True)):
        times, amperes = climbing(late)
        assert heat.still_climbing(times + LATER, amperes) is climbs
    t = np.linspace(0.0, 1800.0, 31)
    for change, settled in ((2.99, True), (3.01, False)):
        assert heat.settled_rise(t + LATER, 20.0 + change * t / 1800.0).settled is settled
    t = np.arange(12.0)
    y = np.concatenate([np.zeros(6), 0.6 * np.arange(6.0)])
    for least, runs in ((2.99, True), (3.01, False)):
        assert heat.runaway(t + LATER, y, least_growth=least).running_away is runs


def test_a_rise_that_no_longer_bends_ends_at_its_last_tenth_and_by_as_much_again_as_it_moved() -> (
    None
):
    """A straight line of 1.2 K in 30 min with readings a twentieth to either side of it."""
    t = np.arange(0.0, 1801.0, 60.0)
    tooth = np.where(np.arange(t.size) % 2, 0.05, -0.05)
    y = 20.0 + 1.2 * t / 1800.0 + tooth
    slope, begin = np.polyfit(t, y, 1)
    rest = y - begin - slope * t
    found = heat.settled_rise(t, y, systematic=exactly(0.5))
    assert found.change_k.nominal_value == pytest.approx(slope * 1800.0)
    assert found.rise_k.nominal_value == pytest.approx(float(y[-4:].mean()) + 0.5)  # three minutes
    budget = {c.source.name: c for c in budget_of(found.rise_k)}
    assert budget["still to come"].standard_uncertainty == pytest.approx(
        slope * 1800.0 / math.sqrt(3.0)
    )
    scatter = math.sqrt(float(rest @ rest) / 29.0 / 4.0) * student(29.0)
    assert budget["scatter of the rise"].standard_uncertainty == pytest.approx(scatter)
    assert budget["scatter of the rise"].source.degrees_of_freedom == 29.0


def test_a_rise_that_still_bends_ends_where_its_curve_does() -> None:
    t = np.arange(0.0, 1801.0, 20.0)
    y = 20.0 + rising(t, 2.5, 700.0)
    found = heat.settled_rise(t + LATER, y)
    assert found.settled
    end = heat.predict_rise(t, y).end_k
    assert found.rise_k.nominal_value == pytest.approx(end.nominal_value, rel=1e-6)
    assert abs(end.nominal_value - 22.5) < 2.0 * end.std_dev < 0.5
    assert "still to come" not in {c.source.name for c in budget_of(found.rise_k)}


def test_what_no_longer_bends_late_leaves_the_fit_as_far_off_as_its_last_reading() -> None:
    """Three constants of 130 s, and from then on a straight line."""
    t = np.linspace(0.0, 1200.0, 121)
    y = rising(np.minimum(t, 380.0), 30.0, 130.0) + 2e-3 * np.maximum(t - 380.0, 0.0)
    fit = saturating.fit_saturating(t, y)
    off = abs(fit.start + fit.rise - float(y[-1])) / math.sqrt(3.0)
    assert off > 0.05
    to_come = fit.rise * math.exp(-fit.rate * 1200.0)
    u = math.hypot(off, 0.1 * to_come / math.sqrt(3.0))
    assert one_constant_of(heat.predict_rise(t, y).end_k) == pytest.approx(u, rel=1e-3)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_bias_that_is_late_takes_back_its_delay_over_how_the_heatsink_slows_down(
    sign: float,
) -> None:
    """1 A at 0.0811 A/A·K held: 30 s late, 600 s from an average of 0.02 K/s to half of it."""
    t = np.linspace(0.0, 1200.0, 13)
    slows = np.where(t <= 600.0, 0.02 * t, 12.0 + 0.01 * (t - 600.0))
    held = 2.1e-3 / 0.0259
    found = heat.bias_behind(t + LATER, 40.0 + sign * slows, 0.5)
    assert found == pytest.approx(0.5 * held * 30.0 * math.log(2.0) / 600.0)
    assert heat.bias_behind(t, 40.0 + sign * slows, 0.5, 10.0) == pytest.approx(found / 3.0)
    assert heat.bias_behind(t, 40.0 + sign * 0.02 * t, 0.5) == pytest.approx(0.0, abs=1e-12)
    for still in (np.minimum(t, 600.0), np.maximum(t, 600.0)):  # one half stands still
        stood = heat.bias_behind(t, 40.0 + sign * 0.02 * still, 0.5)
        assert stood == pytest.approx(0.5 * held * 30.0 / 1200.0)
    speeds = np.where(t <= 600.0, 0.01 * t, 6.0 + 0.02 * (t - 600.0))
    assert heat.bias_behind(t, 40.0 + sign * speeds, 0.5) == pytest.approx(found)


@pytest.mark.parametrize("seconds", [500.0, 1200.0])
def test_a_fall_is_predicted_as_a_rise_is(seconds: float) -> None:
    """A sink that cools: everything the other way up, and as sure."""
    t = np.linspace(0.0, seconds, 120)
    y = rising(t) + rising(t, 2.0, 60.0) + white(0.02, 120, 3)
    up, down = heat.predict_rise(t, y), heat.predict_rise(t, -y)
    assert down.end_k.nominal_value == pytest.approx(-up.end_k.nominal_value, rel=1e-6)
    names = [(c.source.name, c.standard_uncertainty) for c in budget_of(up.end_k)]
    for (name, u), other in zip(names, budget_of(down.end_k), strict=True):
        assert (other.source.name, other.standard_uncertainty) == (name, pytest.approx(u, rel=1e-4))
    t = np.arange(0.0, 1801.0, 20.0)
    y = rising(t, 2.5, 700.0)
    up, down = heat.settled_rise(t, y).rise_k, heat.settled_rise(t, -y).rise_k
    assert down.nominal_value == pytest.approx(-up.nominal_value, rel=1e-6)
    assert down.std_dev == pytest.approx(up.std_dev, rel=1e-4)


def test_residuals_that_hang_together_widen_the_fit_by_what_a_first_order_process_does() -> None:
    """√((1 + r)/(1 − r)) of the fit's own, r the correlation of neighbours."""
    t = np.linspace(0.0, 1800.0, 120)
    noise = white(0.05, 123, 5)
    y = rising(t) + (noise[3:] + noise[2:-1] + noise[1:-2] + noise[:-3]) / 2.0
    found = heat.predict_rise(t, y)
    fit, c = found.fit, found.fit.covariance
    assert 0.3 < fit.correlation < 0.9
    wider = math.sqrt((1.0 + fit.correlation) / (1.0 - fit.correlation))
    (line,) = [b for b in budget_of(found.start_k) if b.source.name == "fit of the rise"]
    assert line.standard_uncertainty == pytest.approx(wider * math.sqrt(c[2, 2]))
    assert line.source.degrees_of_freedom == 117.0
    (line,) = [b for b in budget_of(found.tau_s) if b.source.name == "fit of the rise"]
    assert line.standard_uncertainty == pytest.approx(wider * math.sqrt(c[1, 1]) / fit.rate**2)


def test_a_later_part_whose_bend_is_lost_says_nothing_against_the_whole() -> None:
    t = np.linspace(0.0, 540.0, 60)
    y = rising(t) + white(0.5, 60, 2)
    late = t >= 180.0
    tail = saturating.fit_saturating(t[late], y[late])
    assert math.sqrt(tail.covariance[1, 1]) > 0.3 * tail.rate
    found = heat.predict_rise(t, y)
    to_come = found.fit.rise * math.exp(-found.fit.rate * 540.0)
    assert one_constant_of(found.end_k) == pytest.approx(0.1 * to_come / math.sqrt(3.0), rel=1e-3)


def test_what_no_line_goes_through_is_refused() -> None:
    with pytest.raises(NotMeasured, match="no spread in the abscissa"):
        heat.slope(np.ones(5), np.arange(5.0))
    with pytest.raises(NotMeasured, match="4 points"):
        heat.slope(np.arange(4.0), np.arange(4.0))
    t = np.concatenate([np.arange(0.0, 100.0, 10.0), [1000.0, 1900.0, 2000.0]])
    with pytest.raises(NotMeasured, match="3 readings in the window"):
        heat.settled_rise(t, np.full(t.size, 20.0))
    short = np.linspace(LATER, LATER + 1799.0, 31)
    with pytest.raises(NotMeasured, match=r"30 min of rise|at least 30 min"):
        heat.settled_rise(short, np.full(31, 20.0))
