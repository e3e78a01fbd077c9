"""The warmth of cases in closed form: five looks at a case whose heat, heatsink and drift are
given, and what comes back of them, value and each part of its uncertainty."""

from __future__ import annotations

import math

import pytest
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.cases import Visit, Warmth, departures, untouched, warmths
from seqrun.values import budget_of, exactly, normal

TIMES = (0.0, 30.0, 70.0, 115.0, 165.0)  # s, no two of them as far apart
LARGE, FELL = 2.0, 0.5  # K over the heatsink: at the large tone's end, and lost after the small one
TAKEN, DRIFT = 0.6, 0.001  # K into the heatsink, K/s of its own
SHARE = LARGE / (LARGE + FELL)  # of what it takes up, by the large tone
BEHIND, BEHIND_HALF = 15.0, 6.0  # s
CATCHES_UP = (1.0 - SHARE) / (TIMES[2] - TIMES[1])  # of it, each second of the small tone
ROOT_3 = math.sqrt(3.0)


def dies_away() -> tuple[float, float]:
    """Middle and half-width of how much larger the drift was, at the small tone's end, than it is
    read: by half of the way from there to the last look, for time constants of 300 s and 900 s."""
    before = 0.5 * (TIMES[4] - TIMES[2])
    high, low = math.exp(before / 300.0), math.exp(before / 900.0)
    return 0.5 * (high + low), 0.5 * (high - low)


def visit(
    rest: float = 40.0,
    large: float = LARGE,
    taken: float = TAKEN,
    drift: float = DRIFT,
    own: float = 0.0,
    u: float = 0.0,
) -> Visit:
    """``own``: K/s that the case moves by itself when it should be at rest."""
    t = TIMES
    calm = rest + drift * (t[3] - t[0]) + taken
    at_large = rest + drift * (t[1] - t[0]) + large + taken * SHARE * (1.0 - BEHIND / (t[1] - t[0]))
    still = drift * dies_away()[0] * (t[3] - t[2])
    at_small = calm + FELL - still
    last = calm + (drift + own) * (t[4] - t[3])
    seen = (rest, at_large, at_small, calm, last)
    return Visit(tuple(normal(c, u, "probe") if u else exactly(c) for c in seen), TIMES)


def lines(value: UFloat | None) -> dict[str, float]:
    assert value is not None
    return {c.source.name: c.standard_uncertainty for c in budget_of(value)}


@pytest.mark.parametrize("drift", [DRIFT, -DRIFT])
@pytest.mark.parametrize("taken", [TAKEN, 0.0])
@pytest.mark.parametrize("cases", [2, 3, 4])
def test_both_warmths_are_what_is_left_when_the_heatsinks_own_is_taken_off(
    drift: float, taken: float, cases: int
) -> None:
    found = warmths([visit(40.0 + n, drift=drift, taken=taken) for n in range(cases)], 0.03)
    for one in found:
        assert one.large.nominal_value == pytest.approx(LARGE, abs=1e-4)
        assert one.small is not None
        assert one.small.nominal_value == pytest.approx(
            FELL + taken * CATCHES_UP * BEHIND, abs=1e-4
        )


def test_each_part_of_their_uncertainty_is_of_what_it_was_taken_off() -> None:
    one = warmths([visit(drift=-DRIFT) for _ in range(3)], 0.03)[0]
    large, small = lines(one.large), lines(one.small)
    contact, lag = "contact of the probe, as it was put", "how far case and probe are behind the"
    assert large[contact] == pytest.approx(LARGE * 0.03 / ROOT_3, rel=1e-3)
    whole = FELL + TAKEN * CATCHES_UP * BEHIND
    assert small[contact] == pytest.approx(whole * 0.03 / ROOT_3, rel=1e-3)
    off = TAKEN * SHARE + DRIFT * (TIMES[1] - TIMES[0])
    assert large["what the heatsink itself took up"] == pytest.approx(0.05 * off / ROOT_3, rel=1e-3)
    (of_large,) = (u for name, u in large.items() if name.startswith(lag))
    assert of_large == pytest.approx(TAKEN * SHARE / 30.0 * BEHIND_HALF / ROOT_3, rel=1e-3)
    (of_small,) = (u for name, u in small.items() if name.startswith(lag))
    assert of_small == pytest.approx(TAKEN * CATCHES_UP * BEHIND_HALF / ROOT_3, rel=1e-3)
    half = DRIFT * (TIMES[3] - TIMES[2]) * dies_away()[1]
    assert small["how the heatsink's drift dies away"] == pytest.approx(half / ROOT_3, rel=1e-3)
    assert "what the heatsink itself took up" not in small


