"""Drop-outs and crackles in records of a tone, and what their counts say of the rate."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from seqrun.errors import NotMeasured
from seqrun.measure.counts import (
    event_rate,
    least_events,
    most_events,
    rate_in_any_stretch,
    surely_beyond,
)
from seqrun.measure.listening import (
    NOTHING,
    Listened,
    listen_driven,
    listen_quiet,
    period_of,
)
from seqrun.measure.stray import RIPPLE, loudest_by_chance, stray
from seqrun.values import Bound

RATE, TONE = 10e3, 1000.0
RNG = np.random.default_rng(5)


def tone(seconds: float = 2.0, noise_v: float = 0.005) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    hum = 0.01 * np.sin(2 * np.pi * 100 * t)
    return 9.0 * np.sin(2 * np.pi * TONE * 1.000005 * t) + hum + noise_v * RNG.normal(size=t.size)


def test_a_tone_that_goes_on_has_neither() -> None:
    heard = listen_driven(tone(), RATE, TONE)
    assert (heard.drop_outs, heard.crackles) == (0, 0)
    assert heard.live_s == pytest.approx(2.0)


@pytest.mark.parametrize("lasts_s", [0.003, 0.05, 0.4])
@pytest.mark.parametrize("left", [0.0, 0.7])
def test_a_tone_that_goes_away_or_down_has_dropped_out_and_not_crackled(
    lasts_s: float, left: float
) -> None:
    volts = tone()
    at = np.arange(volts.size) / RATE
    for begin in (0.3, 1.2):
        volts[(at >= begin) & (at < begin + lasts_s)] *= left
    heard = listen_driven(volts, RATE, TONE)
    assert heard.drop_outs == 2
    assert heard.lost_s == pytest.approx(2 * lasts_s, abs=0.004)
    assert heard.crackles == 0


def test_a_single_period_lost_is_no_crackle_wherever_it_lies() -> None:
    """It shows in two frames of 5 ms when it lies at the end of one."""
    whole = tone()
    for begin in range(4000, 4060):
        volts = whole.copy()
        volts[begin : begin + 10] *= 0.5
        heard = listen_driven(volts, RATE, TONE)
        assert (heard.drop_outs, heard.crackles) == (1, 0), begin


@pytest.mark.parametrize("height_v", [0.05, 0.2])
def test_a_crackle_beside_a_tone_is_heard(height_v: float) -> None:
    volts = tone()
    for begin in (3000, 11000):
        volts[begin : begin + 100] += height_v * RNG.normal(size=100)
    heard = listen_driven(volts, RATE, TONE)
    assert heard.crackles == 2
    assert heard.drop_outs == 0


def test_steady_noise_of_a_whole_soak_sets_nothing_off() -> None:
    total = sum(listen_quiet(1e-4 * RNG.normal(size=16000), RATE).crackles for _ in range(300))
    assert total == 0


STEP_V = 0.0859375  # of 8 bits over 22 V


def by_steps(volts: np.ndarray, step_v: float) -> np.ndarray:
    """What a converter makes of it."""
    return step_v * np.round(volts / step_v)


@pytest.mark.parametrize("noise_v", [0.0, 1e-4, 0.005, 0.03])
def test_steps_of_a_coarse_converter_beside_a_tone_are_no_crackles(noise_v: float) -> None:
    """Whole frames repeat code by code, others toggle as the tone drifts against the samples."""
    for begin in range(0, 20_000, 2_500):
        volts = by_steps(tone(noise_v=noise_v)[begin : begin + 2_500], STEP_V)
        assert listen_driven(volts, RATE, TONE, step_v=STEP_V).crackles == 0


def test_a_crackle_of_several_steps_is_heard_and_what_is_least_is_told() -> None:
    volts = tone(0.25)
    volts[1000:1100] += 3.0 * STEP_V * RNG.normal(size=100)
    heard = listen_driven(by_steps(volts, STEP_V), RATE, TONE, step_v=STEP_V)
    assert heard.crackles == 1
    assert STEP_V < heard.least_v < 2.0 * STEP_V


@pytest.mark.parametrize("noise_v", [1e-6, 3e-5, 6e-5, 1e-4, 2e-4])
def test_silence_that_toggles_between_codes_does_not_crackle(noise_v: float) -> None:
    """Wherever between two codes of 0.39 mV it rests, and though hum or a drift crosses one."""
    step_v = 3.90625e-4
    t = np.arange(2_500) / RATE
    for rest in np.arange(0.0, 1.0, 0.05) * step_v:
        volts = rest + 3e-5 * np.sin(2 * np.pi * 100 * t) + noise_v * RNG.normal(size=t.size)
        assert listen_quiet(by_steps(volts, step_v), RATE, step_v=step_v).crackles == 0
        volts[1200:1300] += 2e-3 * RNG.normal(size=100)
        assert listen_quiet(by_steps(volts, step_v), RATE, step_v=step_v).crackles == 1


def test_a_record_of_silence_is_no_tone() -> None:
    with pytest.raises(NotMeasured):
        listen_driven(np.zeros(20000), RATE, TONE)


@pytest.mark.parametrize(("seen", "most"), [(0, 3.783), (1, 5.683), (6, 13.22)])
def test_the_bound_of_a_count_is_the_exact_one(seen: int, most: float) -> None:
    """Of a Poisson count with that mean, so few or fewer come 2.275 times in a hundred."""
    mean = most_events(seen)
    assert mean == pytest.approx(most, abs=0.02)
    fewer = sum(math.exp(-mean) * mean**k / math.factorial(k) for k in range(seen + 1))
    assert fewer == pytest.approx(0.02275, abs=1e-5)


@pytest.mark.parametrize("mean", [2.0, 4.0, 8.0, 12.0, 30.0])
def test_a_unit_exactly_at_its_limit_passes_no_more_often_than_its_bound_allows(
    mean: float,
) -> None:
    watched, limit = 60.0, mean / 60.0
    passes = 0.0
    for seen in range(100):
        found = event_rate(seen, watched)
        guard = 2.0 * float(found.value.std_dev)
        if float(found.value.nominal_value) + guard <= limit:
            passes += math.exp(-mean + seen * math.log(mean) - math.lgamma(seen + 1))
    assert passes <= 0.0228


def test_none_seen_is_at_most() -> None:
    found = event_rate(0, 400.0)
    assert found.bound is Bound.AT_MOST
    assert found.value.nominal_value == pytest.approx(3.783 / 400.0, rel=1e-3)


def most(seen: int) -> float:
    """The largest mean that ``seen`` leave possible at 97.725 %, by SciPy's chi-square."""
    return float(stats.chi2.ppf(stats.norm.cdf(2.0), 2 * (seen + 1))) / 2.0


