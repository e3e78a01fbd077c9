"""Noise levels, signal-to-noise, bursts and their rate."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded
from seqrun.measure.noise import (
    STATISTICS,
    burst_rate,
    find_bursts,
    level_of_records,
    noise_level,
    signal_to_noise_db,
)
from seqrun.measure.weighting import Weighting
from seqrun.values import Bound, budget_of, normal

RATE = 100_000.0


def hiss(seed: int, points: int = 50_000, rms: float = 1e-3) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, rms, points)


def test_level_of_white_noise_is_its_share_of_the_band_and_held_by_its_interval() -> None:
    truth = 1e-3 * math.sqrt((22_000.0 - 22.0) / (RATE / 2.0))
    levels = [noise_level(hiss(seed), RATE).rms.value for seed in range(150)]
    held = sum(abs(v.nominal_value - truth) <= 2.0 * v.std_dev for v in levels)
    assert 0.90 * 150 <= held <= 149


def test_hum_in_the_band_counts_and_does_not_widen_the_interval_as_noise_would() -> None:
    time = np.arange(50_000) / RATE
    quiet = noise_level(hiss(1), RATE).rms.value
    loud = noise_level(hiss(1) + 5e-3 * np.sin(2 * np.pi * 100.0 * time), RATE).rms.value
    assert loud.nominal_value == pytest.approx(
        math.hypot(quiet.nominal_value, 5e-3 / math.sqrt(2.0)), rel=0.005
    )
    assert loud.std_dev < 0.01 * loud.nominal_value


def test_a_weighting_quietens_hum() -> None:
    time = np.arange(100_000) / RATE
    hum = 1e-3 * np.sin(2 * np.pi * 100.0 * time) + hiss(1, 100_000, 1e-7)
    flat, weighted = (
        noise_level(hum, RATE, weighting=w).rms.value.nominal_value
        for w in (Weighting.UNWEIGHTED, Weighting.A)
    )
    assert 20.0 * math.log10(weighted / flat) == pytest.approx(-19.1, abs=0.1)


def test_noise_of_the_scope_is_taken_out() -> None:
    both = np.hypot(1e-3, 0.75e-3) * hiss(2, rms=1.0)
    share = math.sqrt(21_978.0 / 50_000.0)
    found = noise_level(both, RATE, floor=normal(0.75e-3 * share, 1e-6, "scope")).rms
    assert found.bound is Bound.EXACT
    assert found.value.nominal_value == pytest.approx(1e-3 * share, rel=0.03)


def test_noise_within_the_scopes_own_is_at_most_what_was_read() -> None:
    found = noise_level(hiss(3), RATE, floor=1e-3).rms
    assert found.bound is Bound.AT_MOST
    assert found.value.nominal_value == pytest.approx(0.663e-3, rel=0.03)


@pytest.mark.parametrize(
    ("points", "rate", "reason"),
    [(50_000, 40_000.0, "sample rate"), (2_000, RATE, "a record of"), (8, RATE, "at least 16")],
)
def test_noise_of_a_record_that_cannot_hold_it_is_not_measured(
    points: int, rate: float, reason: str
) -> None:
    with pytest.raises(NotMeasured, match=reason):
        noise_level(hiss(0, points), rate)


def test_signal_to_noise_of_a_volt_over_a_millivolt_is_60_db() -> None:
    ratio = signal_to_noise_db(normal(1.0, 0.01, "s"), normal(1e-3, 1e-5, "n"))
    assert ratio.nominal_value == pytest.approx(60.0)
    assert ratio.std_dev == pytest.approx(20.0 / math.log(10.0) * math.hypot(0.01, 0.01))


def test_steady_noise_has_hardly_any_bursts() -> None:
    assert sum(len(find_bursts(hiss(seed, 100_000), RATE).starts_s) for seed in range(100)) <= 4


def test_bursts_are_found_where_they_are() -> None:
    noise = hiss(5, 300_000)
    for at in (50_000, 120_000, 250_000):
        noise[at : at + 2_000] *= 4.0
    found = find_bursts(noise, RATE)
    assert found.starts_s == pytest.approx((0.5, 1.2, 2.5), abs=0.01)
    assert found.lengths_s == pytest.approx((0.02, 0.02, 0.02), abs=0.006)
    assert found.quiet_rms_v == pytest.approx(1e-3, rel=0.02)


def test_a_slow_drift_of_the_offset_is_no_burst() -> None:
    drift = np.linspace(0.0, 0.01, 300_000)
    assert find_bursts(hiss(6, 300_000) + drift, RATE).starts_s == ()


def test_four_bursts_in_40_s_are_0_1_hz_up_to_the_exact_bound_of_four() -> None:
    """Four or fewer of a mean of 10.39 come 2.275 times in a hundred (Poisson)."""
    found = burst_rate(4, 40.0, 0.005)
    assert found.bound is Bound.EXACT
    assert found.value.nominal_value == pytest.approx(0.1, rel=1e-3)
    most = 40.0 * (0.1 + 2.0 * found.value.std_dev)
    fewer = sum(math.exp(-most) * most**k / math.factorial(k) for k in range(5))
    assert fewer == pytest.approx(0.02275, rel=0.01)


def test_no_burst_in_60_s_leaves_0_063_hz_possible() -> None:
    """Poisson: a rate of 3.78/T stays unseen with a chance of exp(-3.78), 2.3 %."""
    found = burst_rate(0, 60.0, 0.005)
    assert found.bound is Bound.AT_MOST
    assert found.value.nominal_value == pytest.approx(0.06305, rel=1e-3)


@pytest.mark.parametrize("rate", [5.0, 40.0, 120.0])
def test_bursts_that_run_into_one_another_are_counted_by_the_time_between_them(
    rate: float,
) -> None:
    """A counter's live time: what cannot be seen to begin is no sign that nothing did. Bursts of
    8 ms in frames of 5 ms, their beginnings a Poisson process."""
    rng = np.random.default_rng(7)
    frame, frames = 0.005, 60_000
    loud = np.zeros(frames, dtype=bool)
    for start in rng.uniform(0.0, frames * frame, rng.poisson(rate * frames * frame)):
        loud[int(start / frame) : int((start + 0.008) / frame) + 1] = True
    begun = int(np.count_nonzero(loud[1:] & ~loud[:-1]))
    found = burst_rate(begun, frame * int(np.count_nonzero(~loud)), frame)
    assert found.value.nominal_value == pytest.approx(rate, abs=3.0 * found.value.std_dev)
    assert found.value.std_dev < 0.1 * rate


@pytest.mark.parametrize(("share", "merged"), [(0.05, False), (0.7, True)])
def test_bursts_without_end_are_told_from_a_few(share: float, merged: bool) -> None:
    rng = np.random.default_rng(3)
    loud = np.repeat(rng.random(1000) < share, 500)
    found = find_bursts(hiss(8, loud.size) * np.where(loud, 30.0, 1.0), RATE)
    assert found.merged is merged


def test_hum_of_any_strength_is_not_taken_for_bursts() -> None:
    t = np.arange(500_000) / RATE
    for phase in np.linspace(0.0, math.pi, 7):
        for hertz in (50.0, 60.0, 100.0):
            hum = 0.2 * np.sin(2.0 * math.pi * hertz * t + phase)
            assert not find_bursts(hiss(9, t.size) + hum, RATE).merged


@pytest.mark.parametrize("hertz", [49.7, 50.0, 59.8, 60.0])
def test_hum_makes_no_bursts_and_hides_none_that_are_half_as_loud(hertz: float) -> None:
    """Its quarter periods differ by up to 4.8 in rms: one about a peak has lost most to its own
    mean. A record of two seconds, as the steps take them."""
    rng, t = np.random.default_rng(4), np.arange(200_000) / RATE
    for phase in rng.uniform(0.0, 2.0 * math.pi, 8):
        turn = 2.0 * math.pi * hertz * t + phase
        hum = 5e-3 * np.sin(turn) + 2e-3 * np.sin(2.0 * turn + 1.0)
        noise = hiss(int(1e6 * phase), t.size)
        assert find_bursts(noise + hum, RATE).starts_s == ()
        noise[60_000:61_000] += 2.5e-3 * rng.normal(size=1000)
        (start,) = find_bursts(noise + hum, RATE).starts_s
        assert start == pytest.approx(0.6, abs=0.006)


@pytest.mark.parametrize("rate", [1e4, RATE])
@pytest.mark.parametrize("share", [0.05, 0.2, 0.33, 0.44, 0.55, 0.7, 0.9])
def test_hum_that_comes_and_goes_is_a_burst_and_not_taken_out(share: float, rate: float) -> None:
    """A ground that lets go for a while: the only thing that is heard of it."""
    t = np.arange(round(1.8 * rate)) / rate
    comes = (t > 0.1) & (t < 0.1 + 0.95 * share * 1.8)
    for hertz in (50.05, 60.0):
        hum = np.where(comes, 0.02 * np.sin(2.0 * math.pi * hertz * t + 1.0), 0.0)
        found = find_bursts(0.2 * hiss(11, t.size) + hum, rate)
        if share < 0.5:
            (start,) = found.starts_s
            assert start == pytest.approx(0.1, abs=0.01)
        assert found.starts_s or found.merged


def test_where_no_quiet_is_left_the_rate_is_at_least_one_a_frame() -> None:
    found = burst_rate(3, 0.01, 0.005)
    assert found.bound is Bound.AT_LEAST
    assert found.value.nominal_value == pytest.approx(200.0)


def test_a_watch_of_no_time_tells_nothing() -> None:
    with pytest.raises(NotMeasured, match="no time was watched"):
        burst_rate(0, 0.0, 0.005)


@pytest.mark.parametrize("loud", [1.02, 3.0])
def test_a_record_counts_by_itself_only_where_it_stands_out(loud: float) -> None:
    volts = [1.0, 1.01, 0.99, 1.0, 1.01, 0.99, loud]
    level, alone = level_of_records([Bounded(normal(v, 0.01, STATISTICS)) for v in volts])
    assert alone is (loud > 2.0)
    middle = (sum(v * v for v in volts) / len(volts)) ** 0.5
    assert level.value.nominal_value == pytest.approx(loud if alone else middle)


def test_noise_below_one_code_of_the_converter_is_no_burst_and_a_burst_is_one() -> None:
    rng = np.random.default_rng(5)
    step = 0.01
    volts = np.rint(rng.normal(0.0, 0.13 * step, 20_000) / step) * step
    frames = volts.reshape(-1, 20)
    assert (frames.std(axis=1) == 0.0).any()  # whole frames on one code
    assert len(find_bursts(volts, 20e3).starts_s) == 0
    volts[10_000:10_200] += np.rint(rng.normal(0.0, 5.0, 200)) * step
    assert len(find_bursts(volts, 20e3).starts_s) == 1


def test_a_record_of_one_code_has_no_bursts() -> None:
    assert len(find_bursts(np.full(20_000, 0.25), 20e3).starts_s) == 0


@pytest.mark.parametrize("buried", [0, 1, 3])
def test_a_level_of_records_of_which_one_is_buried_is_at_most(buried: int) -> None:
    levels = [
        Bounded(normal(1.0, 0.01, STATISTICS), Bound.AT_MOST if n < buried else Bound.EXACT)
        for n in range(3)
    ]
    level, alone = level_of_records(levels)
    assert not alone
    assert level.bound is (Bound.AT_MOST if buried else Bound.EXACT)


def test_what_records_differ_by_beyond_their_own_statistics_is_scatter_between_them() -> None:
    """u² of the mean square, of three records: (2·mean)²·(s² − u²)/3."""
    volts, u = [1.0, 1.1, 0.9], 0.04
    level, _ = level_of_records([Bounded(normal(v, u, STATISTICS)) for v in volts])
    (more,) = [c for c in budget_of(level.value) if c.source.name == "scatter between the records"]
    rms = math.sqrt(sum(v * v for v in volts) / 3.0)
    of_square = 2.0 * math.sqrt((0.01 - u**2) / 3.0)
    assert more.standard_uncertainty == pytest.approx(of_square / (2.0 * rms))
    alike, _ = level_of_records([Bounded(normal(v, 0.2, STATISTICS)) for v in volts])
    assert {c.source.name for c in budget_of(alike.value)} == {STATISTICS}
    one, _ = level_of_records([Bounded(normal(1.0, u, STATISTICS))])
    assert one.value.std_dev == pytest.approx(u)
