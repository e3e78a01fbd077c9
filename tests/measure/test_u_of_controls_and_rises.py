"""Stated uncertainties of controls, sweeps, rises, sensors and switching times by value, from both
sides (JCGM 100:2008, 5.1.2 and 5.2.2 for what readings share)."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure import heat, levels, polarity, power, temperature, timing, transfer, uncertain
from seqrun.measure.timing import Look
from seqrun.values import Bound, budget_of, exactly, normal, rectangular

Array = np.ndarray
DB = 20.0 / math.log(10.0)  # decibels for a small change of one
HERTZ = [1000.0, 5000.0, 10_000.0]


def lines_of(value: UFloat) -> dict[str, float]:
    return {c.source.name: c.standard_uncertainty for c in budget_of(value)}


def about(value: float, rel: float = 1e-3) -> object:
    return pytest.approx(value, rel=rel)


# --- controls ----------------------------------------------------------------------------------


def test_tone_range_has_the_shares_of_its_two_settings_and_not_what_they_share() -> None:
    full, middle, least = (normal(v, 0.01 * v, f"{v}") for v in (4.0, 1.0, 0.25))
    found = transfer.tone_range(full, middle, least)
    assert found.boost_db.nominal_value == about(12.041)
    assert found.cut_db.nominal_value == about(-12.041)
    assert found.boost_db.std_dev == about(DB * 0.01 * math.sqrt(2.0))
    assert found.cut_db.std_dev == about(DB * 0.01 * math.sqrt(2.0))
    # the middle setting is in both: what it adds to the boost it adds to the cut
    assert (found.boost_db - found.cut_db).std_dev == about(DB * 0.01 * math.sqrt(2.0))
    gain = normal(1.0, 0.03, "vertical gain")
    shared = transfer.tone_range(gain * 4.0, gain * 1.0, gain * 0.25)
    assert shared.boost_db.std_dev == pytest.approx(0.0, abs=1e-9)


def test_volume_tracking_takes_four_levels_and_not_the_scopes_gain() -> None:
    gains = [normal(1.0, 0.03, "gain 1"), normal(1.0, 0.03, "gain 2")]
    one = [gains[0] * normal(v, 0.001 * v, f"one {v}") for v in (1.0, 0.1, 0.01)]
    other = [gains[1] * normal(v, 0.002 * v, f"two {v}") for v in (1.0, 0.1, 0.008)]
    found = transfer.volume_tracking(one, other)
    assert [b.nominal_value for b in found.balance_db] == pytest.approx([0.0, 0.0, 1.93820])
    each = DB * math.hypot(0.001, 0.002)
    assert found.balance_db[1].std_dev == about(math.hypot(each, DB * 0.03 * math.sqrt(2.0)))
    assert found.largest_db.nominal_value == about(1.93820)
    assert found.largest_db.std_dev == about(each * math.sqrt(2.0))


def test_riaa_deviation_of_one_that_stands_out_has_its_share_and_that_of_the_reference() -> None:
    f = [20.0, 1000.0, 20_000.0]
    off = [10.0 ** (d / 20.0) for d in (0.0, 0.0, -3.0)]
    gains = [
        normal(100.0 * o * 10.0 ** (transfer.riaa_playback_db(x) / 20.0), 0.0, "none") * unit
        for x, o, unit in zip(
            f, off, [normal(1.0, u, f"{u}") for u in (0.001, 0.002, 0.004)], strict=True
        )
    ]
    found = transfer.riaa_deviation(f, gains)
    assert found.deviations_db[1].std_dev == 0.0
    assert found.deviations_db[0].std_dev == about(DB * math.hypot(0.001, 0.002))
    assert found.largest_db.nominal_value == about(3.0)
    assert found.largest_db.std_dev == about(DB * math.hypot(0.002, 0.004))


@pytest.mark.parametrize("signs", [(1, 1), (1, -1)])
@pytest.mark.parametrize("shared", [False, True])
@pytest.mark.parametrize("behind", [0.0, 3.0, 8.0])
def test_the_largest_of_two_is_less_certain_than_each_where_both_may_be_it(
    signs: tuple[int, int], shared: bool, behind: float
) -> None:
    """Both of two independent errors stay within q with (2Φ(q) − 1)², and a shared one is one. What
    lies far behind is not it whatever its error."""
    u = 0.01
    error = [normal(0.0, u, "error 1"), normal(0.0, u, "error 2")]
    gains = [exactly(1.0)]
    for i, (sign, db) in enumerate(zip(signs, (1.0, 1.0 - behind * u), strict=True)):
        gains.append(10.0 ** ((sign * db + error[0 if shared else i]) / 20.0))
    found = transfer.frequency_response(HERTZ, gains).flatness_db
    held = stats.norm.cdf(2.0) - stats.norm.cdf(-2.0)
    both = stats.norm.ppf(0.5 * (1.0 + math.sqrt(held))) / 2.0
    assert found.nominal_value == about(1.0)
    assert found.std_dev == about(u * (1.0 if shared or behind > 6.0 else both), 0.04)


def test_the_largest_departure_of_a_flat_response_holds_the_truth_that_there_is_none() -> None:
    """Ten frequencies, each on a range of its own: the largest of ten errors is no departure."""
    rng, u, held = np.random.default_rng(5), 0.01, 0
    hertz = [1000.0, *(1000.0 + 100.0 * n for n in range(1, 11))]
    for _ in range(60):
        off = rng.normal(0.0, u, 10)
        gains = [exactly(1.0)]
        gains += [10.0 ** (normal(float(d), u, f"{n}") / 20.0) for n, d in enumerate(off)]
        found = transfer.frequency_response(hertz, gains).flatness_db
        held += found.nominal_value <= 2.0 * found.std_dev
    assert held >= 54


# --- a rise ------------------------------------------------------------------------------------

TAU, END = 600.0, 30.0


def rise(seconds: float, noise_k: float, seed: int, slow_k: float = 0.0) -> tuple[Array, Array]:
    t = np.arange(0.0, seconds, 5.0)
    y = END * -np.expm1(-t / TAU) + slow_k * -np.expm1(-t / (heat.SLOWER * TAU))
    return t, y + np.random.default_rng(seed).normal(0.0, noise_k, t.size)


def test_the_end_of_a_rise_scatters_by_the_line_of_its_fit() -> None:
    ends, stated = [], []
    for seed in range(120):
        found = heat.predict_rise(*rise(1200.0, 0.05, seed))
        ends.append(found.fit.start + found.fit.rise)
        stated.append(lines_of(found.end_k)["fit of the rise"])
    assert 0.75 < np.std(ends, ddof=1) / math.sqrt(np.mean(np.square(stated))) < 1.15


def test_a_tenth_of_what_is_still_to_come_is_left_to_the_model_as_a_rectangle() -> None:
    """30 K, 600 s, seen for 1195 s: 4.09 K are still to come."""
    found = heat.predict_rise(*rise(1200.0, 1e-4, 3))
    to_come = END * math.exp(-1195.0 / TAU)
    assert lines_of(found.end_k)["one time constant"] == about(0.1 * to_come / math.sqrt(3.0), 0.01)
    # of the fit; a slower part is in the end alone
    assert found.fit.rise * math.exp(-1195.0 * found.fit.rate) == about(to_come, 0.01)
    assert found.tau_s.nominal_value == about(TAU, 0.01)
    hang = max(found.fit.correlation, 0.0)
    u_rate = math.sqrt(found.fit.covariance[1, 1] * (1.0 + hang) / (1.0 - hang))
    assert found.tau_s.std_dev == about(u_rate / found.fit.rate**2)


def leads_by(x: Array) -> Array:
    """d' = −d − y ln y, y = 1 − exp(−x), by the integral: exp(−x) ∫ −y ln y exp(x') dx'."""
    from scipy.integrate import quad

    def drive(at: float) -> float:
        y = -math.expm1(-at)
        return -y * math.log(y) * math.exp(at) if y > 0.0 else 0.0

    steps = [quad(drive, low, high)[0] for low, high in pairwise(x)]
    return np.exp(-x) * (quad(drive, 0.0, x[0])[0] + np.concatenate([[0.0], np.cumsum(steps)]))