@pytest.mark.parametrize(
    ("seen", "high", "beyond"),
    [
        (12, 0.03, True),  # 6.2 in 130 s at the least; value - U is 0.02 /s
        (12, 0.0505, False),  # 0.0477 /s at the least
        (12, 0.01, False),  # value - U is beyond it already
        (12, None, False),
        (2, 0.03, False),
    ],
)
def test_a_count_that_is_surely_beyond_its_limit_says_so(
    seen: int, high: float | None, beyond: bool
) -> None:
    """U reaches to the upper bound of the count, further than down to the lower one."""
    rate = event_rate(seen, 130.0)
    found = surely_beyond(rate, seen, high)
    if not beyond:
        assert found is rate
        return
    assert found.bound is Bound.AT_LEAST
    least = stats.chi2.ppf(stats.norm.cdf(-2.0), 2 * seen) / 2.0 / 130.0
    assert found.value.nominal_value == pytest.approx(least)
    assert found.value.std_dev == 0.0


RECORDS = [2.0] * 300  # ten minutes of records of 2 s


def at(*records: int) -> list[int]:
    return [records.count(n) for n in range(len(RECORDS))]


def test_what_comes_only_at_the_hot_end_is_not_thinned_out_by_the_cold_hour() -> None:
    """Four in the last minute of ten: by chance one watch in a thousand has such a minute."""
    found = rate_in_any_stretch(at(280, 285, 290, 299), RECORDS, 60.0)
    assert (found.seen, found.live_s, found.uneven) == (4, 600.0, True)
    assert (found.worst_seen, found.worst_s) == (4, 60.0)
    value, u = found.rate.value.nominal_value, found.rate.value.std_dev
    assert value == pytest.approx(4 / 60.0)
    assert value + 2.0 * u == pytest.approx(most(4) / 60.0)


