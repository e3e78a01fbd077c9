"""The stated uncertainty by value, against its closed form: what is too wide is as wrong as what is
too narrow (JCGM 100:2008, 5.1.2 unless another source stands there)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure import (
    banks,
    bounds,
    clipping,
    headroom,
    heat,
    hunting,
    levels,
    noise,
    power,
    settle,
    temperature,
    timing,
    transfer,
    trend,
    uncertain,
)
from seqrun.measure.timing import Look
from seqrun.values import COVERAGE_FACTOR, Bound, budget_of, normal, rectangular, student

DB = 20.0 / math.log(10.0)  # decibels for a small change of one


def line_of(value: UFloat, name: str) -> float:
    """The standard uncertainty that a contribution has in the budget."""
    (line,) = [c for c in budget_of(value) if c.source.name == name]
    return line.standard_uncertainty


def about(u: float) -> object:
    return pytest.approx(u, rel=1e-3)


# --- few repeats -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("freedom", "t"), [(1, 13.97), (2, 4.53), (4, 2.87), (9, 2.32), (50, 2.05), (math.inf, 2.0)]
)
def test_student_is_the_t_of_the_guide_over_k(freedom: float, t: float) -> None:
    """JCGM 100:2008, table G.2, column 95.45 %."""
    assert COVERAGE_FACTOR * student(freedom) == pytest.approx(t, abs=0.006)
    assert student(0) == math.inf


def test_scatter_of_a_mean_is_s_over_root_n_by_student() -> None:
    values = [1.0, 2.0, 4.0]
    s = math.sqrt(((1 - 7 / 3) ** 2 + (2 - 7 / 3) ** 2 + (4 - 7 / 3) ** 2) / 2)
    assert uncertain.scatter_of_mean(values) == about(s / math.sqrt(3.0) * 4.527 / 2.0)
    assert uncertain.scatter_of_mean([1.0, 1.0]) == 0.0
    with pytest.raises(NotMeasured, match="1 reading"):
        uncertain.scatter_of_mean([1.0])
    value = uncertain.from_repeats(5.0, 0.1, "scatter", 2.0)
    assert value.std_dev == about(0.1 * 4.527 / 2.0)
    assert budget_of(value)[0].source.degrees_of_freedom == 2.0
    assert uncertain.from_repeats(5.0, 0.0, "scatter", 0.0).std_dev == 0.0


# --- near the floor ----------------------------------------------------------------------------


def test_a_floor_known_as_at_most_takes_out_half_its_square() -> None:
    """Mean square rectangular in 0 … F²: mean F²/2, u F²/√12."""
    found = bounds.above_noise(normal(3.0, 0.01, "m"), 1.0)
    root = math.sqrt(9.0 - 0.5)
    assert found.bound is Bound.EXACT
    assert found.value.nominal_value == about(root)
    assert found.value.std_dev == about(math.hypot(3.0 * 0.01, 0.5 / math.sqrt(12.0)) / root)


def test_a_measured_floor_is_taken_out_by_squares() -> None:
    found = bounds.above_noise(normal(5.0, 0.02, "m"), normal(3.0, 0.05, "f"))
    assert found.value.nominal_value == about(4.0)
    assert found.value.std_dev == about(math.hypot(5.0 * 0.02, 3.0 * 0.05) / 4.0)


def test_a_square_that_its_own_uncertainty_could_make_is_at_most() -> None:
    """m² − F²/2 against 2 u: with F = 1 the square stands out above about √(1/2 + 2/√12·…)."""
    edge = math.sqrt(0.5 + COVERAGE_FACTOR / math.sqrt(12.0))
    for m, bound in ((edge * 0.999, Bound.AT_MOST), (edge * 1.001, Bound.EXACT)):
        assert bounds.above_noise(normal(m, 1e-9, "m"), 1.0).bound is bound
    assert bounds.above_noise(normal(0.5, 1e-9, "m"), None).bound is Bound.EXACT
    assert bounds.above_noise(normal(0.5, 1e-9, "m"), 0.0).bound is Bound.EXACT


@pytest.mark.parametrize(
    ("floor", "u"), [(0.1, 0.1 / math.sqrt(6.0)), (normal(0.1, 1e-3, "f"), 0.1 / math.sqrt(2.0))]
)
def test_distortion_of_the_bench_is_a_phasor_of_any_phase(floor: float, u: float) -> None:
    found = bounds.above_distortion(normal(1.0, 0.01, "m"), floor)
    assert found.bound is Bound.EXACT and found.value.nominal_value == 1.0
    assert found.value.std_dev == about(math.hypot(0.01, u))


def test_distortion_within_the_floor_or_its_uncertainty_is_at_most_their_sum() -> None:
    within = bounds.above_distortion(normal(0.9, 1e-6, "m"), 1.0)
    assert within.bound is Bound.AT_MOST and within.value.nominal_value == about(1.9)
    for m, bound in ((0.0199, Bound.AT_MOST), (0.0201, Bound.EXACT)):
        assert bounds.above_distortion(normal(m, 0.01, "m"), None).bound is bound


def test_the_root_of_a_square_has_half_its_relative_uncertainty() -> None:
    found = bounds.root_of_square(16.0, 0.8, "noise")
    assert (found.value.nominal_value, found.value.std_dev) == (4.0, about(0.1))
    for square, bound in ((1.999, Bound.AT_MOST), (2.001, Bound.EXACT)):
        assert bounds.root_of_square(square, 1.0, "noise").bound is bound
    assert bounds.root_of_square(1.0, 1.0, "n").value.nominal_value == about(math.sqrt(3.0))
    assert bounds.root_of_square(-5.0, 1.0, "n").value.nominal_value == about(math.sqrt(2.0))


def test_quantisation_spreads_over_half_the_sample_rate() -> None:
    assert bounds.quantisation_rms(1.0, 10e3, 80e3) == about(0.5 / math.sqrt(12.0))
    assert bounds.quantisation_rms(1.0, 100e3, 80e3) == about(1.0 / math.sqrt(12.0))


# --- levels and devices ------------------------------------------------------------------------


def test_idle_current_takes_drop_and_ballast_by_their_shares() -> None:
    found = levels.idle_current(normal(5.5e-3, 5e-6, "drop"), rectangular(0.22, 0.0022, "ballast"))
    share = math.hypot(5e-6 / 5.5e-3, 0.01 / math.sqrt(3.0))
    assert found.nominal_value == about(0.025)
    assert found.std_dev == about(0.025 * share)


def test_a_share_keeps_of_its_ballast_what_the_mean_does_not_take() -> None:
    """One of two: d(I1/mean)/dI1 = 1/2 of its relative error, likewise the other's: u·√½."""
    currents = [normal(1.0, 0.01, name) for name in "ab"]
    one = levels.shares(currents)[0]
    assert one.std_dev == about(0.01 * math.sqrt(0.5))
    for n in (2, 3, 4):
        many = levels.shares([normal(1.0, 0.02 / math.sqrt(3.0), f"{k}") for k in range(n)])[0]
        assert levels.share_u(0.02, n) == about(many.std_dev)