def slow_line(t: Array, sigma: float) -> float:
    """The same from the normal equations: posterior variance of the end less that of the fit."""
    fall = np.exp(-t / TAU)
    slow = -np.expm1(-t / (heat.SLOWER * TAU))
    x = np.stack(
        [1.0 - fall, END * t * fall, np.ones_like(t), slow, END * leads_by(t / TAU)], axis=1
    )
    fisher = x.T @ x / max(sigma, 0.003 * END) ** 2
    known = np.linalg.inv((x.T @ x)[:3, :3]) * sigma**2
    fisher[3, 3] += 1.0 / (0.2 * END) ** 2
    fisher[4, 4] += 1.0 / 0.1**2
    end = np.array([1.0, 0.0, 1.0, 1.0, 0.0])
    return math.sqrt(end @ np.linalg.inv(fisher) @ end - end[:3] @ known @ end[:3])


@pytest.mark.parametrize(("seconds", "hangs"), [(1200.0, 0.0), (3600.0, 0.0), (1200.0, 0.6)])
def test_a_slower_part_is_as_unknown_as_the_record_and_common_knowledge_leave_it(
    seconds: float, hangs: float
) -> None:
    t, y = rise(seconds, 0.0, 0)
    now, rng = 0.0, np.random.default_rng(11)
    for n in range(t.size):  # first-order autoregressive
        now = hangs * now + rng.normal(0.0, 0.02)
        y[n] += now
    found = heat.predict_rise(t, y)
    hang = max(found.fit.correlation, 0.0)
    assert hang == pytest.approx(hangs, abs=0.15)
    sigma = found.fit.residual_sd * math.sqrt((1.0 + hang) / (1.0 - hang))
    assert lines_of(found.end_k)["a slower part of the rise"] == about(slow_line(t, sigma), 0.02)


