"""What the readings show: values and signs of a findings file."""

from __future__ import annotations

from dataclasses import replace

import pytest
from findings_cases import HEAD, TWO, offset, patterns, read

from seqrun.judge.evidence import evidence_of, values_of
from seqrun.quantity import Quantity
from seqrun.values import Bound, Judged, Verdict

CAUSE = '[[cause]]\nid = "c"\ntitle = "c"\nnext = "look"\n[cause.seen]\n"s" = "always"\n'
SIGN = '[[sign]]\nid = "s"\nvalue = "v"\nabove = "{above}"\nwords = "it is {{value}}"\n'


def with_value(value: str, above: str = "0 A") -> str:
    return f'{HEAD}[[value]]\nid = "v"\n{value}\n{SIGN.format(above=above)}{CAUSE}'


def currents(*amperes: float | None) -> list[Judged]:
    return [
        read(f"cold.left.upper.{n}", "idle_current", a, "A", f"left.upper.{n}")
        for n, a in enumerate(amperes, 1)
    ]


@pytest.mark.parametrize(
    ("take", "expected"),
    [
        ("first", 0.02),
        ("last", 0.03),
        ("largest", 0.04),
        ("smallest", 0.02),
        ("mean", 0.03),
        ("sum", 0.09),
        ("spread", 0.02),
    ],
)
def test_one_number_is_taken_from_several_readings(take: str, expected: float) -> None:
    text = with_value(f'unit = "A"\nquantity = "idle_current"\ntake = "{take}"')
    found = values_of(patterns(text), currents(0.02, 0.04, 0.03), "")
    assert found["v"] == Quantity(pytest.approx(expected), "A")


def test_readings_are_chosen_by_step_and_channel() -> None:
    text = with_value(
        'unit = "A"\nquantity = "idle_current"\nsteps = "cold.*"\non = "*.upper.2"\ntake = "sum"'
    )
    assert values_of(patterns(text), currents(0.02, 0.04), "")["v"].value == 0.04


def test_one_of_several_patterns_of_steps_is_enough() -> None:
    text = with_value('unit = "A"\nquantity = "idle_current"\nsteps = ["hot.*", "cold.*"]')
    assert values_of(patterns(text), currents(0.02), "")["v"].value == 0.02


def test_a_reading_that_was_not_made_leaves_its_value_unknown() -> None:
    text = with_value('unit = "A"\nquantity = "idle_current"')
    assert values_of(patterns(text), currents(None), "") == {}
    assert evidence_of(patterns(text), currents(None), "")["s"].seen is None


def test_several_readings_of_the_one_channel_of_a_unit_are_no_comparison_of_channels() -> None:
    """Power at three frequencies of a unit with one channel: there is no other to be behind."""
    text = with_value(
        'unit = "W"\nquantity = "output_power"\ntake = "largest"\nchannels = 2', "0 W"
    )
    powers = [read(f"power.{n}", "output_power", 40.0, "W", "mono") for n in range(3)]
    assert "v" not in values_of(patterns(text), powers, "")
    other = read("power", "output_power", 60.0, "W", "other")
    assert values_of(patterns(text), [*powers, other], "")["v"].value == 60.0


def test_channels_are_compared_by_what_was_read_alike() -> None:
    """Noise at the line input and, later, at the phono input, which is quieter at another one."""
    text = with_value(
        'unit = "V"\nquantity = "noise"\ntake = "smallest"\nchannels = 2\nfirst_of_each = true',
        above="0 V",
    )
    line = [read(f"noise.{c}", "noise", v, "V", c) for c, v in (("left", 4e-4), ("right", 3e-4))]
    phono = [read(f"phono.{c}", "noise", 1e-4, "V", c) for c in ("left", "right")]
    assert values_of(patterns(text), [*line, *phono], "")["v"].value == 3e-4
    unread = read("noise.left", "noise", None, "V", "left")
    assert values_of(patterns(text), [unread, *line[1:], *phono], "")["v"].value == 1e-4
    every = text.replace("first_of_each = true\n", "")
    assert values_of(patterns(every), [*line, *phono], "")["v"].value == 1e-4