def test_sharing_of_two_is_half_their_difference_over_the_mean() -> None:
    found = levels.sharing([normal(1.1, 0.01, "a"), normal(0.9, 0.01, "b")])
    assert found.nominal_value == about(0.1)
    assert found.std_dev == about(0.01 * math.sqrt(1.1**2 + 0.9**2) / 2.0)


def test_sharing_of_many_widens_for_having_chosen_the_largest_and_holds_95_percent() -> None:
    rng = np.random.default_rng(1)
    true = np.array([1.0, 1.0, 1.0, 1.02])
    truth = float(np.abs(true / true.mean() - 1.0).max())
    held, wide = 0, 0
    for _ in range(150):
        read = true + rng.normal(0.0, 0.01, 4)
        found = levels.sharing([normal(float(x), 0.01, f"{k}") for k, x in enumerate(read)])
        held += abs(found.nominal_value - truth) <= COVERAGE_FACTOR * found.std_dev
        wide += found.std_dev > 0.02
    assert held >= 138 and wide == 0


def test_the_busiest_and_by_how_much_it_is_ahead() -> None:
    found = banks.busiest([normal(0.9, 0.01, "a"), normal(1.2, 0.01, "b"), normal(0.9, 0.01, "c")])
    assert found.index == 1
    assert found.share.nominal_value == about(0.4)
    # d(b/S) = (S − b)/S² db − b/S² (da + dc)
    assert found.share.std_dev == about(0.01 / 9.0 * math.sqrt(1.8**2 + 2 * 1.2**2))
    assert found.ahead.nominal_value == about(0.1)