@pytest.mark.parametrize("first", [0, 100, 270])
def test_a_swarm_counts_wherever_in_the_watch_it_comes(first: int) -> None:
    """Also before the unit is warm."""
    found = rate_in_any_stretch(at(first, first + 14, first + 29), RECORDS, 60.0)
    assert (found.worst_seen, found.worst_s) == (3, 60.0)


def test_a_few_that_may_have_come_evenly_are_told_by_the_whole_and_bounded_by_the_worst() -> None:
    found = rate_in_any_stretch(at(5, 150, 160), RECORDS, 60.0)
    value, u = found.rate.value.nominal_value, found.rate.value.std_dev
    assert value == pytest.approx(3 / 600.0)
    assert value + 2.0 * u == pytest.approx(most(2) / 60.0)
    assert found.uneven


def test_silence_is_bounded_by_the_whole_watch() -> None:
    found = rate_in_any_stretch(at(), RECORDS, 60.0)
    assert found.rate.bound is Bound.AT_MOST
    assert found.rate.value.nominal_value == pytest.approx(most(0) / 600.0)
    assert not found.uneven


def test_a_watch_no_longer_than_its_stretch_is_one() -> None:
    found = rate_in_any_stretch(at(3, 4), RECORDS, 600.0)
    value, u = found.rate.value.nominal_value, found.rate.value.std_dev
    assert (value, found.uneven) == (pytest.approx(2 / 600.0), False)
    assert value + 2.0 * u == pytest.approx(most(2) / 600.0)


def test_records_that_were_deaf_give_no_time() -> None:
    """A stretch is so long in the time that was heard."""
    deaf = [0.0 if 100 <= n < 200 else 2.0 for n in range(300)]
    found = rate_in_any_stretch(at(99, 200), deaf, 60.0)
    assert (found.live_s, found.worst_seen, found.worst_s) == (400.0, 2, 60.0)


@pytest.mark.parametrize("rate_hz", [0.02, 0.1])
def test_an_even_rate_is_held_by_its_interval(rate_hz: float) -> None:
    """Of 400 watches of ten minutes: at least as often as the exact interval of the whole."""
    chance = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        seen = chance.poisson(2.0 * rate_hz, 300).tolist()
        value = rate_in_any_stretch(seen, RECORDS, 150.0).rate.value
        held += abs(value.nominal_value - rate_hz) <= 2.0 * value.std_dev
    assert held >= 0.95 * 400


def test_a_unit_that_crackles_at_its_limit_in_one_stretch_passes_no_more_often_than_allowed() -> (
    None
):
    """150 s at the limit of 0.03 /s among 450 s of silence: by the whole rate nine of ten pass."""
    chance = np.random.default_rng(12)
    passed = thinned = 0
    for _ in range(1000):
        seen = [0] * 225 + chance.poisson(0.06, 75).tolist()
        found = rate_in_any_stretch(seen, RECORDS, 150.0)
        value = found.rate.value
        if value.nominal_value + 2.0 * value.std_dev <= 0.03:
            passed += 1
        thinned += most(sum(seen)) / 600.0 <= 0.03
    assert passed <= 35  # 2.3 % of 1000, and four standard deviations
    assert thinned > 800


def ringing(frequency_hz: float, peak_v: float, rate_hz: float) -> np.ndarray:
    t = np.arange(round(1.2e-3 * rate_hz)) / rate_hz
    signal = 18.0 * np.sin(2 * np.pi * 1000.0 * t)
    return signal + np.where(np.abs(signal) > 15.0, peak_v, 0.0) * np.sin(
        2 * np.pi * frequency_hz * t
    )


