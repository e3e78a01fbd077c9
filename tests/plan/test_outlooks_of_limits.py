"""What a bench can decide is worked out for every quantity that a limit is about."""

from __future__ import annotations

from typing import Any

import pytest

from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.load import sequence_from_text
from seqrun.files.shipped import shipped
from seqrun.plan.actions import Plan
from seqrun.plan.build import build
from seqrun.plan.needs import Forecast, Unforecast
from seqrun.plan.outlook import Outlook, outlooks, refuse_undecidable
from seqrun.runner.opening import read_bench
from seqrun.runner.preparation import prepare
from seqrun.steps.base import kinds

UNIT_FOR = {"preamp": "demo-receiver"}
BRING_UP = """
title = "t"
revision = "A"
decision = "guarded"
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "33 V"
over_current = "3 A"
[[step]]
id = "load"
do = "load_resistance"
[[step]]
id = "up"
do = "ramp_supply"
to = "rail_voltage"
healthy_current = "1 A"
"""
#: what no shipped sequence judges: kind -> the rest of its entry
OTHERS = {
    "channel_separation": "",
    "clipping_onset": "",
    "damping_factor": "",
    "dynamic_headroom": "",
    "frequency_response": "",
    "gain_to": 'at = "out.{channel}"\neach = "channel"',
    "intermodulation": "",
    "lower_corner": "",
    "noise_hunt": 'at = "out.left"',
    "sinad": "",
    "thd_n": "",
    "runaway": 'resistance = "up"',
}


def planned(entry: str, **changed: Any) -> Plan:
    view = read_bench("demo", None).view
    sequence = sequence_from_text(BRING_UP + "[[step]]\n" + entry, kinds())
    return build(sequence, view, expand_all(sequence, view.unit))


@pytest.mark.parametrize("name", sorted(shipped("sequence")))
def test_whatever_a_shipped_sequence_judges_is_forecast(name: str) -> None:
    plan, _ = prepare(name, "demo", UNIT_FOR.get(name))
    judged = [(action, pair) for action in plan.actions for pair in action.forecasts]
    assert judged
    for action, (of, forecast) in judged:
        assert isinstance(forecast, Forecast), (action.id, of.name)
        assert 0.0 < forecast.expanded_uncertainty < float("inf"), (action.id, of.name)
    for action in plan.actions:
        assert [of for of, _ in action.forecasts] == list(action.step.judges)


@pytest.mark.parametrize("kind", sorted(OTHERS))
def test_so_is_what_none_of_them_judges(kind: str) -> None:
    name = "x.{channel}" if "each" in OTHERS[kind] else "x"
    action = planned(f'id = "{name}"\ndo = "{kind}"\n{OTHERS[kind]}\n').actions[-1]
    assert action.forecasts
    for _, forecast in action.forecasts:
        assert isinstance(forecast, Forecast)
        assert 0.0 < forecast.expanded_uncertainty < float("inf")


def test_a_limit_on_two_quantities_has_an_outlook_for_each() -> None:
    limit = 'limit = { between = ["5 dB", "15 dB"] }'
    plan = planned(f'id = "x"\ndo = "tone_range"\ncontrol = "bass"\n{limit}\n')
    assert [(o.quantity, o.word) for o in outlooks(plan)] == [
        ("tone_boost", "decides"),
        ("tone_cut", "decides"),
    ]


def test_what_cannot_be_forecast_says_why_and_is_not_refused() -> None:
    plan = planned('id = "x"\ndo = "runaway"\nlimit = { at_most = "0.5" }\n')
    (outlook,) = outlooks(plan)
    assert outlook.word == "not forecast"
    assert "thermal resistance" in outlook.unforecast
    assert isinstance(plan.actions[-1].forecasts[0][1], Unforecast)
    refuse_undecidable(plan)


def test_a_limit_that_the_bench_cannot_decide_is_refused_unless_the_step_accepts_that() -> None:
    from seqrun.errors import UsageError

    entry = 'id = "x"\ndo = "thd"\nlimit = { at_most = "0.001 %" }\n'
    with pytest.raises(UsageError, match="cannot decide 1 of the limits"):
        refuse_undecidable(planned(entry))
    refuse_undecidable(planned(entry + "accept_undecided = true\n"))


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("limit", '{ at_most = "1 V" }'),
        ("settle", '{ within = "1 V", for = "1 s", at_most = "2 s" }'),
    ],
)
def test_a_limit_on_a_step_that_reads_nothing_is_refused_before_anything_else(
    key: str, value: str
) -> None:
    from seqrun.errors import FileError

    with pytest.raises(FileError, match=f"reads nothing that a {key} could be about"):
        planned(f'id = "x"\ndo = "tell"\ntext = "hello"\n{key} = {value}\n')


def test_the_plan_shows_which_quantity_an_outlook_is_about_and_why_there_is_none() -> None:
    from io import StringIO

    from seqrun.report.run.forecast import plan_summary

    two = 'id = "x"\ndo = "tone_range"\ncontrol = "bass"\nlimit = { at_least = "5 dB" }\n[[step]]\n'
    shown = StringIO()
    plan_summary(planned(two + 'id = "m"\ndo = "runaway"\nlimit = { at_most = "0.5" }\n'), shown)
    text = " ".join(shown.getvalue().split())
    for words in ("x, tone boost", "x, tone cut", "without a thermal resistance"):
        assert words in text


@pytest.mark.parametrize(
    ("ratio", "objection", "word"),
    [
        (4.0, "", "decides"),  # ANSI/NCSL Z540.3: 4:1 or better
        (3.99, "", "weak"),
        (None, "", "not forecast"),
        (9.0, "the floor is above the limit", "CANNOT DECIDE"),
        (None, "the floor is above the limit", "CANNOT DECIDE"),
    ],
)
def test_four_to_one_is_the_least_that_decides(
    ratio: float | None, objection: str, word: str
) -> None:
    assert Outlook("s", "q", "V", "", None, ratio=ratio, objection=objection).word == word
