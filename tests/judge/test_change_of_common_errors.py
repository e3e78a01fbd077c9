"""What both runs read wrong alike drops out of a change, as far as it is the same error."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import UFloat

from seqrun.judge import Change, decide, difference
from seqrun.judge.change import KEPT
from seqrun.measure.levels import idle_current, sharing
from seqrun.values import Judged, Limit, normal, reading, rectangular

METER = "instrument meter"
LEFT = ("ballast.left.upper.1", "ballast.left.upper.2")
GAIN, OFFSET, SCATTER = 1e-3, 2e-4, 1e-5  # half-widths (ratio, V) and V


def read(volts: float, gain: float = GAIN, function: str = "dc_voltage 1 V") -> Judged:
    """A voltage by the accuracy table of one range, as every run makes it anew."""
    value = (
        volts
        + volts * rectangular(0.0, gain, f"meter {function}, % of reading", METER)
        + rectangular(0.0, OFFSET, f"meter {function}, % of range", METER)
        + normal(0.0, SCATTER, f"meter {function}, scatter of 5")
    )
    return decide(reading("dc_offset", "V", value), Limit(-0.05, 0.05), "guarded", "offset")


def expected(y1: float, y2: float) -> float:
    """U of the change, worked out from the model itself: every error moves by its own."""
    gain, offset = GAIN / math.sqrt(3.0), OFFSET / math.sqrt(3.0)
    r = KEPT if y1 * y2 > 0.0 else 1.0
    square = gain**2 * (y1**2 + y2**2 - 2.0 * r * y1 * y2)
    square += 2.0 * (1.0 - KEPT) * offset**2 + 2.0 * SCATTER**2
    return 2.0 * math.sqrt(square)


@pytest.mark.parametrize(("y1", "y2"), [(0.9, 0.9), (0.9, 0.3), (0.9, 0.0), (0.9, -0.9)])
def test_gain_cancels_with_the_difference_of_the_readings_and_offset_wholly_but_for_drift(
    y1: float, y2: float
) -> None:
    found = difference(read(y1), read(y2), owners={METER})
    assert found.shared
    assert found.expanded == pytest.approx(expected(y1, y2), rel=1e-9)


def test_between_readings_of_opposite_sign_a_gain_error_adds_up() -> None:
    alone = difference(read(0.9), read(-0.9))
    common = difference(read(0.9), read(-0.9), owners={METER})
    assert (common.expanded or 0.0) > 1.3 * (alone.expanded or 0.0)


def test_between_two_instruments_nothing_cancels() -> None:
    found = difference(read(0.9), read(0.9), owners={"instrument scope"})
    assert not found.shared
    u = math.sqrt(2.0) * read(0.9).reading.expanded_uncertainty
    assert found.expanded == pytest.approx(u)


def test_between_two_ranges_only_what_is_new_each_time_and_both_tables_remain() -> None:
    found = difference(read(0.9), read(0.9, function="dc_voltage 10 V"), owners={METER})
    assert not found.shared


def test_an_accuracy_table_that_was_edited_in_between_does_not_cancel() -> None:
    was, now = read(0.9), read(0.9, gain=2.0 * GAIN)
    alike = difference(was, read(0.9), owners={METER})
    edited = difference(was, now, owners={METER})
    gain = math.hypot(GAIN, 2.0 * GAIN) / math.sqrt(3.0) * 0.9
    assert (edited.expanded or 0.0) > 2.0 * gain > (alike.expanded or 0.0)


def test_scatter_never_cancels() -> None:
    value = rectangular(1.0, 0.01, "load left tolerance", "load left") + normal(
        0.0, 0.01, "scatter of 5"
    )
    judged = decide(reading("x", "V", value), None, "guarded", "x")
    found = difference(judged, judged, owners={"load left"})
    least = 2.0 * math.sqrt(2.0) * 0.01
    assert least < (found.expanded or 0.0) < 1.1 * least


def shares(volts: tuple[float, float], tolerance: float = 0.05) -> UFloat:
    ballasts = [rectangular(0.22, 0.22 * tolerance, f"{p} tolerance", p) for p in LEFT]
    drops = [normal(v, 2e-6, "meter, scatter of 5") for v in volts]
    return 100.0 * sharing([idle_current(v, r) for v, r in zip(drops, ballasts, strict=True)])


def judged_share(volts: tuple[float, float]) -> Judged:
    held = reading("current_sharing", "%", shares(volts))
    return decide(held, Limit(None, 20.0), "guarded", "share")


def test_sharing_that_stayed_is_unchanged_although_the_ballasts_are_known_to_5_percent() -> None:
    before, after = judged_share((5.5e-3, 5.6e-3)), judged_share((5.5e-3, 5.61e-3))
    assert difference(before, after).change is Change.CANNOT_TELL
    assert difference(before, after, owners=LEFT).change is Change.UNCHANGED


def test_when_the_other_device_leads_the_ballasts_do_not_cancel() -> None:
    """1 % one way and 1 % the other way look alike, but the ballasts' errors turn over."""
    before, after = judged_share((5.5e-3, 5.61e-3)), judged_share((5.61e-3, 5.5e-3))
    alone, common = difference(before, after), difference(before, after, owners=LEFT)
    assert common.shared
    assert (common.expanded or 0.0) > 1.3 * (alone.expanded or 0.0)


def test_the_interval_of_a_change_holds_it_in_95_of_100_when_errors_move_as_is_assumed() -> None:
    rng = np.random.default_rng(7)
    n, y1, y2 = 40_000, 0.9, 0.5
    stated = difference(read(y1), read(y2), owners={METER}).expanded or 0.0
    found = np.zeros(n)
    for u, c1, c2 in ((GAIN / math.sqrt(3.0), y1, y2), (OFFSET / math.sqrt(3.0), 1.0, 1.0)):
        kept, moved = math.sqrt(KEPT), math.sqrt(1.0 - KEPT)
        lasting = kept * rng.normal(0.0, u, n)
        found += c2 * (lasting + moved * rng.normal(0.0, u, n))
        found -= c1 * (lasting + moved * rng.normal(0.0, u, n))
    found += rng.normal(0.0, SCATTER * math.sqrt(2.0), n)
    assert np.mean(np.abs(found) <= stated) == pytest.approx(0.9545, abs=0.004)