def test_a_slower_part_that_the_record_shows_is_added_to_the_end() -> None:
    found = heat.predict_rise(*rise(4000.0, 0.002, 1, slow_k=3.0))
    assert abs(found.end_k.nominal_value - 33.0) <= 2.0 * found.end_k.std_dev
    assert found.fit.start + found.fit.rise < found.end_k.nominal_value
    assert found.end_k.std_dev < 0.5


def test_what_all_readings_share_moves_the_end_and_the_start_alike() -> None:
    shared = normal(0.0, 0.3, "ambient sensor")
    found = heat.predict_rise(*rise(2400.0, 0.01, 1), systematic=shared)
    assert lines_of(found.end_k)["ambient sensor"] == about(0.3)
    assert lines_of(found.start_k)["ambient sensor"] == about(0.3)
    assert "ambient sensor" not in lines_of(found.end_k - found.start_k)


# --- sensors -----------------------------------------------------------------------------------


def test_two_temperatures_of_one_sensor_share_its_error_and_its_meter() -> None:
    """Hot reads too high when the meter reads too high: what is shared goes out of the rise."""
    ohms, error = normal(0.0, 0.05, "meter"), temperature.sensor_error("sink")
    cold = temperature.pt100_reading(ohms + temperature.pt100_resistance_ohm(20.0), "B", error)
    hot = temperature.pt100_reading(ohms + temperature.pt100_resistance_ohm(80.0), "B", error)
    slopes = [100.0 * (3.9083e-3 - 2.0 * 5.775e-7 * t) for t in (80.0, 20.0)]
    difference = lines_of(hot - cold)
    assert difference["meter"] == about(0.05 * (1.0 / slopes[0] - 1.0 / slopes[1]))
    assert difference["sink tolerance"] == about(0.005 * 60.0 / math.sqrt(3.0))
    both = lines_of(hot + cold)
    assert both["meter"] == about(0.05 * (1.0 / slopes[0] + 1.0 / slopes[1]))
    assert both["sink tolerance"] == about((0.6 + 0.005 * 100.0) / math.sqrt(3.0))
    together = temperature.pt100_reading(normal(100.0, 0.1, "x"), "AA") - normal(0.0, 0.1, "y")
    assert together.std_dev == about(math.hypot(0.1 / 0.39083, 0.1))


