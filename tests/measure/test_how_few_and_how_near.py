"""How few readings tell something, and where a rule begins to say something else: both sides."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import curve_fit

from seqrun.errors import NotMeasured
from seqrun.measure import (
    banks,
    distortion,
    headroom,
    heat,
    hunting,
    intermodulation,
    levels,
    lines,
    listening,
    noise,
    polarity,
    power,
    saturating,
    settle,
    sinefit,
    spectrum,
    transfer,
    trend,
    windows,
)
from seqrun.measure.bounds import Bounded
from seqrun.values import Bound, budget_of, exactly, normal

RATE = 10e3


def sine(hertz: float, points: int, rate_hz: float = RATE, peak: float = 1.0) -> np.ndarray:
    return peak * np.sin(2.0 * np.pi * hertz * np.arange(points) / rate_hz)


def white(sd: float, points: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, points)


def bend(n: int) -> tuple[np.ndarray, np.ndarray]:
    x = np.linspace(0.0, 2.0, n)
    return x, 1.0 - np.exp(-x)


def gains(n: int) -> list[object]:
    return [normal(1.0, 1e-3, f"{k}") for k in range(n)]


#: what is done with so many readings, and how many it wants
FEWEST: dict[str, tuple[int, Callable[[int], object]]] = {
    "a runaway": (10, lambda n: heat.runaway(np.arange(float(n)), np.arange(float(n)) ** 2)),
    "a slope": (5, lambda n: heat.slope(np.arange(float(n)), np.arange(float(n)))),
    "a settled rise": (
        5,
        lambda n: heat.settled_rise(np.linspace(0.0, 1800.0, n), np.full(n, 20.0)),
    ),
    "a settled rise's window": (
        5,
        lambda n: heat.settled_rise(
            np.concatenate([np.arange(9.0), np.linspace(9000.0, 10_800.0, n)]), np.full(n + 9, 2.0)
        ),
    ),
    "a saturating curve": (5, lambda n: saturating.fit_saturating(*bend(n))),
    "a response": (
        3,
        lambda n: transfer.frequency_response([500.0, 1000.0, 2000.0, 4000.0][:n], gains(n)),
    ),
    "a playback curve": (
        2,
        lambda n: transfer.riaa_deviation([500.0, 1000.0, 2000.0][:n], gains(n)),
    ),
    "volume tracking": (2, lambda n: transfer.volume_tracking(gains(n), gains(n))),
    "louder records": (3, lambda n: hunting.level_change([1.0] * n, [1.0, 1.1, 1.2])),
    "records at rest": (3, lambda n: hunting.level_change([1.0, 1.1, 1.2], [1.0] * n)),
    "frames of bursts": (
        50,
        lambda n: noise.find_bursts(white(1.0, n * 50), RATE),
    ),
    "parallel devices": (2, lambda n: levels.shares(gains(n))),
    "periods of ripple": (4, lambda n: levels.ripple(sine(50.0, n * 200), RATE)),
    "periods of hum": (10, lambda n: lines.hum(sine(50.0, n * 200) + white(0.1, n * 200), RATE)),
    "periods of power": (16, lambda n: power.true_rms(sine(100.0, n * 100), RATE, 100.0)),
    "levels of power": (
        2,
        lambda n: power.power_at_distortion(
            [power.PowerPoint(exactly(w), exactly(1e-3)) for w in (1.0, 2.0, 3.0)[:n]], 0.01
        ),
    ),
    "levels of clipping": (
        2,
        lambda n: power.clipping_onset(
            [
                power.PowerPoint(exactly(w), exactly(d))
                for w, d in ((50.0, 0.05), (10.0, 1e-4), (5.0, 1e-4))[:n]
            ]
        ),
    ),
    "samples of a sine": (16, lambda n: sinefit.check_record(np.ones(n), RATE, None, False)),
    "periods of a sine": (
        2,
        lambda n: sinefit.check_record(np.ones(n * 100), RATE, 100.0, False),
    ),
    "readings of a trend": (3, lambda n: trend.line(np.arange(float(n)), np.arange(float(n)))),
    "samples of a burst's cycle": (
        10,
        lambda n: polarity.burst_polarity(
            np.concatenate([np.zeros(3 * n), sine(1.0, n, float(n)), np.zeros(3 * n)]),
            float(n),
            1.0,
        ),
    ),
    "bins of a noise": (
        20,
        lambda n: noise.noise_level(white(1.0, 2000), RATE, band_hz=(22.0, 22.0 + 5.0 * n - 2.0)),
    ),
    "bins that hold a line": (
        200,
        lambda n: lines.find_lines(
            white(1.0, 4000), RATE, low_hz=1000.0, high_hz=1000.0 + 2.5 * (n - 1) + 1.0
        ),
    ),
    "periods of fitted distortion": (
        20,
        lambda n: distortion.distortion_by_fit(
            sine(100.0, n * 100) + white(1e-3, n * 100), RATE, 100.0
        ),
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", FEWEST)
def test_so_few_are_enough_and_one_less_is_not(what: str) -> None:
    fewest, of = FEWEST[what]
    of(fewest)
    with pytest.raises(NotMeasured):
        of(fewest - 1)


def test_four_readings_that_stand_still_have_not_settled_and_five_have() -> None:
    for n, settled in ((4, False), (5, True)):
        found = settle.settling(list(range(n)), [1.0] * n, within=0.1, for_s=n - 1.0)
        assert (found.settled, found.readings) == (settled, n)
    at_once = settle.settling([1.0] * 6, [1.0] * 6, within=0.1, for_s=5.0)
    assert (at_once.settled, at_once.span_s) == (False, 0.0)
    assert math.isinf(at_once.change_u)
    assert not settle.settling([], [], within=0.1, for_s=5.0).settled


@pytest.mark.parametrize(("span", "settled"), [(8.9, False), (9.0, True)])
def test_a_window_is_full_at_nine_tenths(span: float, settled: bool) -> None:
    times = np.linspace(0.0, span, 10).tolist()
    assert settle.settling(times, [1.0] * 10, within=0.1, for_s=10.0).settled is settled


def test_what_belongs_together_comes_in_equal_numbers() -> None:
    with pytest.raises(NotMeasured):
        transfer.frequency_response([500.0, 1000.0, 2000.0], gains(4))
    with pytest.raises(NotMeasured):
        transfer.riaa_deviation([500.0, 1000.0], gains(3))
    for volts, amperes in (([], []), (gains(2), gains(1)), (gains(1), gains(2))):
        with pytest.raises(NotMeasured, match="voltages and"):
            power.supply_power(volts, amperes)
    assert power.supply_power(gains(1), gains(1)).nominal_value == 1.0


def test_two_frequencies_within_the_band_make_a_flatness_and_one_does_not() -> None:
    """20 Hz to 20 kHz; what lies outside is none of it."""
    loud = normal(2.0, 1e-3, "loud")
    for edge, inside in ((20.0, True), (19.9, False), (20_000.0, True), (20_100.0, False)):
        rest = [500.0, 1000.0]
        hertz = sorted([*rest, edge])
        levels_ = [loud if f == edge else normal(1.0, 1e-3, f"{f}") for f in hertz]
        found = transfer.frequency_response(hertz, levels_).flatness_db.nominal_value
        assert found == pytest.approx(6.02 if inside else 0.0, abs=0.03)
    with pytest.raises(NotMeasured, match="no frequencies in the band"):
        transfer.frequency_response([5.0, 10.0, 1000.0], gains(3))
    transfer.frequency_response([5.0, 25.0, 1000.0], gains(3))


def test_a_response_is_told_from_the_frequency_nearest_to_a_kilohertz() -> None:
    levels_ = [normal(g, 1e-6, f"{g}") for g in (1.0, 2.0, 4.0)]
    found = transfer.frequency_response([600.0, 1100.0, 3000.0], levels_)
    assert [round(r.nominal_value, 2) for r in found.relative_db] == [-6.02, 0.0, 6.02]
    curve = transfer.riaa_deviation([600.0, 1100.0, 3000.0], levels_)
    assert curve.deviations_db[1].nominal_value == 0.0


# --- heat --------------------------------------------------------------------------------------


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


# --- noise and bursts --------------------------------------------------------------------------


@pytest.mark.parametrize(("rate_hz", "enough"), [(44_000.0, True), (43_900.0, False)])
def test_noise_up_to_22_khz_wants_twice_as_many_samples(rate_hz: float, enough: bool) -> None:
    wave = white(1.0, 4000)
    if enough:
        noise.noise_level(wave, rate_hz)
        return
    with pytest.raises(NotMeasured, match="at least 44000 Hz"):
        noise.noise_level(wave, rate_hz)


@pytest.mark.parametrize(("points", "enough"), [(2000, True), (1999, False)])
def test_noise_from_22_hz_wants_a_record_of_its_period(points: int, enough: bool) -> None:
    if enough:
        noise.noise_level(white(1.0, points), 44_000.0)
        return
    with pytest.raises(NotMeasured, match="for noise from 22 Hz"):
        noise.noise_level(white(1.0, points), 44_000.0)


def test_a_burst_is_at_least_twice_and_at_the_most_ten_times_as_loud_as_what_is_quiet() -> None:
    steady = noise.find_bursts(white(1.0, 400_000, 2), 100e3)
    middle = math.sqrt(math.exp(float(np.median(np.log(frames_of(white(1.0, 400_000, 2)))))))
    assert steady.threshold_rms_v == pytest.approx(2.0 * middle, rel=1e-6)
    sizes = 10.0 ** np.random.default_rng(1).uniform(-2.0, 2.0, 800)
    uneven = white(1.0, 400_000, 2) * np.repeat(sizes, 500)
    wild = noise.find_bursts(uneven, 100e3)
    middle = math.sqrt(math.exp(float(np.median(np.log(frames_of(uneven))))))
    assert wild.threshold_rms_v == pytest.approx(10.0 * middle, rel=1e-6)


def frames_of(volts: np.ndarray, each: int = 500) -> np.ndarray:
    frames = volts.reshape(-1, each)
    return np.asarray(frames.var(axis=1))


def test_the_threshold_of_bursts_is_where_steady_noise_seldom_goes() -> None:
    """Few samples to a frame: the spread of the frames decides, and not twice the quiet level."""
    volts = white(1.0, 1200, 5)
    found = noise.find_bursts(volts, 1000.0, frame_s=0.012)
    level = np.log(frames_of(volts, 12))
    middle, lower = (float(np.quantile(level, q)) for q in (0.5, 0.25))
    from scipy.stats import norm

    above = float(norm.isf(0.01 / 100)) * (middle - lower) / 0.6745 * 1.15
    limit = math.sqrt(math.exp(middle + above))
    assert 2.0 < limit / math.sqrt(math.exp(middle)) < 10.0, "neither end decides"
    assert found.threshold_rms_v == pytest.approx(limit, rel=1e-6)
    assert (found.frame_s, found.span_s) == (pytest.approx(0.012), pytest.approx(1.2))


def test_the_quiet_time_of_a_record_is_what_its_bursts_leave() -> None:
    volts = white(1e-3, 50_000)
    volts[10_000:12_000] += sine(900.0, 2000)
    found = noise.find_bursts(volts, RATE)
    assert found.lengths_s == (pytest.approx(0.2),)
    assert found.quiet_s == pytest.approx(5.0 - 0.2)
    assert found.peaks_v[0] == pytest.approx(1.0, rel=0.06)  # about its own frame's mean
    assert found.quiet_rms_v == pytest.approx(1e-3, rel=0.02)


@pytest.mark.parametrize(("loud", "alone"), [(1.44, False), (1.46, True)])
def test_a_record_stands_out_at_four_and_a_half_standard_deviations(
    loud: float, alone: bool
) -> None:
    """Four at 0.9, 1, 1, 1.1 and so on: median 1, median departure 0.1/1.4826·…"""
    step = 0.1 / 1.4826  # the median of the departures from the middle
    values = [1.0, 1.0 - step, 1.0 + step, 1.0 - 2.0 * step, loud]
    records = [Bounded(normal(v, 1e-3, f"{v}")) for v in values]
    assert noise.level_of_records(records)[1] is alone
    assert not noise.level_of_records(records[1:])[1], "of four none stands alone"


# --- lines -------------------------------------------------------------------------------------


def test_a_line_has_to_be_as_strong_as_noise_seldom_is_in_so_many_bins() -> None:
    assert lines.threshold(1000.0) == pytest.approx(math.log(1e5) * 1.15)
    assert lines.threshold(1000.0, 0.1) == pytest.approx(math.log(1e4) * 1.15)


@pytest.mark.parametrize(("level", "own"), [(0.29, False), (0.31, True)])
@pytest.mark.parametrize(("apart", "near"), [(4.9, True), (5.1, False)])
def test_a_line_of_the_bench_explains_one_three_times_as_strong_at_its_place(
    level: float, own: bool, apart: float, near: bool
) -> None:
    line = lines.Line(1000.0, Bounded(exactly(1.0)))
    for sign in (-1.0, 1.0):
        bench = lines.Line(1000.0 + sign * apart, Bounded(exactly(level)))
        assert lines.not_among([line], [bench], 5.0) == (() if own and near else (line,))


@pytest.mark.parametrize("mains", [50.0, 60.0])
@pytest.mark.parametrize(("off", "found"), [(0.9, True), (1.6, False)])
def test_the_mains_are_looked_for_within_one_percent(mains: float, off: float, found: bool) -> None:
    hertz = mains * (1.0 + off / 100.0)
    wave = sine(hertz, 40_000) + sine(2.0 * hertz, 40_000, peak=2.0) + white(1e-3, 40_000)
    hum = lines.hum(wave, RATE, mains_hz=mains)
    assert (abs(hum.mains_hz - hertz) < 0.01) is found
    if found:
        assert hum.total.value.nominal_value == pytest.approx(math.sqrt(2.5), rel=1e-3)
        assert hum.rectified_share == pytest.approx(0.8, rel=1e-3)
        assert hum.mains_v == pytest.approx(math.sqrt(0.5), rel=1e-3)
        assert len(hum.lines) == 10


@pytest.mark.parametrize(("rate_hz", "multiples"), [(1021.0, 10), (1019.0, 9), (520.0, 5)])
def test_multiples_of_the_mains_are_counted_as_far_as_the_record_goes(
    rate_hz: float, multiples: int
) -> None:
    """Two percent below half the sample rate, for the mains may be higher by one."""
    assert len(lines.hum(white(1.0, 4000), rate_hz).lines) == multiples


def test_the_strongest_lines_are_told_and_no_more_than_wanted() -> None:
    wave = white(1e-4, 20_000)
    for k, hertz in enumerate((1500.0, 2000.0, 2500.0, 3000.0)):
        wave = wave + sine(hertz, 20_000, peak=0.1 * (k + 1))
    found = lines.find_lines(wave, RATE, most=3)
    assert [round(one.frequency_hz) for one in found] == [3000, 2500, 2000]
    assert found[0].rms.value.nominal_value == pytest.approx(0.4 / math.sqrt(2.0), rel=1e-3)
    assert len(lines.find_lines(wave, RATE, high_hz=2700.0)) == 3


# --- intermodulation, bursts of power, fits ----------------------------------------------------


@pytest.mark.parametrize(("points", "enough"), [(2000, True), (1980, False)])
def test_side_lines_have_to_stand_a_window_apart(points: int, enough: bool) -> None:
    """Ten bins for a Blackman-Harris window: 50 Hz in 0.2 s."""
    wave = sine(50.0, points, peak=4.0) + sine(3000.0, points) + white(1e-5, points)
    if enough:
        found = intermodulation.modulation_distortion(wave, RATE, 50.0, 3000.0)
        assert (found.f1_hz, found.f2_hz) == (
            pytest.approx(50.0, abs=0.1),
            pytest.approx(3000.0, abs=0.1),
        )
        return
    with pytest.raises(NotMeasured, match="bins apart"):
        intermodulation.modulation_distortion(wave, RATE, 50.0, 3000.0)
    with pytest.raises(NotMeasured, match="the lower one first"):
        intermodulation.modulation_distortion(wave, RATE, 3000.0, 3000.0)


def test_intermodulation_is_told_by_order() -> None:
    """Side lines of a quarter, a tenth, a twentieth, once each by itself."""
    points, f1, f2 = 20_000, 100.0, 3000.0
    plain = sine(f1, points, peak=4.0) + sine(f2, points) + white(1e-6, points)
    for n, share in ((1, 0.1), (2, 0.05), (3, 0.025)):
        wave = plain + sum(sine(f2 + s * n * f1, points, peak=share) for s in (-1, 1))
        found = intermodulation.modulation_distortion(wave, RATE, f1, f2)
        told = {1: found.second, 2: found.third}
        for order, one in told.items():
            expected = 2.0 * share if order == n else 0.0
            assert one.value.nominal_value == pytest.approx(expected, abs=1e-4)
        assert found.total.value.nominal_value == pytest.approx(math.sqrt(2.0) * share, rel=1e-3)
    two = intermodulation.modulation_distortion(wave, RATE, f1, f2, orders=2)
    assert two.total.value.nominal_value < 1e-4
    one = intermodulation.modulation_distortion(
        plain + sine(f2 + 2 * f1, points, peak=0.1), RATE, f1, f2, orders=1
    )
    assert one.total.value.nominal_value < 1e-4
    assert one.third.value.nominal_value == pytest.approx(0.1, rel=1e-3)


def test_difference_tones_are_told_over_the_sum_of_both() -> None:
    points, f1, f2 = 20_000, 3000.0, 3400.0
    wave = sine(f1, points) + sine(f2, points) + white(1e-6, points)
    wave = wave + sine(f2 - f1, points, peak=0.02) + sine(2 * f1 - f2, points, peak=0.04)
    wave = wave + sine(2 * f2 - f1, points, peak=0.06)
    found = intermodulation.difference_distortion(wave, RATE, f1, f2)
    assert found.second.value.nominal_value == pytest.approx(0.01, rel=1e-3)
    assert found.third.value.nominal_value == pytest.approx(0.05, rel=1e-3)
    total = math.sqrt(0.02**2 + 0.04**2 + 0.06**2) / 2.0
    assert found.total.value.nominal_value == pytest.approx(total, rel=1e-3)


@pytest.mark.parametrize(("periods", "enough"), [(9, True), (7, False)])
def test_a_burst_of_eight_periods_is_enough(periods: int, enough: bool) -> None:
    wave = np.concatenate([np.zeros(1000), sine(100.0, 100 * periods), np.zeros(1000)])
    load = exactly(2.0)
    if enough:
        found = headroom.burst_power(wave, RATE, 100.0, load=load)
        assert found.nominal_value == pytest.approx(0.25, rel=1e-3)
        return
    with pytest.raises(NotMeasured, match="7 periods of the tone in the burst"):
        headroom.burst_power(wave, RATE, 100.0, load=load)


@pytest.mark.parametrize(("distortion_", "used"), [(0.0029, False), (0.0031, True)])
def test_clipping_is_told_from_three_tenths_of_a_percent_on(distortion_: float, used: bool) -> None:
    series = [
        power.PowerPoint(exactly(10.0), exactly(1e-6)),
        power.PowerPoint(exactly(40.0), exactly(distortion_)),
    ]
    if used:
        assert 38.0 < power.clipping_onset(series).nominal_value < 40.0
        return
    with pytest.raises(NotMeasured, match="between 0"):
        power.clipping_onset(series)


@pytest.mark.parametrize(("distortion_", "used"), [(0.149, True), (0.151, False)])
def test_and_up_to_fifteen_percent(distortion_: float, used: bool) -> None:
    series = [
        power.PowerPoint(exactly(w), exactly(d)) for w, d in ((1.0, 1e-6), (9.0, distortion_))
    ]
    if used:
        power.clipping_onset(series)
        return
    with pytest.raises(NotMeasured):
        power.clipping_onset(series)


@pytest.mark.parametrize(("read", "used"), [(2.2, False), (2.3, True)])
def test_clipping_has_to_stand_twice_above_what_was_there_before(read: float, used: bool) -> None:
    """Mean squares: √(2.236² − 1) is 2."""
    series = [
        power.PowerPoint(exactly(10.0), exactly(0.01)),
        power.PowerPoint(exactly(40.0), exactly(0.01 * read)),
    ]
    if used:
        power.clipping_onset(series)
        return
    with pytest.raises(NotMeasured):
        power.clipping_onset(series)


@pytest.mark.parametrize("ratio", [0.0, -1.0])
def test_no_power_has_no_headroom(ratio: float) -> None:
    with pytest.raises(NotMeasured, match="more than zero"):
        power.dynamic_headroom_db(exactly(ratio), 1.0)


@pytest.mark.parametrize(("hertz", "seen"), [(4999.0, True), (5000.0, False), (0.0, False)])
def test_a_tone_lies_below_half_the_sample_rate(hertz: float, seen: bool) -> None:
    if seen:
        sinefit.check_record(np.ones(1000), RATE, hertz, False)
        return
    with pytest.raises(NotMeasured, match="aliased"):
        sinefit.check_record(np.ones(1000), RATE, hertz, False)


def test_coherent_periods_are_as_near_as_can_be_and_share_no_factor() -> None:
    """1000 points: 101 of 102.4 periods shares none with them, 102 and 103 …"""
    found = windows.coherent_setting(1024.0, RATE, 1000)
    assert (found.cycles, found.frequency_hz) == (103, 1030.0)
    assert windows.coherent_setting(1000.0, RATE, 1024).cycles == 103
    assert windows.coherent_setting(1000.0, RATE, 997).cycles == 100
    for wanted in (5000.0, 5.0):
        with pytest.raises(NotMeasured, match="periods of"):
            windows.coherent_setting(wanted, RATE, 1000)
    assert windows.coherent_setting(10.0, RATE, 1000).cycles == 1
    with pytest.raises(NotMeasured, match="in steps of 700 Hz"):
        windows.coherent_setting(1000.0, RATE, 1000, 700.0)
    assert windows.coherent_setting(1000.0, RATE, 1000, 7.0).frequency_hz == 980.0


@pytest.mark.parametrize(
    ("cycles", "tolerance", "decibels", "name"),
    [
        (100.0, 0.0, 90.0, "rectangular"),
        (100.0, 0.9e-5, 60.0, "rectangular"),  # misses by 0.0009 of a period
        (100.0, 1.1e-5, 60.0, "blackman_harris"),
        (100.5, 0.0, 31.0, "hann"),
        (100.5, 0.0, 32.0, "hamming"),
        (100.5, 0.0, 50.0, "blackman"),
        (100.5, 0.0, 92.0, "blackman_harris"),
        (100.5, 0.0, 93.0, "blackman_harris_7"),
    ],
)
def test_the_narrowest_window_that_serves_is_taken(
    cycles: float, tolerance: float, decibels: float, name: str
) -> None:
    assert windows.choose(cycles, tolerance, decibels).name == name


def test_what_a_window_leaks_is_what_its_lobe_does_not_hold() -> None:
    """Of a tone half-way between two bins, by a transform."""
    for window in (windows.HANN, windows.BLACKMAN):
        n, half = 4096, window.half_lobe_bins
        wave = np.exp(2j * np.pi * 100.5 * np.arange(n) / n) * windows.samples(window, n)
        square = np.abs(np.fft.fft(wave)) ** 2
        inside = square[math.ceil(100.5 - half) : math.floor(100.5 + half) + 1].sum()
        assert window.leakage(0.5) == pytest.approx(1.0 - inside / square.sum(), rel=1e-3)
        assert window.leakage(0.0) == 0.0
        loss = -10.0 * math.log10(square.max() / (n * window.coherent_gain) ** 2)
        assert window.scalloping_loss_db == pytest.approx(loss, rel=1e-4)


def test_the_chance_of_bins_that_share_it() -> None:
    """Sums of Hann bins of white noise scatter by their spread, 35/18 of what they would alone."""
    assert windows.HANN.spread == pytest.approx(35.0 / 18.0)
    sums = [
        float(spectrum.power_spectrum(white(1.0, 1000, s), RATE, windows.HANN).power[50:450].sum())
        for s in range(400)
    ]
    alone = math.sqrt(400.0) * 2.0 / 1000.0
    assert float(np.std(sums)) / alone == pytest.approx(math.sqrt(35.0 / 18.0), rel=0.1)


def test_fitted_distortion_and_that_of_the_spectrum_may_differ_where_nothing_is_judged() -> None:
    """They have to agree above the bench's own distortion, and about a limit."""

    def read(share: float, u: float = 1e-6) -> Bounded:
        return Bounded(normal(share, u, f"{share}"))

    distortion.check_agreement(read(0.0100), read(0.01009))
    with pytest.raises(NotMeasured, match="by the spectrum"):
        distortion.check_agreement(read(0.0100), read(0.01012))
    distortion.check_agreement(read(0.0100), read(0.0150), floor=0.0101)
    with pytest.raises(NotMeasured):
        distortion.check_agreement(read(0.0100), read(0.0150), floor=0.0101, limit=0.0120)
    distortion.check_agreement(read(0.0100), read(0.0150), floor=0.0101, limit=0.0151)
    distortion.check_agreement(read(0.0100), read(0.0150), floor=0.0101, limit=0.0099)
    wide = read(0.0100, 0.002)
    distortion.check_agreement(wide, read(0.0140))
    with pytest.raises(NotMeasured):
        distortion.check_agreement(wide, read(0.0142))
    most = Bounded(exactly(0.0100), Bound.AT_MOST)
    distortion.check_agreement(most, read(0.0050))
    distortion.check_agreement(most, most)
    for one, other in ((most, read(0.0120)), (read(0.0120), most)):
        with pytest.raises(NotMeasured):
            distortion.check_agreement(one, other)
    distortion.check_agreement(read(0.0050), most)