def test_where_no_case_gets_warm_all_that_the_heatsink_takes_up_is_the_large_tones() -> None:
    """Each case a tenth of a kelvin below what is left of it then, and not warmed by the rest."""
    away = TAKEN * (1.0 - BEHIND / 30.0)
    one = warmths([visit(large=away * (1.0 - SHARE) - 0.1) for _ in range(3)], 0.03)[0]
    assert one.large.nominal_value == pytest.approx(-0.1, abs=1e-6)
    assert one.small is not None
    assert one.small.nominal_value == pytest.approx(FELL, abs=1e-6)


def test_what_the_middle_case_of_three_shows_is_the_heatsinks() -> None:
    """One that takes up half a kelvin more than its neighbours does not take it off them."""
    found = warmths([visit(), visit(taken=TAKEN + 0.5), visit()], 0.03)
    for one in (found[0], found[2]):
        assert one.large.nominal_value == pytest.approx(LARGE, abs=1e-4)
    away = 0.5 * SHARE * (1.0 - BEHIND / 30.0)
    assert found[1].large.nominal_value == pytest.approx(LARGE + away, abs=1e-3)
    assert found[1].small is not None and found[0].small is not None
    assert found[1].small.nominal_value == pytest.approx(found[0].small.nominal_value, abs=1e-6)


@pytest.mark.parametrize(("moves_by", "settled"), [(0.09, True), (0.11, False), (-0.11, False)])
@pytest.mark.parametrize("at", [0, 2, 4])
def test_a_case_that_moves_by_a_tenth_of_its_rise_in_the_time_of_a_tone_has_not_settled(
    moves_by: float, settled: bool, at: int
) -> None:
    """Its rise is what it shows at the end of the large tone; its neighbours' drift is then taken
    for the heatsink's."""
    plain = visit()
    rise = (plain.large - plain.rest).nominal_value
    seen = [visit() for _ in range(5)]
    seen[at] = visit(own=moves_by * rise / (TIMES[3] - TIMES[2]))
    found = warmths(seen, 0.03)
    assert [one.small is not None for one in found] == [settled or n != at for n in range(5)]
    if not settled:
        assert found[at].large.nominal_value == pytest.approx(LARGE, abs=2e-3)


@pytest.mark.parametrize(("at", "usual"), [(0, 3), (2, 4), (4, 4)])
def test_of_one_that_moves_the_middle_of_three_beside_one_another_is_taken_off(
    at: int, usual: int
) -> None:
    """Five cases on a heatsink whose drift grows from look to look; this one moves upwards."""
    drifts = [DRIFT * n for n in (1, 2, 3, 4, 5)]
    seen = [visit(drift=d) for d in drifts]
    seen[at] = visit(drift=drifts[at], own=0.01)
    found = warmths(seen, 0.03)
    missed = (drifts[at] - DRIFT * usual) * (TIMES[1] - TIMES[0])
    assert found[at].large.nominal_value == pytest.approx(LARGE + missed, abs=1e-3)
    others = [one.large.nominal_value for n, one in enumerate(found) if n != at]
    assert others == pytest.approx([LARGE] * 4, abs=1e-3)


def test_scatter_of_the_looks_alone_is_no_moving() -> None:
    """Where the looks scatter, a case must move by twice what that makes of it, too."""
    u = 0.02
    plain = visit(u=u)
    rise = (plain.large - plain.rest).nominal_value
    seconds, apart = TIMES[3] - TIMES[2], TIMES[4] - TIMES[3]
    # its own drift, and the middle one of three: each the difference of two looks
    of_both = 2.0 * math.sqrt(2.0) * math.sqrt(2.0) * u / apart * seconds
    for more, settled in ((0.97, True), (1.03, False)):
        own = more * (0.1 * rise + of_both) / seconds
        found = warmths([visit(u=u), visit(u=u, own=own), visit(u=u)], 0.03)
        assert (found[1].small is not None) is settled


# --- whether the probe was on its case ------------------------------------------------------------


def warm(large: float, u: float = 0.01) -> Warmth:
    return Warmth(normal(large, u, "warmth"), None)