def test_current_per_kelvin_needs_a_difference_beyond_its_uncertainty() -> None:
    hot, cold = normal(30e-3, 1e-5, "hot"), normal(25e-3, 1e-5, "cold")
    found = banks.current_per_kelvin(hot, cold, normal(45.0, 0.1, "t1"), normal(25.0, 0.1, "t0"))
    share = math.hypot(1e-5 * math.sqrt(2.0) / 5e-3, 0.1 * math.sqrt(2.0) / 20.0)
    assert (found.nominal_value, found.std_dev) == (about(2.5e-4), about(2.5e-4 * share))
    expanded = 2.0 * 0.1 * math.sqrt(2.0)
    warm = normal(25.0 + 1.01 * expanded, 0.1, "t1")
    banks.current_per_kelvin(hot, cold, warm, normal(25.0, 0.1, "t0"))
    with pytest.raises(NotMeasured, match="the heatsink differs by"):
        warm = normal(25.0 + 0.99 * expanded, 0.1, "t1")
        banks.current_per_kelvin(hot, cold, warm, normal(25.0, 0.1, "t0"))


@pytest.mark.parametrize("towards", [60.0, 20.0])
def test_a_heatsink_has_moved_by_nothing_or_by_as_much_as_if_it_ended_there(towards: float) -> None:
    """Half of (towards − read)·(1 − e^(−t/τ)), give or take as much: at t = τ·ln 2 a quarter."""
    read = normal(40.0, 0.1, "probe")
    found = banks.moved_since(read, towards, 300.0 * math.log(2.0), 300.0)
    assert found.nominal_value == pytest.approx(40.0 + 0.25 * (towards - 40.0))
    assert found.std_dev == pytest.approx(math.hypot(0.1, 5.0 / math.sqrt(3.0)))
    for seconds in (0.0, -5.0):  # read a moment later
        now = banks.moved_since(read, towards, seconds, 300.0)
        assert (now.nominal_value, now.std_dev) == (40.0, pytest.approx(0.1))


def test_a_temperature_on_the_way_down_is_on_the_line_give_or_take_its_bend() -> None:
    found = banks.on_the_way(normal(60.0, 0.1, "a"), normal(50.0, 0.2, "b"), 0.25)
    assert found.nominal_value == about(57.5)
    bend = 0.05 * 10.0 / math.sqrt(3.0)
    assert line_of(found, "bend of the cooling") == about(bend)
    assert found.std_dev == about(math.hypot(0.75 * 0.1, 0.25 * 0.2, bend))


def test_sag_as_a_share_loses_the_gain_of_the_range() -> None:
    gain = rectangular(0.0, 0.01, "gain")
    up, down = (v * (1.0 + gain) + normal(0.0, 0.01, f"{v}") for v in (-30.0, -27.0))
    found = levels.sag_ratio(up, down)
    assert found.nominal_value == about(0.1)
    assert found.std_dev == about(math.hypot(0.01, 0.9 * 0.01) / 30.0)
    assert levels.sag(up, down).nominal_value == about(3.0)


@pytest.mark.parametrize("beyond", [0.99, 1.01])
def test_nothing_is_told_of_what_is_zero_within_k_times_its_uncertainty(beyond: float) -> None:
    value = normal(COVERAGE_FACTOR * beyond, 1.0, "x")
    other = normal(COVERAGE_FACTOR * beyond, 1.0, "y") * 0.0 + value
    calls = [
        lambda: levels.shares([value, other]),
        lambda: levels.sag_ratio(value, normal(1.0, 0.1, "z")),
        lambda: power.efficiency([normal(1.0, 0.1, "z")], value),
        lambda: heat.thermal_resistance(normal(1.0, 0.1, "z"), value),
        lambda: transfer.gain_db(value, normal(1.0, 0.01, "z")),
    ]
    for call in calls:
        if beyond > 1.0:
            call()
        else:
            with pytest.raises(NotMeasured):
                call()


