"""Rises, runaway, sensors that lie, and the rule of settling."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure import heat, temperature
from seqrun.measure.saturating import fit_saturating
from seqrun.measure.settle import settling
from seqrun.values import COVERAGE_FACTOR, budget_of, normal, rectangular


def rise(time: np.ndarray, end: float = 30.0, tau: float = 600.0) -> np.ndarray:
    return end * (1.0 - np.exp(-time / tau))


def readings(seconds: float, seed: int = 0, sd: float = 0.02) -> tuple[np.ndarray, np.ndarray]:
    time = np.arange(0.0, seconds, 5.0)
    return time, rise(time) + np.random.default_rng(seed).normal(0.0, sd, time.size)


def test_the_end_of_a_rise_is_predicted_from_one_and_a_half_time_constants() -> None:
    found = heat.predict_rise(*readings(900.0))
    assert found.fit.start + found.fit.rise == pytest.approx(30.0, abs=0.15)
    assert found.tau_s.nominal_value == pytest.approx(600.0, rel=0.02)
    assert abs(found.end_k.nominal_value - 30.0) <= 2.0 * found.end_k.std_dev


@pytest.mark.parametrize(("minutes", "most"), [(15.0, 4.95), (20.0, 3.5), (30.0, 1.1)])
@pytest.mark.parametrize("begun", [0.0, 0.5])
def test_the_interval_of_a_predicted_rise_holds_one_of_a_single_constant_and_is_no_wider_than_told(
    minutes: float, most: float, begun: float
) -> None:
    """Also where the unit was warm already. A slower part, nobody knows how slow, and better
    cooling are possible: the longer the record, the less of them."""
    held, u = 0, []
    time = np.arange(5.0, 60.0 * minutes, 5.0)
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0.0, 0.03, time.size)
        end = heat.predict_rise(time, 30.0 * begun + (1.0 - begun) * rise(time) + noise).end_k
        held += abs(end.nominal_value - 30.0) <= COVERAGE_FACTOR * end.std_dev
        u.append(end.std_dev)
    assert held >= 37
    assert 0.05 < COVERAGE_FACTOR * float(np.median(u)) < most


@pytest.mark.parametrize("share", [0.1, 0.2])
@pytest.mark.parametrize("minutes", [15.0, 20.0, 30.0])
def test_a_second_time_constant_of_35_minutes_is_within_the_interval(
    share: float, minutes: float
) -> None:
    """A case that takes part in the rise long after the sink has its own."""
    held = 0
    time = np.arange(5.0, 60.0 * minutes, 5.0)
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0.0, 0.03, time.size)
        true = (1.0 - share) * rise(time) + share * rise(time, tau=2100.0)
        end = heat.predict_rise(time, true + noise).end_k
        held += abs(end.nominal_value - 30.0) <= COVERAGE_FACTOR * end.std_dev
    assert held >= 36


def test_what_a_slower_part_may_add_is_in_the_budget_and_fades_with_time() -> None:
    u = []
    for minutes in (12.0, 20.0, 40.0):
        end = heat.predict_rise(*readings(60.0 * minutes, sd=0.03)).end_k
        (line,) = [c for c in budget_of(end) if c.source.name == "a slower part of the rise"]
        u.append(line.standard_uncertainty)
    assert u[0] > 1.3 * u[1] > 3.0 * u[2]
    # before much is seen it is what it may be at all: 20 % of the rise, of which some has come
    assert 0.3 < u[0] < heat.SLOW_SHARE[1] * 30.0


def warmed(share: float, power: float, tau: float, slow: float, time: np.ndarray) -> np.ndarray:
    """A rise that ends at 30 K, by small steps: this share of the heat goes by a case that is slow,
    the rest to the air as the rise to one plus this power."""
    sink = case = 0.0
    shown = []
    for _ in range(int(time[-1]) + 1):
        shown.append(sink)
        over = (sink - case) * 2.0 * share
        air = (1.0 - share) * sink * (sink / 30.0) ** power
        sink += (30.0 - air - over) / tau
        case += (over - case * 2.0 * share) / (slow * 4.0 * share)
    return np.interp(time, np.arange(len(shown)), shown)


@pytest.mark.parametrize(("share", "power"), [(0.05, 0.3), (0.15, 0.1), (0.15, 0.25), (0.25, 0.15)])
@pytest.mark.parametrize("minutes", [14.0, 20.0, 30.0])
def test_a_slow_case_and_cooling_that_gets_better_are_within_the_interval_together(
    share: float, power: float, minutes: float
) -> None:
    time = np.arange(5.0, 60.0 * minutes, 5.0)
    noise = np.random.default_rng(1).normal(0.0, 0.01, time.size)
    end = heat.predict_rise(time, warmed(share, power, 540.0, 1800.0, time) + noise).end_k
    assert end.nominal_value == pytest.approx(30.0, abs=COVERAGE_FACTOR * end.std_dev)
    assert end.std_dev < 2.5


def test_a_fit_carries_a_drift_of_the_room_on() -> None:
    """By more than what the room has drifted by, and by the less the more of the rise is seen."""
    carried = [heat.drift_carried(*readings(seconds), 60.0) for seconds in (700.0, 1200.0)]
    assert carried[0] > 1.5 * 760.0 and carried[1] > 1260.0
    time, plain = readings(1200.0)
    drift = 0.5 / 3600.0
    moved = heat.predict_rise(time, plain + drift * (time + 60.0)).end_k
    apart = float(moved.nominal_value - heat.predict_rise(time, plain).end_k.nominal_value)
    assert abs(apart) <= drift * carried[1] * 1.0001
    assert abs(apart) > 0.5 * drift * carried[1]


def climbing(gain: float, minutes: float, noise: float, seed: int = 0) -> tuple[np.ndarray, ...]:
    """Current of a stage whose sink (τ = 600 s) warms by 0.2 A of idle, with that thermal loop
    gain: above 1 it runs away."""
    time = np.arange(0.0, 60.0 * minutes, 5.0)
    rate = (1.0 - gain) / 600.0
    grown = -np.expm1(-rate * time) / (1.0 - gain) if gain != 1.0 else time / 600.0
    amperes = 0.2 + 0.2 * 0.3 * gain * grown
    return time, amperes + np.random.default_rng(seed).normal(0.0, noise, time.size)


@pytest.mark.parametrize("gain", [1.0, 1.2, 1.5])
def test_a_current_that_climbs_without_slowing_down_is_seen(gain: float) -> None:
    assert all(heat.still_climbing(*climbing(gain, 10.0, 5e-4, seed)) for seed in range(20))


@pytest.mark.parametrize("gain", [0.0, 0.2, 0.4])
def test_a_current_that_levels_off_with_its_temperature_is_left_alone(gain: float) -> None:
    seen = sum(heat.still_climbing(*climbing(gain, 15.0, 5e-4, seed)) for seed in range(40))
    assert seen <= 2  # by chance, and then the soak only goes on


def test_a_current_lost_in_its_noise_and_a_few_readings_say_nothing() -> None:
    assert sum(heat.still_climbing(*climbing(0.0, 15.0, 0.05, seed)) for seed in range(100)) <= 6
    time, amperes = climbing(1.5, 10.0, 1e-5)
    assert not heat.still_climbing(time[:14], amperes[:14])
    assert heat.still_climbing(time[:15], amperes[:15])


def test_how_far_a_current_climbs_with_a_rise_goes_by_the_last_third() -> None:
    """0.2 A that climbs by 2 mA a kelvin: by 0.2 of what it is at the end over 20 K, and so much
    more. What came before the last third is none of it."""
    time = np.arange(0.0, 600.0, 5.0)
    rises = 0.01 * time
    amperes = 0.2 + 2e-3 * (rises - rises[100:].mean())
    amperes[:80] = 0.7
    found = heat.climb_by(time, rises, amperes, 20.0)
    assert found.nominal_value == pytest.approx(2e-3 * 20.0 / amperes[80:].mean())
    assert found.std_dev < 1e-6


def test_u_of_how_far_a_current_climbs_is_its_scatter() -> None:
    """Of both, by Monte Carlo."""
    time = np.arange(0.0, 600.0, 5.0)

    def of(seed: int) -> UFloat:
        by = np.random.default_rng(seed)
        rises = 0.01 * time + by.normal(0.0, 0.1, time.size)
        amperes = 0.2 + 2e-5 * time + by.normal(0.0, 1e-3, time.size)
        return heat.climb_by(time, rises, amperes, 20.0)

    many = [of(seed) for seed in range(300)]
    spread = np.std([one.nominal_value for one in many])
    assert np.mean([one.std_dev for one in many]) == pytest.approx(spread, rel=0.15)


@pytest.mark.parametrize(
    ("rise", "ampere", "words"),
    [(0.0, 0.2, "does not move"), (-0.01, 0.2, "does not move"), (0.01, 0.0, "no current")],
)
def test_a_current_is_not_said_to_climb_with_what_does_not(
    rise: float, ampere: float, words: str
) -> None:
    """A sensor that has come off: the metal may warm all the same."""
    time = np.arange(0.0, 600.0, 5.0)
    with pytest.raises(NotMeasured, match=words):
        heat.climb_by(time, rise * time, np.full(time.size, ampere), 20.0)


@pytest.mark.parametrize("seconds", [900.0, 1500.0, 2700.0])
def test_several_time_constants_are_within_the_interval_of_the_one_fitted(seconds: float) -> None:
    """Sink 30 K and 600 s, case 2 K and 150 s, junction 1 K and 15 s."""
    held = 0
    time = np.arange(0.0, seconds, 5.0)
    true = rise(time) + rise(time, 2.0, 150.0) + rise(time, 1.0, 15.0)
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0.0, 0.02, time.size)
        end = heat.predict_rise(time, true + noise).end_k
        held += abs(end.nominal_value - 33.0) <= 2.0 * end.std_dev
    assert held >= 37


def test_cooling_that_improves_with_heat_is_within_the_interval() -> None:
    """Convection ∝ ΔT^1.25: C·dT/dt = P − k·T^1.25."""
    end, tau = 40.0, 700.0
    now, true, time = 0.0, [], np.arange(0.0, 1500.0, 5.0)
    for _ in time:
        true.append(now)
        for _ in range(50):
            now += 0.1 * end / tau * (1.0 - (now / end) ** 1.25)
    noise = np.random.default_rng(1).normal(0.0, 0.02, time.size)
    found = heat.predict_rise(time, np.array(true) + noise).end_k
    assert abs(found.nominal_value - end) <= 2.0 * found.std_dev


def test_sensor_tolerances_are_in_the_end_of_the_rise() -> None:
    sensors = rectangular(0.0, 0.6, "sink tolerance") - rectangular(0.0, 0.4, "ambient tolerance")
    found = heat.predict_rise(*readings(2400.0), systematic=sensors)
    assert {c.source.name for c in budget_of(found.end_k)[:2]} == {
        "sink tolerance",
        "ambient tolerance",
    }


@pytest.mark.parametrize("seconds", [20.0, 120.0])
def test_a_rise_that_has_hardly_begun_is_not_predicted(seconds: float) -> None:
    with pytest.raises(NotMeasured):
        heat.predict_rise(*readings(seconds))


def test_a_straight_rise_is_not_predicted() -> None:
    time = np.arange(0.0, 900.0, 5.0)
    noise = np.random.default_rng(0).normal(0.0, 0.02, time.size)
    with pytest.raises(NotMeasured):
        heat.predict_rise(time, 0.02 * time + noise)


def test_fit_does_not_care_where_the_time_axis_begins() -> None:
    time, values = readings(1500.0)
    one, other = fit_saturating(time, values), fit_saturating(time[60:], values[60:])
    assert other.rate == pytest.approx(one.rate, rel=0.05)
    assert other.start + other.rise == pytest.approx(one.start + one.rise, abs=0.1)


def test_settled_is_no_more_than_3_k_in_30_min() -> None:
    assert not heat.settled_rise(*readings(2400.0)).settled
    assert heat.settled_rise(*readings(3600.0)).settled


def test_a_settled_rise_is_held_by_its_interval() -> None:
    found = [heat.settled_rise(*readings(3600.0, seed)).rise_k for seed in range(60)]
    held = sum(abs(r.nominal_value - 30.0) <= 2.0 * r.std_dev for r in found)
    assert held >= 56


def test_less_than_30_min_cannot_be_called_settled() -> None:
    with pytest.raises(NotMeasured, match="30 min"):
        heat.settled_rise(*readings(1700.0))


def test_runaway_bends_upwards_and_warming_up_does_not() -> None:
    time = np.arange(0.0, 600.0, 5.0)
    noise = np.random.default_rng(2).normal(0.0, 1e-4, time.size)
    assert heat.runaway(time, 0.1 * np.exp(time / 400.0) + noise).running_away
    assert not heat.runaway(time, 0.1 + 0.05 * rise(time, 1.0, 200.0) + noise).running_away
    assert not heat.runaway(time, 0.1 + noise).running_away


def test_thermal_loop_gain_is_volts_times_slope_times_resistance() -> None:
    """V·dI/dT·Rth: 60 V, 2 mA/K, 8 K/W make 0.96: on the brink."""
    gain = heat.loop_gain(
        normal(60.0, 0.1, "v"), normal(2e-3, 1e-5, "slope"), normal(8.0, 0.1, "rth")
    )
    assert gain.nominal_value == pytest.approx(0.96)


def test_slope_of_current_over_temperature_is_held_by_its_interval() -> None:
    rng = np.random.default_rng(5)
    x = np.linspace(25.0, 60.0, 15)
    held = 0
    for _ in range(200):
        found = heat.slope(x, 0.02 + 1e-3 * x + rng.normal(0.0, 1e-3, x.size))
        held += abs(found.nominal_value - 1e-3) <= 2.0 * found.std_dev
    assert held >= 184


def test_thermal_resistance_without_heat_is_not_measured() -> None:
    with pytest.raises(NotMeasured, match="no heat"):
        heat.thermal_resistance(normal(1.0, 0.1, "rise"), normal(0.0, 0.1, "heat"))


@pytest.mark.parametrize("ohms", [0.2, 9.9e37, 1000.0])
def test_a_shorted_open_or_foreign_sensor_is_not_measured(ohms: float) -> None:
    with pytest.raises(NotMeasured, match="sensor"):
        temperature.pt100_reading(normal(ohms, 0.01, "meter"), "B")


def test_a_sensor_that_has_fallen_off_is_noticed() -> None:
    heat_w, cold = normal(30.0, 1.0, "heat"), normal(0.4, 0.3, "rise")
    with pytest.raises(NotMeasured, match="fallen off"):
        temperature.check_attached(cold, heat_w, 0.2, 10.0)
    temperature.check_attached(normal(6.5, 0.3, "rise"), heat_w, 0.2, 10.0)


def test_one_sensors_tolerance_cancels_in_its_own_change() -> None:
    error = temperature.sensor_error("sink")
    cold, hot = (
        temperature.pt100_reading(normal(r, 1e-4, "m"), "B", error) for r in (109.73, 119.40)
    )
    assert (hot - cold).std_dev == pytest.approx(0.005 * 25.0 / math.sqrt(3.0), rel=0.02)


def test_a_steady_reading_settles_and_a_moving_one_does_not() -> None:
    time = np.arange(0.0, 3.01, 0.25)
    assert settling(time, 0.01 + 0.0 * time, within=2e-3, for_s=3.0).settled
    assert not settling(time, 0.01 + 2e-3 * time, within=2e-3, for_s=3.0).settled


def test_a_window_that_is_not_full_does_not_settle() -> None:
    time = np.arange(0.0, 2.0, 0.25)
    assert not settling(time, 0.0 * time, within=1.0, for_s=3.0).settled


def test_noise_alone_neither_counts_as_settled_nor_forbids_it_for_ever() -> None:
    rng = np.random.default_rng(3)
    few, many = np.linspace(0.0, 3.0, 8), np.linspace(0.0, 3.0, 2000)
    noise = 5e-3
    early = [
        settling(few, rng.normal(0.0, noise, 8), within=2e-3, for_s=3.0).settled for _ in range(200)
    ]
    late = [
        settling(many, rng.normal(0.0, noise, 2000), within=2e-3, for_s=3.0).settled
        for _ in range(50)
    ]
    assert sum(early) <= 10
    assert sum(late) >= 45


def test_only_the_trailing_window_counts() -> None:
    time = np.arange(0.0, 60.0, 0.25)
    state = settling(time, np.exp(-time / 2.0), within=1e-3, for_s=3.0)
    assert state.settled
    assert state.span_s == pytest.approx(3.0)