# --- what lies between -------------------------------------------------------------------------


def bent(*points: tuple[float, float]) -> list[power.PowerPoint]:
    return [power.PowerPoint(normal(w, 1e-9, f"{w}"), exactly(d)) for w, d in points]


def test_between_two_levels_the_bend_is_that_of_a_parabola_through_a_third() -> None:
    """ln P against ln d; by NumPy's polynomial through the same three, at 1 %."""
    low, high, above, below = (40.0, 0.003), (44.0, 0.02), (47.0, 0.1), (33.0, 0.0001)
    straight = math.exp(
        math.log(40.0) + math.log(44.0 / 40.0) * math.log(0.01 / 0.003) / math.log(0.02 / 0.003)
    )
    for thirds in ([above], [below], [above, below]):
        found = power.power_at_distortion(bent(low, high, *thirds), 0.01).power
        guesses = []
        for third in thirds:
            x, y = np.log(np.array([low, high, third])).T[::-1]
            guesses.append(float(np.polyval(np.polyfit(x, y, 2), math.log(0.01))))
        spread = max(abs(guess - math.log(straight)) for guess in guesses)
        spread = min(spread, math.log(44.0 / 40.0) / 2.0)  # the crossing lies between the two
        (u,) = [
            c.standard_uncertainty for c in budget_of(found) if c.source.name == "interpolation"
        ]
        assert found.nominal_value == pytest.approx(straight, rel=1e-6)
        assert u == pytest.approx(straight * spread / math.sqrt(3.0), rel=1e-4)
    flat = bent(low, high, (30.0, 0.003))  # as much distortion at another level: no parabola
    (u,) = [
        c.standard_uncertainty
        for c in budget_of(power.power_at_distortion(flat, 0.01).power)
        if c.source.name == "interpolation"
    ]
    assert u == pytest.approx(straight * math.log(1.1) / 12.0 / math.sqrt(3.0), rel=1e-4)


