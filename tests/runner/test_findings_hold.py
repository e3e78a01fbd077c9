"""What the findings say against a disposition is heard, and so is that they say nothing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from short_runs import releasing, run

from seqrun.judge.findings import Finding, Findings
from seqrun.runner import findings as runner_findings
from seqrun.values import Disposition


def findings(kind: str, probability: float) -> Findings:
    cause = Finding("x", "a cause of that kind", kind, "s", "section", probability, "look", ())
    return Findings((cause,), 1.0 - probability, "", (), "", ())


def say(monkeypatch: pytest.MonkeyPatch, found: Findings | Exception) -> None:
    def weigh(*_: object) -> Findings:
        if isinstance(found, Exception):
            raise found
        return found

    monkeypatch.setattr(runner_findings, "findings_of", weigh)


def test_findings_that_cannot_be_weighed_hold_a_releasing_accept_and_say_why(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    say(monkeypatch, ZeroDivisionError("a pattern divides by nothing"))
    outcome = run(tmp_path, releasing(short_sequence()))
    assert outcome.disposition is Disposition.HOLD
    assert "a pattern divides by nothing" in outcome.reason


def test_an_error_without_words_is_told_by_its_kind(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    say(monkeypatch, KeyError())
    outcome = run(tmp_path, releasing(short_sequence()))
    assert outcome.disposition is Disposition.HOLD
    assert "KeyError" in outcome.reason


@pytest.mark.parametrize("kind", ["unit", "bench"])
@pytest.mark.parametrize(("probability", "held"), [(0.57, True), (0.43, False)])
def test_an_accept_is_held_while_any_cause_is_likelier_than_none(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    monkeypatch: pytest.MonkeyPatch,
    kind: str,
    probability: float,
    held: bool,
) -> None:
    say(monkeypatch, findings(kind, probability))
    outcome = run(tmp_path, short_sequence())
    assert outcome.disposition is (Disposition.HOLD if held else Disposition.ACCEPT)
    assert ("a cause of that kind" in outcome.reason) is held


@pytest.mark.parametrize("kind", ["unit", "bench"])
def test_a_reject_that_a_bench_mistake_explains_is_a_hold(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    monkeypatch: pytest.MonkeyPatch,
    kind: str,
) -> None:
    say(monkeypatch, findings(kind, 0.97))
    outcome = run(tmp_path, short_sequence(), "dc_offset@left=0.6")
    of_bench = kind == "bench"
    assert outcome.disposition is (Disposition.HOLD if of_bench else Disposition.REJECT)
    assert ("the bench looks wrong" in outcome.reason) is of_bench