# --- power -------------------------------------------------------------------------------------


def test_power_has_twice_the_share_of_the_voltage_and_once_that_of_the_load() -> None:
    found = power.power_into_load(normal(20.0, 0.02, "v"), normal(8.0, 0.04, "r"))
    assert found.std_dev == about(50.0 * math.hypot(2.0 * 1e-3, 5e-3))


def test_efficiency_and_dissipation() -> None:
    out, drawn = [normal(40.0, 0.4, "l"), normal(40.0, 0.4, "r")], normal(120.0, 1.2, "s")
    share = math.hypot(0.4 * math.sqrt(2.0) / 80.0, 0.01)
    assert power.efficiency(out, drawn).std_dev == about(80.0 / 120.0 * share)
    assert power.dissipation(out, drawn).std_dev == about(math.hypot(0.4, 0.4, 1.2))
    rails = power.supply_power([normal(30.0, 0.03, "v")] * 2, [normal(2.0, 0.01, "a")] * 2)
    assert rails.std_dev == about(2.0 * 60.0 * math.hypot(1e-3, 5e-3))


def test_headroom_in_decibels_of_power() -> None:
    found = power.dynamic_headroom_db(normal(60.0, 0.6, "p"), 40.0)
    assert found.nominal_value == about(1.761)
    assert found.std_dev == about(10.0 / math.log(10.0) * 0.01)


@pytest.mark.parametrize("beyond", [0.99, 1.01])
def test_a_load_is_missed_at_k_times_the_uncertainty(beyond: float) -> None:
    drawn, given = normal(40.0, 0.3, "s"), normal(40.0 + 1.0 * beyond, 0.4, "p")
    loaded = normal(10.0 + 0.1 * beyond, 0.03, "with"), normal(10.0, 0.04, "without")
    if beyond < 1.0:
        power.check_load_present(loaded, drawn, given)
        return
    with pytest.raises(NotMeasured, match="the supply gives only"):
        power.check_load_present(None, drawn, given)
    with pytest.raises(NotMeasured, match="rises when the load is put on"):
        power.check_load_present(loaded, None, given)


def point(watts: float, thd: float, u_watts: float = 0.0, u_thd: float = 0.0) -> power.PowerPoint:
    return power.PowerPoint(normal(watts, u_watts, f"p{watts}"), normal(thd, u_thd, f"d{watts}"))


def test_power_at_a_distortion_carries_its_uncertainty_over_by_the_slope() -> None:
    """Half-way in the logarithms between 40 W at 0.25 % and 42 W at 4 %: a slope of ln 1.05/ln 16
    per unit of ln distortion."""
    found = power.power_at_distortion([point(40.0, 0.0025), point(42.0, 0.04, 0.0, 4e-4)], 0.01)
    middle = math.sqrt(40.0 * 42.0)
    assert found.power.nominal_value == about(middle)
    slope = math.log(1.05) / math.log(16.0)
    gap = math.log(1.05) / 12.0 / math.sqrt(3.0)  # nothing known of the bend
    assert line_of(found.power, "interpolation") == about(middle * gap)
    assert line_of(found.power, "d42.0") == about(middle * slope * 0.5 * 0.01)


def test_clipping_onset_scatters_by_half_its_range() -> None:
    """At 1 %, 3 % and 10 % a hard-clipped sine has 1.0475, 1.1119, 1.2878 times the onset's power
    (Fourier analysis)."""
    series = [point(10.0, 1e-5), point(1.0475 * 40.0, 0.01), point(1.2878 * 42.0, 0.10)]
    found = power.clipping_onset(series)
    assert found.nominal_value == pytest.approx(41.0, rel=1e-3)
    assert line_of(found, "shape of the clipping") == pytest.approx(1.0 / math.sqrt(3.0), rel=5e-3)
    one = power.clipping_onset([point(10.0, 1e-5), point(1.0475 * 40.0, 0.01, 0.0, 1e-4)])
    thd, ratio = zip(*(clipped_sine(c) for c in (0.9715, 0.9714)), strict=True)
    share = (ratio[1] - ratio[0]) / (thd[1] - thd[0]) / 1.0475
    assert one.std_dev == pytest.approx(40.0 * 1e-4 * share, rel=0.01)