@pytest.mark.parametrize("corner", [10_500.0, 14_000.0, 19_000.0])
def test_a_gain_moves_the_corner_by_the_slope_of_the_roll_off_there(corner: float) -> None:
    """f = fc √(1/g² − 1) at g² = ½: 1 % of the gain is 2 % of the frequency, first order."""
    hertz = [1000.0, 5000.0, 10_000.0, 20_000.0, 40_000.0]
    gain = [1.0 / math.hypot(1.0, f / corner) for f in hertz]
    u = 1e-3  # of both steps alike: common to them, and not to the reference
    common = normal(0.0, u, "those above")
    levels_ = [
        normal(g, 1e-9, f"{f}") * (1.0 + common * (f > 6000.0))
        for f, g in zip(hertz, gain, strict=True)
    ]
    high = transfer.frequency_response(hertz, levels_).high_3db_hz
    assert high is not None
    assert high.nominal_value == pytest.approx(corner, rel=0.04)
    (line,) = [c for c in budget_of(high) if c.source.name == "those above"]
    assert line.standard_uncertainty == pytest.approx(2.0 * u * corner, rel=0.15)


def test_the_busiest_device_is_ahead_of_the_next_one() -> None:
    found = banks.busiest([normal(v, 1e-3, f"{v}") for v in (0.5, 1.2, 1.0, 0.3)])
    assert found.index == 1
    assert found.ahead.nominal_value == pytest.approx(0.2 / 3.0)
    with pytest.raises(NotMeasured):
        banks.busiest([normal(1.0, 1e-3, "alone")])


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