def at_rest(*over_the_room: float) -> list[Visit]:
    return [Visit((exactly(20.0 + k),) * 5, TIMES) for k in over_the_room]


ROOM = exactly(20.0)


@pytest.mark.parametrize(
    ("own", "shows", "words"),
    [
        (2.0, 0.0, ""),  # as warm as its neighbours by the tone: felt, whatever it shows at rest
        (1.01, 0.0, ""),  # half of what is usual
        (0.99, 3.9, "does not touch"),  # less, and under two fifths of the metal's warmth
        (0.99, 4.1, ""),
        (0.0, 4.1, ""),  # a dead device: its case is as warm as the heatsink
        (0.0, 3.9, "does not touch"),
    ],
)
def test_a_probe_is_on_its_case_when_that_warms_or_shows_the_metals_warmth(
    own: float, shows: float, words: str
) -> None:
    heat = [warm(2.0), warm(2.0), warm(own), warm(2.0), warm(2.0)]
    found = untouched(at_rest(10.0, 12.0, shows, 8.0, 10.0), heat, ROOM)  # 10 K beside it
    assert [bool(why) for why in found] == [False, False, bool(words), False, False]
    assert words in found[2]


@pytest.mark.parametrize(
    ("own", "metal", "words"),
    [
        (0.39, 2.9, "too cool to tell"),  # below a fifth of what is usual, metal below 3 K
        (0.39, 3.1, ""),
        (0.41, 2.9, ""),  # faint, and it does get warmer
        (0.39, -5.0, "too cool to tell"),
    ],
)
def test_metal_less_than_3_k_over_the_room_tells_no_dead_device_from_a_probe_in_the_air(
    own: float, metal: float, words: str
) -> None:
    heat = [warm(2.0), warm(own), warm(2.0)]
    found = untouched(at_rest(metal - 1.0, metal, metal + 1.0), heat, ROOM)  # the mean of both
    assert (found[0], bool(found[1]), found[2]) == ("", bool(words), "")
    assert words in found[1]


def test_how_sure_the_warmths_are_counts_on_either_side() -> None:
    heat = [warm(2.0), warm(0.5, 0.26), warm(2.0)]  # 0.5 K with U = 0.52 K is nothing
    assert "too cool" in untouched(at_rest(2.0, 2.0, 2.0), heat, ROOM)[1]
    assert untouched(at_rest(2.0, 2.0, 2.0), [heat[0], warm(0.5, 0.24), heat[2]], ROOM)[1] == ""
    for u, known in ((0.9, True), (1.1, False)):  # 5 K are 3 K beyond doubt up to U = 2 K
        found = untouched(at_rest(5.0, 0.0, 5.0), heat, normal(20.0, u, "thermometer"))
        assert ("does not touch" in found[1]) is known
        assert ("too cool" in found[1]) is not known


def test_the_first_and_the_last_case_have_one_neighbour() -> None:
    heat = [warm(0.0), warm(2.0), warm(2.0), warm(0.0)]
    found = untouched(at_rest(3.9, 10.0, 20.0, 7.9), heat, ROOM)
    assert [bool(why) for why in found] == [True, False, False, True]
    found = untouched(at_rest(4.1, 10.0, 20.0, 8.1), heat, ROOM)
    assert [bool(why) for why in found] == [False, False, False, False]


# --- which stands out -----------------------------------------------------------------------------


def test_the_measure_is_the_lower_middle_one_of_the_others_that_are_something() -> None:
    values = [normal(v, 0.1, f"{v}") for v in (1.0, 2.0, 3.0, 4.0, 0.19)]  # the last is nothing
    found = departures([*values, None])
    told = [None if d is None else d.nominal_value for d in found]
    assert told[:4] == pytest.approx([1.0 / 3.0 - 1.0, 2.0 / 3.0 - 1.0, 0.5, 1.0])
    assert told[4] == pytest.approx(0.19 / 2.0 - 1.0)
    assert told[5] is None
    assert found[0] is not None
    assert found[0].std_dev == pytest.approx(math.hypot(0.1 / 3.0, 0.1 / 9.0))


def test_where_nothing_gets_warm_the_most_is_told() -> None:
    with pytest.raises(NotMeasured, match=r"more than its uncertainty: 0\.15 at the most"):
        departures([normal(0.15, 0.1, "a"), normal(0.05, 0.1, "b"), None])