def clipped_sine(level: float) -> tuple[float, float]:
    """THD of a sine cut at ``level``, and its power over that of one that just reaches it."""
    wave = np.clip(np.sin(2.0 * np.pi * (np.arange(1_000_000) + 0.5) / 1e6), -level, level)
    first = 2.0 * float(np.mean(wave * np.sin(2.0 * np.pi * (np.arange(1_000_000) + 0.5) / 1e6)))
    square = float(np.mean(wave * wave))
    return math.sqrt(2.0 * square - first**2) / first, 2.0 * square / level**2


# --- carrying a signal -------------------------------------------------------------------------


def test_decibels_have_8_686_times_the_share() -> None:
    a, b = normal(10.0, 0.01, "a"), normal(1.0, 0.002, "b")
    for found in (
        transfer.gain_db(a, b),
        transfer.balance_db(a, b),
        noise.signal_to_noise_db(a, b),
    ):
        assert found.nominal_value == about(20.0)
        assert found.std_dev == about(DB * math.hypot(1e-3, 2e-3))


def test_separation_below_k_times_its_leak_is_at_least() -> None:
    driven = normal(10.0, 1e-6, "driven")
    exact = transfer.separation_db(driven, normal(2.1e-3, 1e-3, "leak"))
    assert exact.bound is Bound.EXACT and exact.value.nominal_value == about(73.556)
    least = transfer.separation_db(driven, normal(1.9e-3, 1e-3, "leak"))
    assert least.bound is Bound.AT_LEAST
    assert least.value.nominal_value == about(20.0 * math.log10(10.0 / 3.9e-3))


def test_source_impedance_and_where_it_is_at_most() -> None:
    loaded, load = normal(10.0, 1e-3, "u1"), normal(8.0, 1e-3, "r")
    u = 8.0 * math.hypot(1e-3 / 10.0, 1e-3 / 10.0)
    found = transfer.source_impedance(normal(10.1, 1e-3, "u0"), loaded, load, 8.0)
    assert found.bound is Bound.EXACT
    assert found.impedance_ohm.nominal_value == about(0.08)
    assert found.impedance_ohm.std_dev == pytest.approx(u, rel=0.01)
    factor = found.damping_factor
    assert (factor.nominal_value, factor.std_dev) == (
        about(100.0),
        pytest.approx(100 * u / 0.08, rel=0.01),
    )
    least = transfer.source_impedance(normal(10.0 + 1.9 * u / 0.8, 1e-3, "u0"), loaded, load, 8.0)
    assert least.bound is Bound.AT_MOST
    assert least.impedance_ohm.nominal_value == pytest.approx(3.9 * u, rel=0.01)
    transfer.source_impedance(normal(10.0 - 1.9 * u / 0.8, 1e-3, "u0"), loaded, load, 8.0)
    with pytest.raises(NotMeasured, match="rises"):
        transfer.source_impedance(normal(10.0 - 2.1 * u / 0.8, 1e-3, "u0"), loaded, load, 8.0)


def test_the_half_power_point_of_a_first_order_low_pass_and_its_interpolation() -> None:
    corner = 30e3
    f = [1e3, 10e3, 20e3, 40e3, 80e3]
    gains = [normal(1.0 / math.hypot(1.0, x / corner), 1e-6, f"{x}") for x in f]
    found = transfer.frequency_response(f, gains)
    assert found.low_3db_hz is None and found.high_3db_hz is not None
    high = found.high_3db_hz
    share = (-3.0103 - 20 * math.log10(gains[2].nominal_value)) / (
        20 * math.log10(gains[3].nominal_value / gains[2].nominal_value)
    )
    bend = 0.5 * share * (1.0 - share) * math.log(2.0) ** 2
    assert line_of(high, "interpolation") == pytest.approx(corner * bend / math.sqrt(3.0), rel=0.02)
    assert high.nominal_value == pytest.approx(corner, rel=0.02)