@pytest.mark.parametrize(("fast_k", "goes_by"), [(0.0, "the whole"), (6.0, "its later part")])
def test_what_the_model_of_one_constant_leaves_open_is_half_of_what_its_later_part_says(
    fast_k: float, goes_by: str
) -> None:
    """A fast part of 60 s beside the sink's: the fit without the first third ends elsewhere."""
    t = np.linspace(0.0, 1200.0, 120)
    y = rising(t) + rising(t, fast_k, 60.0) + white(0.02, 120, 3)
    whole = saturating.fit_saturating(t, y)
    late = t >= 400.0
    tail = saturating.fit_saturating(t[late], y[late])
    change = abs(tail.start + tail.rise - whole.start - whole.rise)
    hang = min(max(tail.correlation, 0.0), 0.9)
    c = tail.covariance * (1.0 + hang) / (1.0 - hang)
    known = math.sqrt(c[0, 0] + c[2, 2] + 2.0 * c[0, 2])
    fit, half = (whole, min(change, known)) if goes_by == "the whole" else (tail, change)
    assert (change > 2.0 * known) is (goes_by != "the whole")
    found = heat.predict_rise(t, y)
    assert found.fit.rise == pytest.approx(fit.rise)
    to_come = fit.rise * math.exp(-fit.rate * 1200.0)
    u = math.hypot(half / 2.0 / math.sqrt(3.0), 0.1 * to_come / math.sqrt(3.0))
    assert one_constant_of(found.end_k) == pytest.approx(u, rel=1e-3)