@pytest.mark.parametrize("frequency_hz", [0.22e6, 0.3e6, 0.5e6, 0.9e6, 1.1e6, 2e6, 7.3e6, 19e6])
def test_oscillation_on_the_tips_counts_at_its_full_size(frequency_hz: float) -> None:
    """Whatever its frequency: the difference from the mean lifts 0.3 MHz by half, takes a quarter
    of 0.5 MHz, and both are taken back."""
    found = stray(ringing(frequency_hz, 1.0, 50e6), 50e6)
    assert found.rms_v == pytest.approx(math.sqrt(0.5), rel=RIPPLE)
    assert abs(found.at_v) > 14.0
    assert found.usual_v < 0.8


def test_a_tone_with_its_harmonics_leaves_nothing_above() -> None:
    t = np.arange(60_000) / 50e6
    volts = 18.0 * np.sin(2 * np.pi * 1000.0 * t) + 0.2 * np.sin(2 * np.pi * 9000.0 * t)
    assert stray(volts, 50e6).rms_v < 1e-3


def test_a_record_too_slow_for_what_is_looked_for_is_refused() -> None:
    with pytest.raises(NotMeasured, match="samples per second"):
        stray(np.zeros(5000), 500e3)


# --- by value, from both sides --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate_hz", "tone_hz", "samples"),
    [(44_100.0, 1000.0, 441), (48_000.0, 1000.0, 48), (10e3, 3000.0, 10)],
)
def test_a_tone_is_cut_where_whole_periods_are_whole_samples(
    rate_hz: float, tone_hz: float, samples: int
) -> None:
    assert period_of(rate_hz, tone_hz) == samples


def test_where_none_is_whole_the_cut_misses_the_least_part_of_a_period() -> None:
    each = 8.06  # samples in a period: of one period 8.06, of ten 80.6
    misses = {n: abs(n * each - round(n * each)) / (n * each) for n in range(1, 11)}
    best = min(misses, key=misses.__getitem__)
    assert period_of(each * 1000.0, 1000.0) == round(best * each)


def plain(noise_v: float = 0.0, seconds: float = 1.0) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(3).normal(size=t.size)
    return 9.0 * np.sin(2 * np.pi * TONE * t + 0.3) + noise_v * noise


@pytest.mark.parametrize(("level", "gone"), [(0.91, 0), (0.89, 1), (1.09, 0), (1.11, 1)])
def test_a_tone_drops_out_where_its_level_departs_by_more_than_a_tenth(
    level: float, gone: int
) -> None:
    volts = plain(0.001)
    volts[3000:3500] *= level
    heard = listen_driven(volts, RATE, TONE)
    assert (heard.drop_outs, heard.crackles) == (gone, 0 if gone else 2), "or jumps twice"
    assert heard.lost_s == pytest.approx(0.05 * gone)
    volts = plain(0.001)
    volts[:500] *= level  # from the first period on
    assert listen_driven(volts, RATE, TONE).drop_outs == gone


def test_a_crackle_is_three_times_as_loud_as_what_a_record_less_itself_holds() -> None:
    """Noise of s leaves s·√2: what is heard from is 3·√2·s, and a spike its own height."""
    volts = plain(0.01)
    heard = listen_driven(volts, RATE, TONE)
    assert heard.least_v == pytest.approx(3.0 * math.sqrt(2.0) * 0.01, rel=0.03)
    assert (heard.crackles, heard.peak_v) == (0, 0.0)
    # A spike of h in one of 50 samples: the rms over 5 ms is h/√50, or √2 of that where the
    # frame holds what it leaves a period later as well.
    for share, crackles in ((0.6, 0), (1.6, 1)):
        spiked = volts.copy()
        spiked[5025] += (h := share * heard.least_v * math.sqrt(50.0))
        found = listen_driven(spiked, RATE, TONE)
        assert found.crackles == crackles
        assert found.peak_v == pytest.approx(crackles * h, abs=0.05)


@pytest.mark.parametrize(("seconds", "heard"), [(0.0199, False), (0.0201, True)])
def test_a_record_of_fewer_than_twenty_looks_is_no_soak(seconds: float, heard: bool) -> None:
    volts = plain(0.001, seconds)
    if heard:
        assert listen_driven(volts, RATE, TONE).live_s == pytest.approx(seconds)
        return
    with pytest.raises(NotMeasured, match="19 looks at a tone"):
        listen_driven(volts, RATE, TONE)