def test_flatness_of_one_that_stands_out_has_its_own_uncertainty() -> None:
    gains = [normal(g, 1e-3, f"{g}") for g in (1.0, 0.999, 0.9)]
    found = transfer.frequency_response([1e3, 5e3, 10e3], gains)
    assert found.flatness_db.nominal_value == about(-20.0 * math.log10(0.9))
    assert found.flatness_db.std_dev == about(DB * math.hypot(1e-3, 1e-3 / 0.9))


# --- noise and bursts --------------------------------------------------------------------------


def test_burst_rate_has_the_chance_of_its_count() -> None:
    """Few in many frames: n/T, and up to the exact bound of n (Poisson, by chi-square)."""
    from scipy.stats import chi2

    found = noise.burst_rate(25, 100.0, 1e-4)
    most = chi2.ppf(0.977250, 52) / 2.0 / 100.0
    assert found.value.nominal_value == about(0.25)
    assert 0.25 + 2.0 * found.value.std_dev == about(most)
    dense = noise.burst_rate(5000, 50.0, 0.005)  # half of the frames: −ln(1 − ½) a frame
    assert dense.value.nominal_value == about(math.log(2.0) / 0.005)
    assert dense.value.std_dev == pytest.approx(math.sqrt(1.0 / 10_000.0) / 0.005, rel=0.03)
    assert noise.burst_rate(0, 30.0, 0.005).value.nominal_value == about(0.126106)


def test_rate_change_is_clopper_and_pearson_by_value() -> None:
    found = hunting.rate_change(12, 60.0, 6, 120.0)
    interval = stats.binomtest(12, 18, 1.0 / 3.0).proportion_ci(0.95, "exact")
    low, high = (2.0 * p / (1.0 - p) for p in interval)
    assert (found.ratio, found.low, found.high) == (about(4.0), about(low), about(high))
    bounded = found.bounded
    assert bounded is not None and bounded.value.std_dev == about((high - low) / 4.0)
    greater = stats.binomtest(12, 18, 1.0 / 3.0, alternative="greater").pvalue
    assert found.probability == about(2.0 * greater)


@pytest.mark.parametrize("own", [0.01, 0.1, 0.13])
def test_many_records_scatter_by_what_their_own_statistics_leave_open(own: float) -> None:
    """Their variance is 0.02: of it 1 %, half and 85 % are the statistics of each; the gain that
    they share is none of it."""
    values = [1.0, 1.2, 0.8, 1.1, 0.9, 1.0]
    gain = normal(1.0, 0.05, "gain")
    records = [bounds.Bounded(gain * normal(v, own, noise.STATISTICS)) for v in values]
    found, alone = noise.level_of_records(records)
    assert not alone
    more = np.var(values, ddof=1) - own**2
    root = math.sqrt(float(np.mean(np.square(values))))
    u = 2.0 * 1.0 * math.sqrt(more / 6.0) / (2.0 * root)
    assert line_of(found.value, "scatter between the records") == pytest.approx(u, rel=0.01)


# --- temperature, heat, settling, switching, trends --------------------------------------------


def test_a_pt100_reads_its_meter_by_its_slope_and_its_class_as_a_rectangle() -> None:
    """IEC 60751: 119.40 Ω at 50 °C, 100·(3.9083e-3 − 2·5.775e-7·50) Ω/K there; class B is
    ± (0.30 + 0.005·50) K."""
    found = temperature.pt100_reading(
        normal(119.397, 0.01, "ohm"), "B", temperature.sensor_error("sink")
    )
    assert found.nominal_value == pytest.approx(50.0, abs=0.01)
    assert line_of(found, "sink tolerance") == pytest.approx(0.55 / math.sqrt(3.0), rel=1e-3)
    assert line_of(found, "ohm") == pytest.approx(0.01 / 0.385055, rel=1e-3)


def test_a_slope_has_its_scatter_over_the_spread_by_student() -> None:
    x = [0.0, 1.0, 2.0, 3.0, 4.0]
    y = [0.1, 0.9, 2.1, 2.9, 4.0]
    theirs = stats.linregress(x, y)
    found = heat.slope(x, y)
    assert found.nominal_value == about(theirs.slope)
    assert found.std_dev == about(theirs.stderr * stats.t.ppf(0.97725, 3) / 2.0)