def test_steady_noise_sets_off_no_more_than_one_soak_in_a_hundred() -> None:
    """Of a thousand records each."""
    assert 1000 * listening.FALSE_ALARMS <= 0.01 * (1.0 + 1e-9)


def test_a_reading_before_the_window_does_not_count_against_a_settled_rise() -> None:
    t = np.arange(0.0, 1861.0, 60.0)
    y = np.full(t.size, 20.0)
    y[0] = 100.0  # 31 min ago
    found = heat.settled_rise(t, y)
    assert found.settled
    assert found.change_k.nominal_value == pytest.approx(0.0)
    y[0], y[1] = 20.0, 60.0  # 30 min ago
    assert not heat.settled_rise(t, y).settled


@pytest.mark.parametrize(("bins", "taken"), [(2.0, False), (6.0, True)])
def test_a_line_beside_a_harmonic_is_the_harmonic_s_own_and_not_fitted_along(
    bins: float, taken: bool
) -> None:
    """Within a lobe of it the two cannot be told apart."""
    hertz = 2000.0 + bins * 1.0
    wave = sine(1000.0, 10_000) + sine(hertz, 10_000, peak=0.01) + white(1e-5, 10_000)
    found = distortion._steady_lines(wave, RATE, 1000.0)
    assert found == ([pytest.approx(hertz, abs=0.02)] if taken else [])


def test_a_step_downwards_crackles_as_loudly_as_one_upwards() -> None:
    for sign in (1.0, -1.0):
        wave = sine(1000.0, 10_000, peak=9.0) + white(0.001, 10_000)
        wave[5023:] += sign
        heard = listening.listen_driven(wave, RATE, 1000.0)
        assert (heard.drop_outs, heard.crackles) == (0, 1)
        assert heard.peak_v == pytest.approx(1.0, abs=0.02)
