"""Small rules of findings and of changes, each by itself and from both sides."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from seqrun.files.findings.file import Section
from seqrun.judge.change import unit_factor
from seqrun.judge.condition import Condition
from seqrun.judge.findings import Finding, Findings, _apart, section_state
from seqrun.values import Heat, Verdict


def reading(quantity: str, channel: str, heat: str, verdict: Verdict) -> Any:
    of = SimpleNamespace(quantity=quantity, channel=channel, verdict=verdict)
    return of, SimpleNamespace(heat=heat)


SECTION = Section(
    id="stage.left", title="stage", good=("idle_current cold", "dc_offset"), on=("left*",)
)
GOOD = [
    reading("idle_current", "left.upper.1", "cold", Verdict.PASS),
    reading("dc_offset", "left", "hot", Verdict.PASS),
]


@pytest.mark.parametrize(
    ("more", "state", "count"),
    [
        ([], "good", 2),
        (
            [reading("idle_current", "left.upper.1", "hot", Verdict.FAIL)],
            "good",
            2,
        ),  # cold is asked
        ([reading("idle_current", "left.upper.2", "cold", Verdict.FAIL)], "suspect", 3),
        ([reading("dc_offset", "left", "cold", Verdict.CONDITIONAL_FAIL)], "suspect", 3),
        ([reading("dc_offset", "left", "cold", Verdict.CONDITIONAL_PASS)], "not told", 3),
        ([reading("dc_offset", "left", "cold", Verdict.NOT_MEASURED)], "not told", 3),
        ([reading("dc_offset", "left", "cold", Verdict.NONE)], "good", 2),  # nothing was asked
        ([reading("dc_offset", "right", "cold", Verdict.FAIL)], "good", 2),  # another channel's
        ([reading("hum", "left", "cold", Verdict.FAIL)], "good", 2),  # not of this section
    ],
)
def test_a_section_is_good_when_each_of_its_quantities_has_passed_as_it_is_asked(
    more: list[Any], state: str, count: int
) -> None:
    found = section_state(SECTION, [*GOOD, *more])
    assert (found.state, found.readings) == (state, count)
    assert (found.id, found.title) == ("stage.left", "stage")


def test_a_section_of_which_one_quantity_was_not_read_is_not_told() -> None:
    for one in GOOD:
        assert section_state(SECTION, [one]).state == "not told"
    hot = reading("idle_current", "left.upper.1", "hot", Verdict.PASS)
    assert section_state(SECTION, [hot, GOOD[1]]).state == "not told"


@pytest.mark.parametrize(
    ("first", "second", "told"),
    [
        ("offset.left", "bias", True),
        ("bias", "offset.left", True),  # in either order
        ("offset.left", "hum", False),  # one of the two alone
        ("hum", "bias", False),
        ("bias", "bias", False),
        ("offset.left", "offset.right", False),
    ],
)
def test_what_tells_two_causes_apart_is_of_just_these_two(
    first: str, second: str, told: bool
) -> None:
    entry = SimpleNamespace(causes=("offset.*", "bias"))
    patterns: Any = SimpleNamespace(apart=(SimpleNamespace(causes=("a", "b")), entry))
    ranked: Any = [SimpleNamespace(id=first), SimpleNamespace(id=second)]
    assert _apart(patterns, ranked) is (entry if told else None)
    assert _apart(patterns, ranked[:1]) is None


def cause(probability: float, kind: str = "unit") -> Finding:
    return Finding(f"{probability}", "t", kind, "", "", probability, "look", ())


@pytest.mark.parametrize(
    ("no_fault", "unknown", "likely", "named"),
    [
        (0.1, 0.1, 2, "t"),  # the third is not worth a look: less than one in two hundred
        (0.7, 0.1, 0, ""),  # likelier that there is none
        (0.6, 0.1, 0, ""),  # as likely
        (0.1, 0.6, 0, "something that no cause known here explains"),
        (0.1, 0.7, 0, "something that no cause known here explains"),
    ],
)
def test_a_cause_is_worth_a_look_when_it_is_likelier_than_none_and_than_one_unknown(
    no_fault: float, unknown: float, likely: int, named: str
) -> None:
    causes = (cause(0.6), cause(0.0051), cause(0.0049))
    found = Findings(causes, no_fault, "", (), "", (), unknown=unknown)
    assert (len(found.likely), found.named) == (likely, named)
    assert found.bench_mistake is None
    bench = Findings((cause(0.6, "bench"),), no_fault, "", (), "", (), unknown=unknown)
    assert (bench.bench_mistake is not None) is (likely > 0)
    assert Findings((), no_fault, "", (), "", ()).likely == ()


@pytest.mark.parametrize(
    ("before", "after", "factor"),
    [("V", "V", 1.0), ("", "%", 100.0), ("%", "", 0.01), ("V", "A", None), ("%", "V", None)],
)
def test_a_ratio_and_a_percentage_are_one_quantity_and_volts_and_amperes_two(
    before: str, after: str, factor: float | None
) -> None:
    assert unit_factor(before, after) == factor


AT_1_KHZ = ((1000.0, "Hz"), (1.0, "W"))


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [
        (AT_1_KHZ, AT_1_KHZ, True),
        ((), (), True),
        ((), AT_1_KHZ, True),  # one that names nothing contradicts none
        (AT_1_KHZ, ((1000.0, "Hz"),), False),
        (AT_1_KHZ, ((1000.0, "Hz"), (1.0, "V")), False),
        (AT_1_KHZ, ((1000.0, "Hz"), (2.0, "W")), False),
        (AT_1_KHZ, ((2000.0, "Hz"), (1.0, "W")), False),
    ],
)
def test_two_readings_are_alike_that_were_made_under_the_same_as_far_as_both_tell(
    one: Any, other: Any, alike: bool
) -> None:
    cold = [Condition(Heat.COLD, "thd", at) for at in (one, other)]
    assert cold[0].alike(cold[1]) is cold[1].alike(cold[0]) is alike
    assert not cold[0].alike(Condition(Heat.DRIVEN, "thd", other))
    assert not cold[0].alike(Condition(Heat.COLD, "noise", other))
