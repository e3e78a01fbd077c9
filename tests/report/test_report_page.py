"""The page of a run: complete, self-contained, escaped, accessible, unmistakable."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_run import FACTS, bad, good, judged, on_record

from seqrun.record import RunData
from seqrun.report.run.page import render_page, write_page
from seqrun.values import Disposition

Recorded = Callable[..., RunData]
VOID = {"meta", "br", "link", "img", "input", "hr"}


class Reader(HTMLParser):
    """Collects what a reader meets; raises when a tag is closed that is not open."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> within {self.open}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


@pytest.fixture
def rejected(recorded: Recorded) -> str:
    return render_page(
        recorded(bad(), Disposition.REJECT, "fail: offset.right 212 mV", curves=True)
    )


def test_the_page_is_well_formed_and_fetches_nothing(rejected: str) -> None:
    reader = Reader(rejected)
    assert not reader.all("script")
    assert not reader.all("link")
    urls = set(re.findall(r"https?://[^\"'\s)<]+", rejected))
    assert urls <= {"http://www.w3.org/2000/svg"}
    assert "@import" not in rejected
    assert not re.search(r"url\((?!#)", rejected)


def test_the_disposition_comes_first_then_what_decided_it(rejected: str) -> None:
    text = Reader(rejected).text
    order = [
        "REJECT",
        "What decided it",
        "212.0 ± 1.1 mV",
        "Next",
        "Cautions",
        "Limits and margins",
    ]
    found = [text.index(words, text.index("REJECT")) for words in order]
    assert found == sorted(found)


def test_every_verdict_is_a_word_and_not_a_colour_alone(rejected: str) -> None:
    text = Reader(rejected).text
    for word in ("1 fail", "2 conditional fail", "1 not measured", "1 conditional pass", "14 pass"):
        assert word in text


def test_each_limit_is_drawn_and_its_drawing_says_the_same_in_words(rejected: str) -> None:
    reader = Reader(rejected)
    drawn = [svg for svg in reader.all("svg") if svg.get("class") == "bar"]
    measured_limits = 18  # of 19: one could not be measured
    deciding = 4
    assert len(drawn) == measured_limits + deciding
    assert any("162 mV above the limit of 50 mV" in (svg["aria-label"] or "") for svg in drawn)


def test_pictures_have_words_or_are_left_out_for_those_who_listen(rejected: str) -> None:
    for svg in Reader(rejected).all("svg"):
        assert svg.get("aria-hidden") == "true" or (
            svg.get("role") == "img" and svg.get("aria-label")
        )


def test_language_title_and_table_heads_are_declared(rejected: str) -> None:
    reader = Reader(rejected)
    assert reader.all("html")[0]["lang"] == "en"
    assert "REJECT" in rejected[rejected.index("<title>") : rejected.index("</title>")]
    assert reader.all("th")
    assert all(th.get("scope") in ("col", "row") for th in reader.all("th"))