def test_a_comparison_of_channels_needs_as_many_as_it_says() -> None:
    text = with_value('unit = "A"\nquantity = "idle_current"\ntake = "largest"\nat_least = 2')
    assert "v" not in values_of(patterns(text), currents(0.02), "")
    assert "v" in values_of(patterns(text), currents(0.02, 0.03), "")


def test_ratings_and_readings_meet_in_arithmetic() -> None:
    text = with_value('of = "w / idle_current"', above="1").replace(
        '[[value]]\nid = "v"',
        '[[value]]\nid = "w"\nunit = "A"\nquantity = "idle_current"\n[[value]]\nid = "v"',
    )
    assert values_of(patterns(text), currents(0.05), "")["v"].value == pytest.approx(2.0)


def test_arithmetic_that_comes_to_nothing_is_unknown_not_an_error() -> None:
    text = with_value('of = "idle_current / w"', above="1").replace(
        '[[value]]\nid = "v"',
        '[[value]]\nid = "w"\nunit = "A"\nquantity = "idle_current"\n[[value]]\nid = "v"',
    )
    assert "v" not in values_of(patterns(text), currents(0.0), "")


def test_the_stage_at_which_the_bring_up_tripped_is_read_from_the_reason() -> None:
    text = with_value('unit = "V"\nreason = "tripped: *, stage * of * ({value})*"', above="9 V")
    reason = "tripped: bring_up, stage 4 of 10 (12 V): rail.pos draws 0.5 A"
    assert values_of(patterns(text), [], reason)["v"] == Quantity(12.0, "V")
    assert evidence_of(patterns(text), [], reason)["s"].words == "it is 12 V"
    assert values_of(patterns(text), [], "fail: offset.left 0.6 V") == {}


def test_a_run_that_ended_otherwise_does_not_show_how_another_ends() -> None:
    found = evidence_of(patterns(), [], "all 40 limits are met")
    assert found["tripped_low"].seen is False


def test_a_run_that_never_came_so_far_does_not_tell_how_it_would_have_ended() -> None:
    sign = '[[sign]]\nid = "s"\nreason = "tripped: soak*"\nsteps = "soak*"\nwords = "hot"\n'
    text = HEAD + sign + CAUSE
    early = evidence_of(patterns(text), currents(0.02), "not measured: load.left")
    soaked = [*currents(0.02), replace(currents(0.02)[0], step="soak")]
    warmed = evidence_of(patterns(text), soaked, "fail: power")
    tripped = evidence_of(patterns(text), currents(0.02), "tripped: soak: rail.pos draws 2 A")
    assert early["s"].seen is None
    assert warmed["s"].seen is False
    assert tripped["s"].seen is True


def test_what_could_not_be_measured_for_another_reason_is_no_sign() -> None:
    slow = evidence_of(patterns(), [offset(None, note="waited 60 s for out.left to settle")], "")
    gone = evidence_of(patterns(), [offset(None, note="the meter went silent")], "")
    assert slow["unsettled.left"].seen is True
    there = evidence_of(patterns(), [offset(0.01)], "")
    assert gone["unsettled.left"].seen is None
    assert there["unsettled.left"].seen is False
    assert gone["unsettled.right"].seen is None


def test_a_sign_that_another_explains_tells_nothing() -> None:
    text = (
        HEAD
        + '[[value]]\nid = "v"\nunit = "A"\nquantity = "idle_current"\n'
        + '[[sign]]\nid = "high"\nvalue = "v"\nabove = "1 A"\nwords = "high"\n'
        + '[[sign]]\nid = "s"\nvalue = "v"\nabove = "0.1 A"\nunless = ["high"]\nwords = "raised"\n'
        + CAUSE
    )
    assert evidence_of(patterns(text), currents(2.0), "")["s"].seen is None
    assert evidence_of(patterns(text), currents(0.5), "")["s"].seen is True
    assert evidence_of(patterns(text), currents(0.01), "")["s"].seen is False