@pytest.mark.parametrize("celsius", [-100.0, -20.0, 150.0])
def test_the_slope_of_a_pt100_is_that_of_its_resistance(celsius: float) -> None:
    step = 1e-3
    change = temperature.pt100_resistance_ohm(celsius + step) - temperature.pt100_resistance_ohm(
        celsius - step
    )
    assert temperature.pt100_slope_ohm_per_k(celsius) == about(change / (2.0 * step), 1e-7)
    ohm = normal(temperature.pt100_resistance_ohm(celsius), 0.01, "ohm")
    (slope,) = temperature.pt100_reading(ohm, "A").derivatives.values()
    assert slope == about(2.0 * step / change, 1e-6)  # more ohms are more kelvins


def test_class_tolerances_are_those_of_the_standard_on_both_sides_of_zero() -> None:
    """IEC 60751, table 3, at −100 °C, 0 °C and 100 °C."""
    expected = {
        "AA": (0.27, 0.10, 0.27),
        "A": (0.35, 0.15, 0.35),
        "B": (0.8, 0.3, 0.8),
        "C": (1.6, 0.6, 1.6),
    }
    for name, values in expected.items():
        found = [temperature.pt100_tolerance_k(t, name) for t in (-100.0, 0.0, 100.0)]
        assert found == pytest.approx(list(values))


@pytest.mark.parametrize(("beyond", "refused"), [(0.95, False), (1.05, True)])
def test_a_sensor_has_fallen_off_at_k_times_the_uncertainty_of_what_is_missing(
    beyond: float, refused: bool
) -> None:
    heat_w = normal(40.0, 2.0, "heat")
    u = math.hypot(0.3, 0.5 * 2.0)
    rise_k = normal(20.0 - beyond * 2.0 * u, 0.3, "rise")
    if not refused:
        temperature.check_attached(rise_k, heat_w, 0.5, 10.0)
        return
    with pytest.raises(NotMeasured, match="K of rise after 10 min at 40 W") as found:
        temperature.check_attached(rise_k, heat_w, 0.5, 10.0)
    assert "at least 20 K" in str(found.value) and "fallen off" in str(found.value)


# --- switching, level, supply ------------------------------------------------------------------


def test_a_mute_has_the_rectangles_of_both_its_ends() -> None:
    looks = [Look(0.0, 0.1, True), Look(0.5, 0.7, False), Look(1.0, 1.4, True)]
    found = timing.mute_length(looks, (-0.6, -0.2))
    assert found.bound is Bound.EXACT
    assert found.value.nominal_value == about((0.5 + 1.4) / 2.0 + 0.4)
    assert found.value.std_dev == about(math.hypot(0.45, 0.2) / math.sqrt(3.0))


def test_a_mute_that_nobody_saw_is_at_most_from_the_first_moment_of_turning() -> None:
    found = timing.mute_length([Look(0.0, 0.1, True)], (-0.6, -0.2))
    assert found.bound is Bound.AT_MOST
    assert found.value.nominal_value == about(0.1 + 0.6)
    assert found.value.std_dev == about(0.2 / math.sqrt(3.0))


def test_what_is_shared_goes_out_of_a_drift_and_a_sag_and_adds_up_in_a_supply() -> None:
    shared = rectangular(0.0, 0.3, "range")
    one, other = shared + normal(25.0, 0.1, "a"), shared + normal(24.0, 0.2, "b")
    for found in (levels.drift(one, other), levels.sag(one, other)):
        assert found.nominal_value == about(1.0)
        assert found.std_dev == about(math.hypot(0.1, 0.2))
    watts = power.supply_power([one, other], [exactly(2.0), exactly(3.0)])
    assert watts.nominal_value == about(122.0)
    assert watts.std_dev == about(math.hypot(5.0 * 0.3 / math.sqrt(3.0), 0.2, 0.6))


def test_a_mean_keeps_what_its_readings_share() -> None:
    shared = normal(0.0, 0.3, "range")
    found = uncertain.mean([shared + normal(5.0, 0.1, f"{n}") for n in range(4)])
    assert found.nominal_value == about(5.0)
    assert found.std_dev == about(math.hypot(0.3, 0.1 / 2.0))
    assert uncertain.magnitude(-1.0 * found).nominal_value == about(5.0)
    assert (uncertain.magnitude(-1.0 * found) - found).std_dev == pytest.approx(0.0, abs=1e-12)