def test_what_was_heard_adds_up_and_the_loudest_and_the_deafest_stand() -> None:
    both = Listened(1, 0.5, 2, 3.0, 10.0, 0.02) + Listened(2, 0.25, 1, 4.0, 5.0, 0.01)
    assert both == Listened(3, 0.75, 3, 4.0, 15.0, 0.02)
    assert both + NOTHING == both


def test_silence_is_heard_for_the_whole_of_its_frames_and_a_burst_by_its_peak() -> None:
    noise = 1e-4 * np.random.default_rng(4).normal(size=16_020)
    heard = listen_quiet(noise, RATE)
    assert (heard.crackles, heard.peak_v) == (0, 0.0)
    assert heard.live_s == pytest.approx(1.6)
    noise[8000] += 0.01
    burst = listen_quiet(noise, RATE)
    assert (burst.crackles, burst.peak_v) == (1, pytest.approx(0.01, rel=0.05))


def test_stray_is_the_rms_of_its_loudest_frame_and_tells_where_the_output_stood() -> None:
    """A burst of 10 MHz: far above what the mean of a period of 200 kHz follows."""
    rate_hz = 50e6
    volts = np.linspace(-10.0, 10.0, 60_000)
    at = slice(45_000, 47_000)
    t = np.arange(2_000) / rate_hz
    volts[at] += 0.5 * np.sin(2 * np.pi * 10e6 * t + 0.4)
    found = stray(volts, rate_hz)
    assert found.rms_v == pytest.approx(0.5 / math.sqrt(2.0), rel=0.01)
    assert (found.samples, found.frame_s) == (1000, pytest.approx(20e-6))
    assert found.usual_v < 1e-3
    # 45,000 of 60,000 lie at 5 V: the frame is the one of the two that holds all of it
    assert found.at_v == pytest.approx(5.0 + 20.0 / 60.0, abs=0.6)
    slow = stray(volts[::50], 1e6, above_hz=200e3)
    assert (slow.samples, slow.frame_s) == (20, pytest.approx(20e-6))
    assert stray(volts[::100], 0.8e6).samples == 16, "never fewer"


@pytest.mark.parametrize(("rate_hz", "seen"), [(0.7e6, True), (0.69e6, False)])
def test_stray_wants_four_samples_in_a_period(rate_hz: float, seen: bool) -> None:
    if seen:
        stray(np.zeros(5000), rate_hz)
        return
    with pytest.raises(NotMeasured, match="samples per second"):
        stray(np.zeros(5000), rate_hz)


def test_stray_wants_ten_frames_of_what_the_means_leave() -> None:
    """Of 16 samples at 0.8 MHz; each mean of 5 takes 4."""
    stray(np.zeros(168), 0.8e6)
    with pytest.raises(NotMeasured, match="9 frames"):
        stray(np.zeros(167), 0.8e6)


def test_the_loudest_of_many_frames_of_noise_is_as_loud_as_extreme_values_say() -> None:
    rng = np.random.default_rng(8)
    frames = rng.normal(size=(40, 500, 100))
    loudest = np.sqrt(np.mean(frames**2, axis=2)).max(axis=1)
    expected = loudest_by_chance(500, 100)
    assert expected == pytest.approx(1.0 + math.sqrt(2.0 * math.log(500.0)) / math.sqrt(200.0))
    assert float(np.median(loudest)) == pytest.approx(expected, rel=0.05)
    assert loudest_by_chance(1, 100) == loudest_by_chance(2, 100)


def test_nothing_is_told_of_a_rate_that_nobody_listened_for() -> None:
    with pytest.raises(NotMeasured, match="no time was listened to"):
        event_rate(0, 0.0)
    found = event_rate(4, 100.0)
    most = stats.chi2.ppf(0.97725, 10) / 2.0 / 100.0
    assert found.value.nominal_value == 0.04
    assert 0.04 + 2.0 * found.value.std_dev == pytest.approx(most, rel=1e-4)
    assert least_events(4) == pytest.approx(stats.chi2.ppf(0.02275, 8) / 2.0, rel=1e-4)
    assert least_events(1) == pytest.approx(-math.log(0.97725), rel=1e-4)
    assert least_events(0) == 0.0
