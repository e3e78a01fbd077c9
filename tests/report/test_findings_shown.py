"""Findings on the page, in the terminal, and at the end of a run."""

from __future__ import annotations

import io
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from invented_run import FACTS, bad, good
from pydantic import ValidationError

from seqrun.files.findings.file import Cause
from seqrun.files.shipped import shipped
from seqrun.judge.findings import Finding, Findings, Reason, SectionState
from seqrun.judge.salvage import Advice, KeptSection, Prospect
from seqrun.record import RunData
from seqrun.record.photos import Photo
from seqrun.report.findings.terminal import show_findings
from seqrun.report.findings.words import (
    caution_for,
    findings_on_record,
    heading,
    percent,
    pointer,
    ratio,
    section,
    told,
)
from seqrun.report.run.page import render_page
from seqrun.report.shared.summary import summarise
from seqrun.steps.telling import Tell
from seqrun.values import Disposition

Recorded = Callable[..., RunData]
REASONS = (
    Reason("idle_high", "every device idles too high", 98.0),
    Reason("drifts", "it <b>holds</b> when hot", 0.1),
)
BIAS = Finding(
    "bias_high.left",
    "bias set too high",
    "unit",
    "output_stage.left",
    "output stage, left",
    0.92,
    "turn the trimmer down",
    REASONS,
)
PROBE = replace(
    BIAS,
    id="probe_factor.left",
    title="wrong probe",
    kind="bench",
    section="",
    section_title="",
    probability=0.05,
)
FOUND = Findings(
    (BIAS, PROBE),
    0.03,
    "watch it for ten minutes",
    ("the left channel hums",),
    "hum of a capacitor",
    (
        SectionState("output_stage.left", "output stage, left", "suspect", 8),
        SectionState("supply", "rails and wiring", "good", 3),
        SectionState("heatsink", "heatsink", "not told", 0),
    ),
)
CLEAN = replace(FOUND, no_fault=0.95, unexplained=(), beside="")
ADVICE = Advice(
    "EUR",
    Prospect("repair", 103.0, 41.0, 48.0, 150.0),
    Prospect("salvage", 61.0, 12.0, 45.0, 80.0),
    42.0,
    0.84,
    3.3,
    2.4,
    (KeptSection("rails and wiring", 22.0), KeptSection("heatsink", None)),
    ("output stage, left",),
    (),
    (),
)


def printed(findings: Findings, advice: Advice | None = None, encoding: str = "utf-8") -> str:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding)
    show_findings(findings, about="Demo EX-1", simulated=True, advice=advice, file=file)
    file.flush()
    return raw.getvalue().decode(encoding)


def on_page(recorded: Recorded, found: Findings, disposition: Disposition) -> str:
    run = recorded(
        bad() if disposition is Disposition.REJECT else good(),
        disposition,
        "fail: offset.right",
        facts={**FACTS, "findings": found},
    )
    return render_page(run)


def test_what_a_run_keeps_of_its_findings_is_read_back_whole(recorded: Recorded) -> None:
    run = recorded(good(), facts={**FACTS, "findings": FOUND})
    assert findings_on_record(run.facts) == FOUND


@pytest.mark.parametrize("kept", [None, {}, {"causes": 3}, "text", [FOUND.no_fault]])
def test_findings_that_were_edited_by_hand_are_passed_over(kept: object) -> None:
    assert findings_on_record({"findings": kept}) is None


def test_the_page_tells_cause_reasons_and_what_to_do(recorded: Recorded) -> None:
    page = on_page(recorded, FOUND, Disposition.REJECT)
    for text in ("bias set too high", "92 %", "turn the trimmer down", "watch it for ten minutes"):
        assert text in page
    assert "it &lt;b&gt;holds&lt;/b&gt; when hot" in page


def test_the_page_of_an_accepted_unit_without_findings_has_no_such_section(
    recorded: Recorded,
) -> None:
    assert "h-findings" not in on_page(recorded, CLEAN, Disposition.ACCEPT)


def test_a_rejected_unit_whose_cause_is_not_known_says_so(recorded: Recorded) -> None:
    run = recorded(
        bad(), Disposition.REJECT, "fail: offset.right", facts={**FACTS, "findings": CLEAN}
    )
    assert "none of the faults" in section(summarise(run))


def test_the_terminal_keeps_to_eighty_columns() -> None:
    for line in printed(FOUND, ADVICE).splitlines():
        assert len(line) <= 80


def test_the_terminal_says_reasons_for_and_against() -> None:
    text = printed(FOUND)
    assert "for: every device idles too high" in text
    assert "against: it <b>holds</b> when hot" in text
    assert "SIMULATED" in text


def test_nobody_is_sent_to_a_unit_without_the_caution(recorded: Recorded) -> None:
    assert "below 2 V by meter" in " ".join(printed(FOUND).split())
    assert "below 2 V by meter" in on_page(recorded, FOUND, Disposition.REJECT)


