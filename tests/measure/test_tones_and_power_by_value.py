"""Two tones, clipping, power and corners by value, and where each rule turns."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seqrun.errors import NotMeasured
from seqrun.measure import (
    banks,
    distortion,
    headroom,
    intermodulation,
    power,
    sinefit,
    transfer,
)
from seqrun.measure.bounds import Bounded
from seqrun.values import Bound, budget_of, exactly, normal, student

RATE = 10e3


def sine(hertz: float, points: int, rate_hz: float = RATE, peak: float = 1.0) -> np.ndarray:
    return peak * np.sin(2.0 * np.pi * hertz * np.arange(points) / rate_hz)


def white(sd: float, points: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, points)


def gains(n: int) -> list[object]:
    return [normal(1.0, 1e-3, f"{k}") for k in range(n)]


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
    # one side line of the two is enough to know how much there is; of none there is at most so much
    assert (one.second.bound, one.third.bound) == (Bound.AT_MOST, Bound.EXACT)


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


def test_fitted_distortion_and_that_of_the_spectrum_may_differ_where_nothing_is_judged() -> None:
    """They have to agree above the bench's own distortion, and about a limit."""

    def read(share: float, u: float = 1e-6) -> Bounded:
        return Bounded(normal(share, u, f"{share}"))

    distortion.check_agreement(read(0.0100), read(0.01009))
    with pytest.raises(NotMeasured, match="by the spectrum"):
        distortion.check_agreement(read(0.0100), read(0.01012))
    distortion.check_agreement(read(0.0100), read(0.01112), slack=0.00113)
    with pytest.raises(NotMeasured):
        distortion.check_agreement(read(0.0100), read(0.01112), slack=0.00111)
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


def bent(*points: tuple[float, float]) -> list[power.PowerPoint]:
    return [power.PowerPoint(normal(w, 1e-9, f"{w}"), exactly(d)) for w, d in points]


def test_between_two_levels_the_bend_is_that_of_a_parabola_through_a_third() -> None:
    """ln P against ln d; by NumPy's polynomial through the same three, at 1 %."""
    low, high, above, below = (40.0, 0.003), (44.0, 0.02), (47.0, 0.1), (33.0, 0.0001)
    straight = math.exp(
        math.log(40.0) + math.log(44.0 / 40.0) * math.log(0.01 / 0.003) / math.log(0.02 / 0.003)
    )
    hooked = (30.0, 0.00299)  # a parabola through it leaves the two far behind
    for thirds in ([above], [below], [above, below], [hooked]):
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


@pytest.mark.parametrize("louder", ["lower", "upper"])
def test_of_two_tones_one_percent_apart_each_is_found_though_the_other_is_louder(
    louder: str,
) -> None:
    points, f1, f2 = 20_000, 3000.0, 3030.0
    peaks = (2.0, 1.0) if louder == "lower" else (1.0, 2.0)
    wave = sine(f1, points, peak=peaks[0]) + sine(f2, points, peak=peaks[1]) + white(1e-6, points)
    found = intermodulation.difference_distortion(wave, RATE, f1, f2)
    assert (found.f1_hz, found.f2_hz) == (
        pytest.approx(f1, abs=0.01),
        pytest.approx(f2, abs=0.01),
    )


def test_the_scatter_of_a_waveform_is_that_of_its_eight_parts() -> None:
    """Each under its own Hann weight, with Student's factor and the freedom of seven."""
    wave = sine(100.0, 8000) + white(0.3, 8000, 5)
    weight = 1.0 - np.cos(2.0 * np.pi * (np.arange(1000) + 0.5) / 1000)
    squares = []
    for part in wave.reshape(8, 1000):
        about = part - np.average(part, weights=weight)
        squares.append(np.average(about**2, weights=weight))
    found = power.true_rms(wave, RATE, 100.0)
    (line,) = budget_of(found)
    u = np.std(squares, ddof=1) / math.sqrt(8.0) * student(7.0) / (2.0 * found.nominal_value)
    assert line.standard_uncertainty == pytest.approx(u)
    assert (line.source.distribution, line.source.degrees_of_freedom) == ("t", 7.0)
    doubled = power.true_rms(wave, RATE, 100.0, gain=normal(2.0, 0.01, "gain"))
    assert doubled.nominal_value == pytest.approx(2.0 * found.nominal_value)
