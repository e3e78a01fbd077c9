"""A sign whose value lies within its uncertainty of the threshold: how much it still says."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from findings_cases import HEAD, TWO, offset, patterns, read

from seqrun.files.findings.load import findings_for
from seqrun.files.findings.patterns import patterns_for
from seqrun.files.unit.sheet import load_unit
from seqrun.judge.evidence import Evidence, evidence_of
from seqrun.judge.findings import weigh
from seqrun.judge.together import Told, together
from seqrun.values import Contribution, Judged, Source, Verdict

GAIN = Source("gain of the 2 V range", "rectangular", owner="instrument meter")
CAUSE = '[[cause]]\nid = "c"\ntitle = "c"\nnext = "look"\n[cause.seen]\n"s" = 0.9\n'


def stated(one: Judged, *budget: Contribution) -> Judged:
    return replace(one, reading=replace(one.reading, budget=budget))


def scattered(one: Judged, u: float) -> Judged:
    """With a standard uncertainty of its own."""
    return stated(one, Contribution(Source("repeats"), u))


def gain_off(one: Judged, share: float) -> Judged:
    """By an instrument whose gain is known to a share (standard uncertainty)."""
    value = one.value or 0.0
    return stated(one, Contribution(GAIN, share * abs(value), value))


def compared(of: str, sides: str) -> str:
    """Two values, a of the left channel and b of the right, and a sign about both."""
    text = HEAD
    for name, channel in (("a", "left"), ("b", "right")):
        text += f'[[value]]\nid = "{name}"\nunit = "V"\nquantity = "dc_offset"\non = "{channel}"\n'
    return (
        f'{text}[[sign]]\nid = "s"\nvalue = "{of}"\n{sides}\notherwise = 0.1\nwords = "w"\n{CAUSE}'
    )


def the_sign(text: str, *judged: Judged) -> Evidence:
    return evidence_of(patterns(text), judged, "")["s"]


@pytest.mark.parametrize("volts", [0.0500001, 0.0499999])
def test_at_its_threshold_a_sign_speaks_neither_for_a_cause_nor_against_it(volts: float) -> None:
    found = evidence_of(patterns(), [scattered(offset(volts), 0.005)], "")["dc.left"]
    assert found.seen is (volts > 0.05)
    assert found.ratio(0.9) == pytest.approx(1.0, abs=1e-3)


def test_one_u_beyond_it_a_sign_is_right_with_977_of_a_thousand() -> None:
    """With p = Φ(2) = 0.97725 there is left (0.9 p + 0.1 (1 - p)) / (0.1 p + 0.9 (1 - p))."""
    found = evidence_of(patterns(), [scattered(offset(0.060), 0.005)], "")["dc.left"]
    assert found.chances == pytest.approx((0.97725,), abs=1e-5)
    assert found.ratio(0.9) == pytest.approx(7.46, abs=0.01)


def test_one_u_short_of_it_a_sign_speaks_as_much_against() -> None:
    found = evidence_of(patterns(), [scattered(offset(0.040), 0.005)], "")["dc.left"]
    assert found.seen is False
    assert found.ratio(0.9) == pytest.approx(1.0 / 7.46, abs=0.001)


def test_far_beyond_it_or_where_no_uncertainty_is_stated_a_sign_says_all_that_is_declared() -> None:
    sure = evidence_of(patterns(), [scattered(offset(0.5), 0.005)], "")["dc.left"]
    silent = evidence_of(patterns(), [offset(0.0501)], "")["dc.left"]
    assert sure.ratio(0.9) == pytest.approx(9.0)
    assert silent.ratio(0.9) == pytest.approx(9.0)
    assert not sure.doubtful


def test_a_reading_that_is_past_a_threshold_by_next_to_nothing_of_its_u_gives_no_fault() -> None:
    likelier_good = patterns(TWO.replace("no_fault = 0.25", "no_fault = 0.4"))
    assert weigh(likelier_good, [offset(0.0501)]).faulty
    assert not weigh(likelier_good, [scattered(offset(0.0501), 0.010)]).faulty


def test_what_was_told_says_that_it_was_within_u() -> None:
    near = evidence_of(patterns(), [scattered(offset(0.055), 0.005)], "")["dc.left"]
    far = evidence_of(patterns(), [scattered(offset(0.070), 0.005)], "")["dc.left"]
    assert near.words == "55 mV of DC at the left output (by less than U)"
    assert far.words == "70 mV of DC at the left output"


def test_an_error_that_two_readings_have_in_common_is_none_of_their_quotient() -> None:
    """1.3 times as much by a meter whose gain is not known to better than 20 %."""
    text = compared("a / b", 'above = "1.2"')
    both = gain_off(offset(0.013), 0.2), gain_off(offset(0.010, "right"), 0.2)
    assert the_sign(text, *both).chances == pytest.approx((1.0,))
    other = stated(both[1], Contribution(GAIN._replace(owner="load right"), 0.002, 0.01))
    (chance,) = the_sign(text, both[0], other).chances
    # u of the quotient is 1.3 √(0.2² + 0.2²) = 0.368; by half the change between one u up and one
    # down the divisor's part is 1 / (1 - 0.2²) larger
    assert chance == pytest.approx(0.5 * math.erfc(-0.1 / 0.375 / math.sqrt(2.0)), abs=2e-3)


def test_an_error_in_common_adds_up_where_the_readings_do() -> None:
    text = compared("a + b", 'above = "20 mV"')
    both = gain_off(offset(0.0125), 0.1), gain_off(offset(0.0125, "right"), 0.1)
    # 25 mV, u = 2.5 mV: two of them from 20 mV; as two errors it would be 1.77 mV, or 2.83
    assert the_sign(text, *both).chances == pytest.approx((0.97725,), abs=1e-4)


def test_an_error_of_two_ranges_is_two_errors() -> None:
    text = compared("a / b", 'above = "1.2"')
    one, other = gain_off(offset(0.013), 0.05), gain_off(offset(0.010, "right"), 0.2)
    assert the_sign(text, one, other).doubtful


@pytest.mark.parametrize(
    ("take", "u"),
    [("first", 0.003), ("largest", 0.004), ("mean", 0.0025), ("sum", 0.005), ("spread", 0.005)],
)
def test_a_value_of_several_readings_has_the_uncertainty_of_what_it_takes(
    take: str, u: float
) -> None:
    """10 mV ± 3 mV and 30 mV ± 4 mV, each a standard uncertainty of its own."""
    both = (
        scattered(read("a", "dc_offset", 0.010, "V"), 0.003),
        scattered(read("b", "dc_offset", 0.030, "V"), 0.004),
    )
    value = {"first": 0.010, "largest": 0.030, "mean": 0.020, "sum": 0.040, "spread": 0.020}[take]
    text = (
        f'{HEAD}[[value]]\nid = "v"\nunit = "V"\nquantity = "dc_offset"\ntake = "{take}"\n'
        f'[[sign]]\nid = "s"\nvalue = "v"\nabove = "{value - u:g} V"\nwords = "w"\n{CAUSE}'
    )
    assert the_sign(text, *both).chances == pytest.approx((0.84134,), abs=1e-4)  # Φ(1)


def test_a_quotient_by_next_to_nothing_tells_nothing() -> None:
    text = compared("a / b", 'above = "2"')
    found = the_sign(text, offset(0.010), scattered(offset(0.001, "right"), 0.001))
    assert found.seen is True
    assert found.ratio(0.9) == pytest.approx(1.0)


def test_between_two_thresholds_that_are_closer_than_u_nothing_is_told() -> None:
    text = compared("a", 'above = "10 mV"\nbelow = "12 mV"')
    found = the_sign(text, scattered(offset(0.011), 0.005))
    assert found.seen is True
    assert found.ratio(0.9) == pytest.approx(1.0)
    sharp = the_sign(text, scattered(offset(0.011), 0.0001))
    assert sharp.ratio(0.9) == pytest.approx(9.0)


def test_a_threshold_that_was_read_brings_its_uncertainty() -> None:
    text = compared("a", 'above = "b"')
    found = the_sign(text, offset(0.012), scattered(offset(0.010, "right"), 0.002))
    assert found.chances == pytest.approx((0.84134,), abs=1e-4)  # Φ(1)


def test_a_limit_that_may_well_be_met_is_as_sure_a_sign_as_its_conformance_is_not() -> None:
    text = (
        f'{HEAD}[[sign]]\nid = "s"\nverdict = ["fail", "conditional fail"]\nquantity = "noise"\n'
        f'otherwise = 0.1\nwords = "w"\n{CAUSE}'
    )
    just = replace(
        read("noise.left", "noise", 0.01, "V", "left", Verdict.CONDITIONAL_FAIL),
        conformance_probability=0.4,
    )
    met = replace(just, verdict=Verdict.CONDITIONAL_PASS, conformance_probability=0.8)
    assert the_sign(text, just).chances == pytest.approx((0.6,))
    assert the_sign(text, met).chances == pytest.approx((0.2,))
    assert the_sign(text, met, just).seen is True


def test_of_several_runs_each_counts_as_surely_as_it_tells() -> None:
    """One run sure, one at the threshold: the mean of two weights, half of what one would say."""
    sure, near = scattered(offset(0.5), 0.005), scattered(offset(0.0500001), 0.005)
    runs = [Told([one], "all limits are met", "x") for one in (sure, near)]
    found = together(patterns(), runs)
    (ratio,) = (r.ratio for r in found.causes[0].reasons if r.sign == "dc.left")
    assert ratio == pytest.approx(3.0, abs=1e-3)  # √(9 · 1)


def test_an_uncertainty_that_is_not_a_number_leaves_a_sign_untellable() -> None:
    found = evidence_of(patterns(), [scattered(offset(0.06), math.inf)], "")["dc.left"]
    assert found.ratio(0.9) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("share", "u", "off"),
    [
        (0.70, 0.05, False),
        (0.57, 0.05, False),
        (0.54, 0.02, False),  # closely read: a heatsink larger than most, by two fifths
        (0.50, 0.09, False),  # not so closely
        (0.42, 0.05, True),
        (0.07, 0.09, True),  # it hangs in the air
    ],
)
def test_a_large_heatsink_is_not_taken_for_a_sensor_that_has_come_off(
    share: float, u: float, off: bool
) -> None:
    """Of the rise that the heat gives on a heatsink at its limit; u, too, is a share."""
    unit = load_unit("demo-2x40")
    names = unit.names()
    rails, watts = 2.0 * names["rail_voltage"].value, names["rated_power"].value / 8.0
    heat = rails * names["supply_at_eighth"].value - 2.0 * watts
    rise, idle = share * unit.sink_rise_limit, names["supply_idle"].value
    judged = [
        *(read("up", "bring_up_current", idle, "A", rail) for rail in ("rail.pos", "rail.neg")),
        *(read("soak", "soak_power", watts, "W", channel) for channel in unit.channels),
        read("soak", "dissipation", heat, "W"),
        scattered(read("soak", "sink_rise", rise, "K"), u * rise),
    ]
    file = findings_for("acceptance")
    assert file is not None
    found = weigh(patterns_for(file, unit), judged, "all limits are met", "acceptance")
    assert found.faulty is off
    assert (found.causes[0].id == "sensor_off") or not off