def test_a_sign_that_is_explained_itself_explains_no_other() -> None:
    above = [("loud", "2 A", ""), ("high", "1 A", "loud"), ("s", "0.1 A", "high")]
    text = HEAD + '[[value]]\nid = "v"\nunit = "A"\nquantity = "idle_current"\n'
    for name, least, unless in above:
        text += f'[[sign]]\nid = "{name}"\nvalue = "v"\nabove = "{least}"\nwords = "{name}"\n'
        text += f'unless = ["{unless}"]\n' if unless else ""
    found = evidence_of(patterns(text + CAUSE), currents(3.0), "")
    assert {name: one.seen for name, one in found.items()} == {
        "loud": True,
        "high": None,
        "s": True,
    }


def test_a_verdict_can_be_a_sign() -> None:
    text = (
        HEAD
        + '[[sign]]\nid = "s"\nverdict = ["fail", "conditional fail"]\nquantity = "noise"\n'
        + 'words = "noise {value}"\n'
        + CAUSE
    )
    loud = read("noise.left", "noise", 0.01, "V", "left", Verdict.FAIL)
    found = evidence_of(patterns(text), [loud], "")["s"]
    assert found.seen is True
    assert found.words == "noise 10 mV"


@pytest.mark.parametrize(
    ("bound", "threshold", "above", "below"),
    [
        # "at least 3 A": beyond 2 A for sure, of 4 A it does not tell
        (Bound.AT_LEAST, "2 A", True, False),
        (Bound.AT_LEAST, "4 A", None, None),
        (Bound.AT_MOST, "2 A", None, None),
        (Bound.AT_MOST, "4 A", False, True),
        (Bound.EXACT, "2 A", True, False),
        (Bound.EXACT, "4 A", False, True),
    ],
)
def test_a_bound_tells_only_of_the_side_that_it_leaves_out(
    bound: Bound, threshold: str, above: bool | None, below: bool | None
) -> None:
    value = f'{HEAD}[[value]]\nid = "v"\nunit = "A"\nquantity = "idle_current"\n'
    for side, expected in (("above", above), ("below", below)):
        sign = f'[[sign]]\nid = "s"\nvalue = "v"\n{side} = "{threshold}"\nwords = "w"\n'
        (one,) = currents(3.0)
        bounded = replace(one, reading=replace(one.reading, bound=bound))
        assert evidence_of(patterns(value + sign + CAUSE), [bounded], "")["s"].seen is expected


def test_what_was_measured_and_met_its_limit_shows_that_it_settles() -> None:
    """The sign is a reading that was not made for want of rest; another reason tells nothing."""
    text = TWO.replace('verdict = "not measured"', 'verdict = "fail"').replace(
        'note = "*to settle*"\n', ""
    )
    fine = evidence_of(patterns(text), [offset(0.001)], "")
    assert fine["unsettled.left"].seen is False
    lost = evidence_of(patterns(text), [offset(0.001), offset(None, note="a lead was off")], "")
    assert lost["unsettled.left"].seen is None


def test_one_name_for_two_kinds_of_thing_gives_no_number() -> None:
    text = with_value('unit = "A"\nquantity = "idle_current"\ntake = "sum"')
    volts = read("cold.left.upper.2", "idle_current", 0.03, "V", "left.upper.2")
    assert values_of(patterns(text), [*currents(0.02), volts], "") == {}


def test_a_threshold_that_this_run_does_not_tell_leaves_the_sign_untold() -> None:
    other = '[[value]]\nid = "w"\nunit = "A"\nquantity = "supply_current"\n[[value]]\nid = "v"'
    text = with_value('unit = "A"\nquantity = "idle_current"', above="w")
    text = text.replace('[[value]]\nid = "v"', other)
    assert evidence_of(patterns(text), currents(0.02), "")["s"].seen is None
    supply = read("idle", "supply_current", 0.01, "A")
    assert evidence_of(patterns(text), [*currents(0.02), supply], "")["s"].seen is True


@pytest.mark.parametrize(("reason", "found"), [("tripped: 2.5 A", 2.5), ("tripped: 2.5 V", None)])
def test_a_number_in_the_reason_counts_only_in_its_own_unit(
    reason: str, found: float | None
) -> None:
    text = with_value('unit = "A"\nreason = "tripped: {value}"')
    values = values_of(patterns(text), currents(0.02), reason)
    assert (values["v"].value if "v" in values else None) == found