def test_settling_is_told_by_the_line_its_scatter_and_what_hangs_together() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(40.0)
    y = 1e-3 * t + rng.normal(0.0, 0.01, 40)
    theirs = stats.linregress(t, y)
    rest = y - theirs.intercept - theirs.slope * t
    r = max(float(rest[1:] @ rest[:-1] / (rest @ rest)), 0.0)
    u = theirs.stderr * math.sqrt((1 + r) / (1 - r)) * stats.t.ppf(0.97725, 38) / 2.0 * 39.0
    found = settle.settling(t.tolist(), y.tolist(), within=1.0, for_s=39.0)
    assert found.change == about(39.0 * theirs.slope)
    assert found.change_u == about(u)
    edge = abs(found.change) + COVERAGE_FACTOR * found.change_u
    for within, settled in ((edge * 1.001, True), (edge * 0.999, False)):
        assert settle.settling(t.tolist(), y.tolist(), within=within, for_s=39.0).settled is settled


def test_readings_that_hang_together_settle_later() -> None:
    """A drift that comes and goes over ten readings: lag-one correlation 0.8 and more."""
    t = np.arange(60.0)
    y = 0.01 * np.sin(2.0 * np.pi * t / 20.0)
    theirs = stats.linregress(t, y)
    found = settle.settling(t.tolist(), y.tolist(), within=1.0, for_s=59.0)
    assert found.change_u > 2.5 * 59.0 * theirs.stderr


def test_the_change_of_a_rise_over_its_window_has_its_scatter_by_student() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 1801.0, 60.0)
    y = 20.0 + 1e-3 * t + rng.normal(0.0, 0.05, t.size)
    theirs = stats.linregress(t, y)
    found = heat.settled_rise(t, y)
    factor = stats.t.ppf(0.97725, t.size - 2) / 2.0
    assert found.change_k.nominal_value == about(1800.0 * theirs.slope)
    assert found.change_k.std_dev == about(1800.0 * theirs.stderr * factor)
    edge = abs(found.change_k.nominal_value) + COVERAGE_FACTOR * found.change_k.std_dev
    assert heat.settled_rise(t, y, within_k=edge * 1.001).settled
    assert not heat.settled_rise(t, y, within_k=edge * 0.999).settled
    assert line_of(found.rise_k, "still to come") == about(1800.0 * theirs.slope / math.sqrt(3.0))


def test_thermal_resistance_and_loop_gain_by_their_shares() -> None:
    rise, watts = normal(20.0, 0.2, "rise"), normal(40.0, 0.8, "heat")
    found = heat.thermal_resistance(rise, watts)
    assert found.std_dev == about(0.5 * math.hypot(0.01, 0.02))
    gain = heat.loop_gain(normal(60.0, 0.6, "v"), normal(1e-2, 3e-4, "s"), found)
    assert gain.std_dev == about(0.3 * math.hypot(0.01, 0.03, 0.01, 0.02))


def test_an_event_between_two_looks_is_a_rectangle() -> None:
    found = timing.watched_event(2.0, 2.6)
    assert (found.nominal_value, found.std_dev) == (about(2.3), about(0.3 / math.sqrt(3.0)))


def test_switching_times_have_both_their_ends() -> None:
    looks = [Look(0.0, 0.1, False), Look(1.0, 1.2, False), Look(3.0, 3.4, True)]
    closed = timing.pull_in_time(looks, -1.0, normal(0.5, 0.05, "rails"))
    assert closed.nominal_value == about((1.0 + 3.4) / 2.0 - 0.5)
    assert closed.std_dev == about(math.hypot(1.2 / math.sqrt(3.0), 0.05))
    gone = [Look(0.0, 0.2, True), Look(1.0, 1.2, False)]
    opened = timing.release_time(gone, (-0.4, -0.2))
    assert opened.nominal_value == about(0.6 + 0.3)
    assert opened.std_dev == about(math.hypot(0.6, 0.1) / math.sqrt(3.0))