def test_a_likeliest_cause_that_is_not_likely_is_said_so() -> None:
    doubtful = replace(FOUND, causes=(replace(BIAS, probability=0.3), PROBE))
    assert heading(doubtful).startswith("Not settled")


def test_an_ascii_terminal_gets_ascii() -> None:
    assert printed(FOUND, ADVICE, "ascii").isascii()


def test_repair_and_salvage_come_with_their_spread_and_without_an_order() -> None:
    text = " ".join(printed(FOUND, ADVICE).split())
    assert "48 to 150 EUR" in text
    assert "84 %" in text
    assert "repair pays up to 3.3 h" in text
    assert "A suggestion by these numbers alone" in text


def test_a_bench_mistake_is_said_to_be_one() -> None:
    assert told(FOUND)[1].where == "a mistake on the bench, not in the unit"
    assert "may be in order" in heading(replace(FOUND, causes=(PROBE, BIAS)))


def test_no_probability_is_shown_as_certainty() -> None:
    assert [percent(p) for p in (0.9999, 0.5, 0.0001)] == ["> 99 %", "50 %", "< 1 %"]


@pytest.mark.parametrize(("value", "shown"), [(30.0, "x30"), (0.1, "/10"), (187.0, "x187")])
def test_ratios_are_short(value: float, shown: str) -> None:
    assert ratio(Reason("s", "w", value)) == shown


def test_the_end_of_a_run_points_to_the_likeliest_cause() -> None:
    assert "bias set too high" in pointer({"findings": _plain(FOUND)})
    assert pointer({"findings": _plain(CLEAN)}) == ""
    assert pointer({}) == ""


def _plain(findings: Findings) -> object:
    from seqrun.record.plain import plain

    return plain(findings)


def test_a_cause_that_nothing_speaks_for_is_not_listed() -> None:
    silent = replace(PROBE, reasons=(Reason("hums", "it does not hum", 0.1),))
    assert [one.finding.id for one in told(replace(FOUND, causes=(BIAS, silent)))] == [BIAS.id]


def test_an_accept_stands_whatever_the_readings_lean_to() -> None:
    text = heading(FOUND, Disposition.ACCEPT)
    assert text.startswith("Every limit was met, so this rejects nothing")
    assert "bias set too high" in text


def test_a_reject_that_no_known_cause_explains_says_where_to_begin() -> None:
    assert "What failed stands all the same" in heading(CLEAN, Disposition.REJECT)
    assert "The run is not whole" in heading(CLEAN, Disposition.HOLD)
    assert "did not finish" in heading(CLEAN, Disposition.ABORTED)


def test_readings_that_speak_of_no_cause_are_not_called_clean() -> None:
    text = heading(replace(CLEAN, spoken=False), Disposition.ACCEPT)
    assert "nothing that speaks for or against" in text


def test_photographs_stand_with_what_is_worth_keeping() -> None:
    photo = Photo("2026-01-12T09:00:00Z", "the heatsink with its devices", "", Path("r/a.jpg"))
    out = io.StringIO()
    show_findings(FOUND, about="x", simulated=False, advice=ADVICE, photos=[photo], file=out)
    assert "Photographs: the heatsink with its devices" in out.getvalue()


def test_whoever_is_sent_to_a_live_unit_is_told_so_and_nobody_else() -> None:
    from seqrun.plan.cautions import OFF, POWERED, caution

    assert caution("off", "off") == OFF
    assert caution("off", "powered") == caution("") == f"{POWERED} {OFF}"
    off = replace(BIAS, work="off")
    only = replace(FOUND, causes=(off,), apart="")
    assert caution_for(only) == OFF
    assert POWERED in caution_for(replace(only, apart="Watch the output."))


def test_every_shipped_finding_says_whether_it_sends_somebody_to_a_powered_unit() -> None:
    for path in shipped("findings").values():
        file = tomllib.loads(path.read_text(encoding="utf-8"))
        for entry in (*file["cause"], *file["apart"]):
            assert entry.get("work") in ("off", "powered"), entry


@pytest.mark.parametrize(
    "text",
    [
        "Cool the small transistors while watching the noise.",
        "Measure the drop across the closed contact.",
        "With a tone playing, tap the relay.",
    ],
)
def test_a_text_that_sends_somebody_to_a_powered_unit_is_not_declared_off(text: str) -> None:
    entry = {"id": "x", "title": "x", "next": text, "work": "off", "seen": {"y": "often"}}
    with pytest.raises(ValidationError, match="powered"):
        Cause.model_validate(entry)
    with pytest.raises(ValidationError, match="powered"):
        Tell.model_validate({"id": "x", "do": "tell", "text": text, "work": "off"})
    assert Cause.model_validate({**entry, "work": "powered"}).work == "powered"