def test_the_likeness_of_a_burst_scatters_by_what_it_states_and_reaches_to_one() -> None:
    """Fisher: (1 − ρ²)/√n; and what it lacks to 1."""
    values, stated = [], []
    whole, lacks = [], "what of the output is not like the input"
    cycle = np.sin(2.0 * np.pi * np.arange(100) / 100.0)
    for seed in range(200):
        wave = np.random.default_rng(seed).normal(0.0, 0.3, 400)
        wave[150:250] += cycle
        found = polarity.burst_polarity(wave, 1e5, 1000.0)
        values.append(found.nominal_value)
        lines = lines_of(found)
        stated.append(lines["chance of the likeness"])
        assert stated[-1] == about((1.0 - found.nominal_value**2) / 10.0)
        assert lines[lacks] == about((1.0 - found.nominal_value) / math.sqrt(3.0))
        whole.append(abs(1.0 - found.nominal_value) <= 2.0 * found.std_dev)
    assert 0.75 < np.std(values, ddof=1) / np.mean(stated) < 1.25
    assert all(whole)  # a polarity is +1 or -1, whatever the noise makes of the likeness


@pytest.mark.parametrize(("share", "slower"), [(0.3, 3.6), (0.2, 3.6), (0.2, 7.2), (0.2, 10.0)])
def test_a_settled_rise_holds_its_end_however_slow_its_slower_part_is(
    share: float, slower: float
) -> None:
    """A part of the rise by way of a chassis: a record that was watched until it settled shows most
    of it, or some, and what the fit makes of it is too much or too little by more than it says."""
    tau, end = 400.0, 28.0
    t = np.arange(0.0, 2900.0, 12.0)
    y = end * ((1.0 - share) * -np.expm1(-t / tau) + share * -np.expm1(-t / (slower * tau)))
    found = heat.predict_rise(t, y + np.random.default_rng(3).normal(0.0, 0.03, t.size))
    off = abs(float(found.end_k.nominal_value) - end)
    assert off < 2.0 * found.end_k.std_dev < 0.08 * end
    line = lines_of(found.end_k)["how slow the slower part is"]
    without = math.sqrt(found.end_k.std_dev**2 - line**2)
    assert (off > 2.0 * without) == (slower == 3.6)  # what the line is for


@pytest.mark.parametrize("share", [0.05, 0.15, 0.25, 0.3])
@pytest.mark.parametrize("idle_s", [400.0, 3600.0])
def test_a_rise_of_a_unit_that_was_warm_holds_its_end(share: float, idle_s: float) -> None:
    """Half of the heat has been there for a while: its slower part may still be to come."""
    tau, slow, end = 420.0, 1800.0, 25.0

    def step(t: np.ndarray) -> np.ndarray:
        return (1.0 - share) * -np.expm1(-t / tau) + share * -np.expm1(-t / slow)

    t = np.arange(2.0, 460.0, 2.3)
    y = 0.5 * end * (step(t + idle_s) + step(t))
    found = heat.predict_rise(t, y + np.random.default_rng(3).normal(0.0, 0.02, t.size)).end_k
    assert abs(float(found.nominal_value) - end) < 2.0 * found.std_dev < 0.25 * end


def test_what_a_unit_was_warm_by_has_its_slower_part_still_to_come() -> None:
    """As little of the curve is seen, that part is what it may be at all: a share of the whole rise
    above the room, of which the first reading tells what was there."""
    t = np.arange(2.0, 330.0, 2.3)
    y = -12.5 * np.expm1(-t / 400.0) + np.random.default_rng(3).normal(0.0, 0.02, t.size)
    cold, warm = (heat.predict_rise(t, y + had).end_k for had in (0.0, 12.5))
    of, lines = "a slower part of the rise", [lines_of(end) for end in (cold, warm)]
    assert lines[1][of] == pytest.approx(2.0 * lines[0][of], rel=0.1)
    later = float((warm - cold).nominal_value) - 12.5
    assert 0.0 < later < 0.15 * 12.5
    # What has warmed already is none of a fall that comes after it.
    back = heat.predict_rise(t, 30.0 - y).end_k
    assert lines_of(back)[of] == pytest.approx(lines[0][of], rel=0.02)