def test_a_trend_is_as_uncertain_as_the_larger_of_what_is_stated_and_what_is_seen() -> None:
    t = np.array([0.0, 1.0, 2.0, 3.0])
    y = np.array([1.0, 1.2, 1.1, 1.4])
    theirs = stats.linregress(t, y)
    seen = trend.line(t, y, np.full(4, 1e-6))
    assert seen.expanded == about(theirs.stderr * stats.t.ppf(0.97725, 2))
    stated = trend.line(t, y, np.full(4, 1.0))
    assert stated.expanded == about(COVERAGE_FACTOR * 1.0 / math.sqrt(5.0))


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_what_falls_has_not_settled_any_more_than_what_rises(sign: float) -> None:
    t = np.arange(30.0)
    found = settle.settling(t.tolist(), (sign * 0.1 * t).tolist(), within=1.0, for_s=29.0)
    assert not found.settled and found.change == about(sign * 2.9)


@pytest.mark.parametrize(("beyond", "told"), [(0.9, False), (1.1, True)])
def test_a_runaway_is_told_at_k_times_the_uncertainty_of_the_growing_slope(
    beyond: float, told: bool
) -> None:
    t = np.arange(40.0)
    ripple = 0.01 * np.where(np.arange(40) % 4 < 2, 1.0, -1.0)
    bend = np.where(t < 20.0, 0.0, t - 20.0)
    calm = heat.runaway(t, ripple + 1e-3 * t)
    u = math.hypot(calm.early_slope.std_dev, calm.late_slope.std_dev)
    off = float((calm.late_slope - calm.early_slope).nominal_value)
    found = heat.runaway(t, ripple + 1e-3 * t + (COVERAGE_FACTOR * beyond * u - off) * bend)
    assert found.running_away is told


def test_counts_scatter_beyond_poisson_by_pearson_s_chi_square() -> None:
    assert hunting.dispersion([10, 0, 0, 10, 0], [1.0] * 5) == about(
        stats.chisquare([10, 0, 0, 10, 0]).statistic / 4.0
    )
    assert hunting.dispersion([1, 1, 1, 1, 1], [1.0] * 5) == 1.0
    assert hunting.dispersion([9, 0, 0, 0], [1.0] * 4) == 1.0  # too few stretches
    assert hunting.dispersion([4, 0, 0, 0, 0], [1.0] * 5) == 1.0  # too few counts


def test_one_sided_ends_of_a_rate_s_change() -> None:
    none = hunting.rate_change(0, 60.0, 10, 60.0)
    low = stats.binomtest(0, 10, 0.5)
    assert (none.ratio, none.low) == (0.0, 0.0)
    assert none.probability == about(low.pvalue)
    p = low.proportion_ci(0.95, "exact").high
    assert none.high == about(p / (1.0 - p))
    fresh = hunting.rate_change(10, 60.0, 0, 60.0)
    assert math.isinf(fresh.ratio) and math.isinf(fresh.high)
    assert fresh.low == about(1.0 / none.high) and fresh.probability == about(low.pvalue)
    bounded = fresh.bounded
    assert bounded is not None and bounded.bound is Bound.AT_LEAST
    fewer = hunting.rate_change(2, 60.0, 16, 60.0)
    assert fewer.probability == about(stats.binomtest(2, 18, 0.5).pvalue)


def test_a_clipped_sine_has_no_more_distortion_than_a_square() -> None:
    square = math.sqrt(math.pi**2 / 8.0 - 1.0)
    assert clipping.clip_ratio_at_thd(0.999 * square) < 0.1
    for beyond in (square, -0.001):
        with pytest.raises(NotMeasured, match="less than that of a square"):
            clipping.clip_ratio_at_thd(beyond)


def test_a_load_s_headroom_and_a_slope_state_their_degrees_of_freedom() -> None:
    wave = np.cos(2.0 * np.pi * 80.0 * np.arange(8000) / 8000.0)
    wave += np.random.default_rng(0).normal(0.0, 0.01, 8000)
    found = headroom.burst_power(wave, 8000.0, 80.0, load=normal(8.0, 0.0, "r"))
    assert budget_of(found)[0].source.degrees_of_freedom == 80 - 2 - 1
    assert budget_of(heat.slope([0, 1, 2, 3, 4], [0, 1, 2, 3, 5]))[0].source.degrees_of_freedom == 3
