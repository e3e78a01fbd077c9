"""Words of the trade are explained where they stand, and only those that stand there."""

from __future__ import annotations

import io
from collections.abc import Callable

import pytest
from invented_run import FACTS, good, judged

from seqrun.record import RunData
from seqrun.report.run.page import render_page
from seqrun.report.run.terminal import run_summary
from seqrun.report.shared.glossary import explained, of_trends, of_units
from seqrun.report.shared.rows import Row
from seqrun.report.shared.summary import named_value

Recorded = Callable[..., RunData]


def words_for(channel: str) -> dict[str, str]:
    row = Row.of(judged("idle", "idle_current", channel, 0.02, "A", 0.001, 0.015, 0.035))
    return dict(explained([row], 2.0))


@pytest.mark.parametrize(
    ("channel", "told"),
    [
        ("left.upper.1", "left channel, half at the positive rail, output device number 1"),
        ("right.lower", "right channel, half at the negative rail"),
        ("left.neg.lower.2", "left channel, negative side of its bridge, half at the negative"),
        ("left/right", "left held against right"),
        ("rail.neg", "negative rail"),
    ],
)
def test_a_place_that_is_read_is_told_in_words(channel: str, told: str) -> None:
    assert any(told in meaning for meaning in words_for(channel).values())


def test_a_word_that_does_not_stand_there_is_not_explained() -> None:
    found = words_for("left")
    assert set(found) == {"U"}
    assert "TUR" in dict(explained([], 2.0, ["power: test uncertainty ratio 2.3, below 4:1"]))
    assert explained([], 2.0) == []


def test_page_and_terminal_say_what_u_and_a_place_mean(recorded: Recorded) -> None:
    run = recorded([*good(), judged("c", "idle_current", "left.upper.1", 0.02, "A", 0.001, 0, 1)])
    html = render_page(run)
    assert "<dfn>U</dfn> how far the true value may lie" in html
    assert "<dfn>left.upper.1</dfn> left channel" in html
    out = io.StringIO()
    run_summary(run, file=out)
    text = " ".join(out.getvalue().split())
    assert "<dfn>3 × U</dfn>" in html and "× U" not in text
    assert "U: how far the true value may lie" in text and "left.upper.1: left channel" in text
    assert all(len(line) <= 80 for line in out.getvalue().splitlines())


def test_a_share_has_its_unit_and_a_fact_that_says_nothing_is_left_out(recorded: Recorded) -> None:
    assert named_value("ballast_tolerance", 0.05) == ("ballast tolerance", "5 %")
    assert named_value("idle_current_tolerance", 0.4) == ("idle current tolerance", "40 %")
    html = render_page(recorded(facts={**FACTS, "unit": {"inputs": [], "rails": "split"}}))
    assert "<dt>rails</dt>" in html and "<dt>inputs</dt>" not in html


def test_units_on_an_owners_sheet_are_told_and_those_alone_that_stand_there() -> None:
    told = dict(
        of_units(["left\u00a043.2\u00a0W, right below 184\u00a0µV; 31.7 K", "15 kHz or more"])
    )
    assert told == {
        "W": "watt, power",
        "µV": "a millionth of a volt",
        "K": "one degree Celsius of difference",
        "kHz": "a thousand times a second",
    }
    assert of_units(["left 3 mΩ", "no number V", "8 Ws"]) == []


def test_what_is_said_of_a_trend_is_told() -> None:
    assert [word for word, _ in of_trends(["steady", "steady", "no value"])] == [
        "steady",
        "no value",
    ]