def test_headings_do_not_skip_a_level(rejected: str) -> None:
    levels = [int(tag[1]) for tag, _ in Reader(rejected).tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_it_prints_on_a4_without_splitting_figures_or_rows(rejected: str) -> None:
    assert "size: A4" in rejected
    assert re.search(r"figure, tr,[^{]*\{ break-inside: avoid", rejected)


def test_a_simulated_run_says_so_in_title_banner_and_across(recorded: Recorded) -> None:
    page = render_page(recorded(good(), Disposition.ACCEPT, "all met", simulated=True))
    reader = Reader(page)
    assert "SIMULATED" in page[page.index("<title>") : page.index("</title>")]
    assert any("across" in (div.get("class") or "") for div in reader.all("div"))
    assert "Nothing here was measured on a real amplifier" in reader.text
    assert "may go back into use." not in reader.text


def test_one_simulated_reading_marks_the_whole_run(tmp_path: Path) -> None:
    from seqrun.record import RunInfo, Store, load_run

    record = Store(tmp_path).start(RunInfo("EX-1", "Example", "acceptance"))
    record.reading(good()[1])
    record.reading(good()[2], simulated=True)
    record.finish(Disposition.ACCEPT, "all met")
    assert "SIMULATED" in render_page(load_run(tmp_path, record.run_id))


def test_a_real_accept_has_nothing_across_it(recorded: Recorded) -> None:
    page = render_page(recorded(good(), Disposition.ACCEPT, "all met"))
    assert 'class="across' not in page
    assert "SIMULATED" not in page
    assert "The unit may go back into use" in page


def test_an_accept_by_a_sequence_that_proves_less_sends_no_unit_back_into_use(
    recorded: Recorded,
) -> None:
    facts = {**FACTS, "releases": False}
    page = render_page(recorded(good(), Disposition.ACCEPT, "all met", facts=facts))
    assert "The unit may go back into use" not in page
    assert "releases no unit" in page


@pytest.mark.parametrize("disposition", [Disposition.HOLD, Disposition.ABORTED])
def test_hold_and_aborted_stand_across_the_page(
    recorded: Recorded, disposition: Disposition
) -> None:
    page = render_page(recorded(bad(fail=False), disposition, "the operator ended the run"))
    across = page[page.index('class="across') :]
    assert disposition.value.upper() in across[: across.index("</div>")]


def test_a_run_that_was_never_ended_counts_as_aborted(recorded: Recorded) -> None:
    page = render_page(recorded(good(), None))
    assert "ABORTED" in page
    assert "No end of this run is on record" in page


def test_a_bench_not_shown_to_be_off_comes_before_everything_else(recorded: Recorded) -> None:
    facts = {"safe": {"confirmed": ["supply"], "unconfirmed": ["generator: no answer"]}}
    text = Reader(
        render_page(recorded(good(), Disposition.HOLD, "safe state not confirmed", facts=facts))
    ).text
    assert text.index("could not be confirmed: generator") < text.index(
        "Next Treat the unit as live"
    )


@pytest.mark.parametrize(
    "content",
    [
        "EX-0007",  # identification of the item
        "Example 2x40",
        "Acceptance after repair, revision A",  # method
        "EXAMPLE,SIX DIGITS,M200,1.0",  # equipment
        "2026-05-11",  # its calibration
        "K-1042",
        "no date given",  # what is missing is said
        "23.4 °C",  # conditions
        "Guarded acceptance (ILAC-G8:09/2019",  # decision rule
        "bench 2",  # who
        "Corner bench",
        "The results relate only to the unit named above",
        "may be copied only as a whole",
        "End of report",
        "bench.toml",
        "rated load 8 Ω",
    ],
)
def test_contents_of_iso_iec_17025_clause_7_8(rejected: str, content: str) -> None:
    # ISO/IEC 17025:2017, 7.8.2.1 and 7.8.3.1 (from memory)
    assert content in Reader(rejected).text


def test_every_reading_is_in_the_table_with_its_probability(rejected: str) -> None:
    text = Reader(rejected).text
    table = text[text.index("Every reading") :]
    for reading in bad():
        assert reading.step in table
    assert "> 99.99 %" in table


def test_budgets_are_there_on_demand_and_closed(rejected: str) -> None:
    reader = Reader(rejected)
    assert reader.all("details")
    assert all("open" not in details for details in reader.all("details"))
    assert "meter gain, DC voltage 1 V" in reader.text


def test_heat_waveform_and_spectrum_are_drawn_with_the_fitted_end(rejected: str) -> None:
    charts = [svg for svg in Reader(rejected).all("svg") if svg.get("class") == "chart"]
    assert len(charts) == 3
    text = Reader(rejected).text
    assert "end value 33.6 ± 1.3 K" in text
    assert "highest harmonic" in text


def test_a_trace_that_cannot_be_read_is_named_and_not_left_out(recorded: Recorded) -> None:
    run = recorded(good(), Disposition.ACCEPT, "all met", curves=True)
    run.traces[0].path.write_text("time_s,rise_k\r\nnot,numbers,at all\r\n", encoding="utf-8")
    assert "could not be drawn" in render_page(run)


def test_a_run_without_facts_traces_or_readings_still_has_a_page(recorded: Recorded) -> None:
    run = recorded([judged(value=None, note="x")], Disposition.HOLD, "", facts={})
    text = Reader(render_page(run)).text
    assert "No equipment is on record" in text


NASTY = "<script>alert(1)</script>\"'&<b>"


def test_text_from_people_and_files_is_shown_and_never_obeyed(recorded: Recorded) -> None:
    readings = [
        judged("offset.<i>left</i>", "dc_<b>", NASTY, note=NASTY),
        judged("gone", value=None, note=NASTY),
    ]
    facts = {
        "sequence_title": NASTY,
        "cautions": [NASTY],
        "hookups": [NASTY],
        "notes": [NASTY],
        "trip": NASTY,
        "equipment": [{"key": NASTY, "role": NASTY, "identity": NASTY, "resource": NASTY}],
        "conditions": {NASTY: NASTY},
        "unit": {NASTY: [NASTY]},
        "decision": "guarded",
    }
    page = render_page(recorded(readings, Disposition.ABORTED, NASTY, facts=facts, operator=NASTY))
    reader = Reader(page)
    assert not reader.all("script")
    assert not reader.all("i")
    assert "<b>" not in page
    assert NASTY in reader.text


@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=60))
def test_any_note_leaves_the_page_well_formed(
    tmp_path_factory: pytest.TempPathFactory, note: str
) -> None:
    run = on_record(
        tmp_path_factory.mktemp("results"),
        [judged(value=None, note=note), judged(value=0.3, note=note)],
        Disposition.REJECT,
        note,
    )
    reader = Reader(render_page(run))
    assert not reader.all("script")


def test_writing_the_page_leaves_utf_8_at_the_path(recorded: Recorded, tmp_path: Path) -> None:
    path = write_page(recorded(good(), Disposition.ACCEPT, "all met"), tmp_path / "report.html")
    assert "±" in path.read_text(encoding="utf-8")


def test_a_limit_says_where_it_comes_from_where_its_sequence_did(recorded: Recorded) -> None:
    plan = {"limits_from": {"offset.left": "common practice"}}
    page = render_page(
        recorded(good(), Disposition.ACCEPT, "all met", facts={**FACTS, "plan": plan})
    )
    assert page.count("from: common practice") == 1
