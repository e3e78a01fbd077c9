"""What the current of a whole unit tells when one case after another is cooled."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import NotMeasured
from seqrun.measure.cooling import Cooled, compared
from seqrun.values import normal

TIMES = (0.0, 20.0, 60.0)


def cooled(fall_ma: float, drift_ma: float = 0.0, u_ma: float = 0.05) -> Cooled:
    """A unit of 200 mA whose current falls by so much, on a line that moves by so much."""
    at = [200.0, 200.0 + drift_ma / 3.0 - fall_ma, 200.0 + drift_ma]
    before, cold, after = (normal(1e-3 * ma, 1e-3 * u_ma, f"read {n}") for n, ma in enumerate(at))
    return Cooled(before, cold, after, TIMES)


def shares(*falls_ma: float, banks: str = "") -> list[float | None]:
    found = compared([cooled(ma) for ma in falls_ma], banks or "a" * len(falls_ma))
    return [None if one.share is None else one.share.nominal_value for one in found]


@given(st.floats(3.0, 30.0), st.floats(-2.0, 2.0))
def test_a_steady_drift_is_no_part_of_a_fall(fall_ma: float, drift_ma: float) -> None:
    fall = cooled(fall_ma, drift_ma).fall
    assert fall.nominal_value == pytest.approx(1e-3 * fall_ma, abs=1e-9)
    # what came back elsewhere is told: half of it either way
    assert fall.std_dev >= 0.5e-3 * abs(drift_ma) / 3**0.5


def test_a_device_that_carries_nothing_is_told_and_is_no_measure_for_its_neighbour() -> None:
    dead, beside, *others = shares(1.0, 18.0, 20.0, 20.0, banks="aabb")
    assert dead == pytest.approx(-1.0, abs=0.1)
    assert beside == pytest.approx(-0.1, abs=0.05)
    assert others == pytest.approx([0.0, 0.0], abs=0.01)


def test_a_device_that_takes_most_falls_most_beside_its_own_neighbours() -> None:
    """And not beside those of another bank, which idles elsewhere."""
    found = shares(30.0, 10.0, 10.0, 40.0, 40.0, 40.0, banks="aaabbb")
    assert found[0] == pytest.approx(2.5, abs=0.6)
    assert found[3:] == pytest.approx([0.0, 0.0, 0.0], abs=0.01)


def test_a_device_alone_in_its_bank_is_held_against_all_others() -> None:
    assert shares(2.0, 20.0, 20.0, banks="abc")[0] == pytest.approx(-1.0, abs=0.01)


def test_hands_that_differ_are_in_the_uncertainty_and_a_dead_one_is_told_all_the_same() -> None:
    dead, alike, _ = compared([cooled(1.0), cooled(20.0), cooled(20.0)], "aaa")
    assert dead.share is not None
    assert alike.share is not None
    assert 2.0 * alike.share.std_dev > 0.4
    assert dead.share.nominal_value + 2.0 * dead.share.std_dev < -0.75


def test_a_current_that_moves_more_than_a_neighbour_falls_tells_nothing() -> None:
    found = compared([cooled(0.0, 25.0), cooled(20.0), cooled(20.0)], "aaa")
    assert found[0].share is None
    assert "drifts, or the case was still cold" in found[0].why
    assert found[1].share is not None


def test_where_no_device_makes_the_current_fall_nothing_is_measured() -> None:
    """Cooled too briefly, a read-back that is too coarse, or devices that heat does not change."""
    with pytest.raises(NotMeasured, match="no more than its uncertainty"):
        compared([cooled(1.0, u_ma=1.0) for _ in range(4)], "aabb")
    with pytest.raises(NotMeasured, match="1 device"):
        compared([cooled(20.0)], "a")
