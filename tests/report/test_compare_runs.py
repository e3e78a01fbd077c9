"""Before and after repair: matched, judged, told in terminal, table and page alike."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import pytest
from invented_run import bad, good, judged, on_record
from rich.cells import cell_len

from seqrun.errors import FileError, UsageError
from seqrun.record import RunData
from seqrun.report.compare.page import render_page, write_page
from seqrun.report.compare.pairs import RunPair, compare
from seqrun.report.compare.reading import ReadingPair
from seqrun.report.compare.table import CSV_COLUMNS, write_csv
from seqrun.report.compare.terminal import comparison
from seqrun.values import Disposition, Judged


@pytest.fixture
def results(tmp_path: Path) -> Path:
    return tmp_path / "results"


def repaired(results: Path, **more: object) -> RunPair:
    before = on_record(results, bad(), Disposition.REJECT, "fail: offset.right 212 mV", **more)  # type: ignore[arg-type]
    return compare(before, on_record(results, good(), Disposition.ACCEPT, **more))  # type: ignore[arg-type]


def of(results: Path, before: list[Judged], after: list[Judged]) -> RunPair:
    return compare(on_record(results, before), on_record(results, after))


def step(run: RunPair, name: str) -> ReadingPair:
    return next(p for p in run.pairs if p.row.step == name)


def told(run: RunPair, *, everything: bool = False) -> str:
    out = io.StringIO()
    comparison(run, out, everything=everything)
    return out.getvalue()


def test_the_repaired_offset_has_changed_from_fail_to_pass(results: Path) -> None:
    pair = step(repaired(results), "offset.right")
    assert pair.word == "changed"
    assert pair.verdict_words == "fail → pass"
    assert pair.better is True
    assert pair.shown == "-223.8 ± 1.5 mV"


def test_what_was_not_touched_is_unchanged(results: Path) -> None:
    assert step(repaired(results), "offset.left").word == "unchanged"


def test_what_could_not_be_measured_before_cannot_be_told(results: Path) -> None:
    pair = step(repaired(results), "power.right")
    assert pair.word == "cannot tell"
    assert "no load found" in pair.comment


def test_a_reading_of_one_run_alone_is_said_to_be_so(results: Path) -> None:
    more = judged("hum.left", "hum", "left", 1e-4, "V", 1e-5, None, 1e-3)
    found = of(results, good(), [*good(), more])
    assert step(found, "hum.left").word == "only after"
    assert step(of(results, [*good(), more], good()), "hum.left").word == "only before"
    assert "1 only after: hum.left" in told(found)


def test_the_same_step_is_matched_by_channel_and_quantity(results: Path) -> None:
    left = judged("power", "output_power", "left", 44.0, "W", 0.7, 40.0, None)
    right = judged("power", "output_power", "right", 20.0, "W", 0.7, 40.0, None)
    found = of(results, [left, right], [right, left])
    assert [p.word for p in found.pairs] == ["unchanged", "unchanged"]
    assert [p.row.channel for p in found.pairs] == ["right", "left"]


def test_a_reading_made_twice_is_matched_in_order(results: Path) -> None:
    first, second = judged(value=0.001), judged(value=0.040)
    found = of(results, [first, second], [first, second, second])
    assert [p.word for p in found.pairs] == ["unchanged", "unchanged", "only after"]


def line(frequency: str, volts: float) -> Judged:
    return judged("hum.left", "hum_line", "left", volts, "V", 1e-6, None, None, note=frequency)


def test_lines_are_matched_by_their_frequency_not_by_their_order(results: Path) -> None:
    before = [line("50.0 Hz", 20e-6), line("100.0 Hz", 180e-6), line("300.0 Hz", 9e-6)]
    after = [line("100.1 Hz", 40e-6), line("200.0 Hz", 12e-6)]
    found = of(results, before, after)
    assert [p.word for p in found.pairs] == ["changed", "only after", "only before", "only before"]
    assert found.pairs[0].difference is not None
    assert found.pairs[0].difference.value == pytest.approx(-140e-6)
    assert found.pairs[0].name == "Hum line, left, 100.1 Hz"


def test_what_no_limit_asks_for_and_nothing_is_told_of_is_only_counted(results: Path) -> None:
    open_ended = judged("hum.left", "hum", "left", 10e-6, "V", 4e-6, None, None)
    found = of(results, [open_ended, judged()], [open_ended, judged()])
    assert "hum.left" not in told(found)
    assert "1 that cannot be told" in told(found)
    assert "hum.left" in told(found, everything=True)


def test_a_limit_that_was_changed_between_the_runs_is_pointed_out(results: Path) -> None:
    old = judged("rise", "sink_rise", "", 33.0, "K", 1.0, None, 40.0)
    new = judged("rise", "sink_rise", "", 33.0, "K", 1.0, None, 30.0)
    pair = of(results, [old], [new]).pairs[0]
    assert pair.limit_changed
    assert pair.comment == "the limit was ≤ 40 K and is ≤ 30 K"


def test_two_units_swapped_order_and_half_simulated_runs_are_pointed_out(results: Path) -> None:
    first = on_record(results, good())
    other = on_record(results, good(), serial="EX-0008", simulated=True)
    said = " ".join(compare(other, first).notices)
    assert "two units, EX-0008 and EX-0007" in said
    assert "before and after are swapped" in said
    assert "Only the run before was simulated" in said


def test_a_run_is_not_compared_with_itself(results: Path) -> None:
    run = on_record(results, good())
    with pytest.raises(UsageError, match="the same run"):
        compare(run, run)


def test_what_was_cured_leads_and_what_became_worse_follows(results: Path) -> None:
    better = [judged("a", value=0.2), judged("b", value=0.001)]
    worse = [judged("a", value=0.001), judged("b", value=0.2)]
    assert [p.row.step for p in of(results, better, worse).ordered()] == ["a", "b"]


def test_how_often_chance_alone_would_show_a_change_is_said(results: Path) -> None:
    found = repaired(results)
    assert found.compared == 19
    assert found.by_chance == pytest.approx(19 * 0.0455, abs=0.01)
    assert "in 19 differences, 0.9 times" in " ".join(told(found).split())


def test_terminal_keeps_to_80_columns_and_to_ascii_where_it_must(results: Path) -> None:
    found = repaired(results)
    for everything in (False, True):
        lines = told(found, everything=everything).splitlines()
        assert max(cell_len(line) for line in lines) <= 80
    pipe = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    comparison(found, pipe, everything=True)
    pipe.flush()
    assert isinstance(pipe.buffer, io.BytesIO)
    text = pipe.buffer.getvalue().decode("ascii")
    assert "* changed" in text
    assert "212.0 +- 1.1" in text


def test_terminal_leaves_out_what_stayed_unless_asked(results: Path) -> None:
    found = repaired(results)
    assert "offset.left" not in told(found)
    assert "offset.left" in told(found, everything=True)


def test_the_table_holds_every_pair_in_base_units(results: Path, tmp_path: Path) -> None:
    found = repaired(results)
    path = write_csv(found, tmp_path / "compared.csv")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == CSV_COLUMNS
    assert len(rows) == len(found.pairs)
    offset = next(row for row in rows if row["step"] == "offset.right")
    assert float(offset["difference"]) == pytest.approx(-0.2238)
    assert offset["change"] == "changed"
    assert (offset["before_verdict"], offset["after_verdict"]) == ("fail", "pass")
    power = next(row for row in rows if row["step"] == "power.right")
    assert (power["before"], power["difference"], power["change"]) == ("", "", "cannot tell")


def test_a_table_is_no_place_for_formulas(results: Path, tmp_path: Path) -> None:
    evil = replace(good()[0], step="=cmd()")
    path = write_csv(of(results, [evil], [evil]), tmp_path / "x.csv")
    assert ",'=cmd()," in path.read_text(encoding="utf-8")


def test_the_page_says_what_the_terminal_says_and_fetches_nothing(
    results: Path, tmp_path: Path
) -> None:
    found = repaired(results)
    page = write_page(found, tmp_path / "compared.html").read_text(encoding="utf-8")
    for words in ("-223.8 ± 1.5 mV", "How it was decided", "conditional fail", "no load found"):
        assert words in page
    assert "<script" not in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")
    assert page.count('class="bar"') == len(found.pairs)
    assert "SIMULATED" not in page


def test_a_simulated_comparison_is_marked_everywhere(results: Path) -> None:
    found = repaired(results, simulated=True)
    assert render_page(found).count("SIMULATED") >= 3
    assert told(found).count("SIMULATED") >= 2


def test_names_from_files_are_escaped(results: Path) -> None:
    evil = replace(good()[1], step="<script>alert(1)</script>")
    assert "<script" not in render_page(of(results, [evil], [evil]))


def test_a_run_without_readings_can_be_compared(results: Path) -> None:
    empty = [good()[0]]
    run = on_record(results, empty)
    bare: RunData = replace(run, judged=(), run=replace(run.run, run_id="x"))
    found = compare(bare, run)
    assert [p.word for p in found.pairs] == ["only after"]
    assert "1 only after" in told(found)
    assert "bring_up" in render_page(found)


def test_a_page_that_cannot_be_written_is_told(results: Path, tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be written"):
        write_page(repaired(results), tmp_path / "no" / "folder.html")


def test_the_first_sentence_says_what_was_cured(results: Path) -> None:
    found = of(results, [judged(value=0.212), judged("b")], [judged(), judged("b", value=0.2)])
    assert found.told[0].startswith("Cured: DC offset, left (")
    assert "212" in found.told[0]
    assert found.told[1].startswith("Worse than before: DC offset, left")
    assert told(found).index("Cured:") < told(found).index("Worse than before")


def test_a_pass_by_a_narrower_limit_is_a_cure(results: Path) -> None:
    """An intake judges more widely than the acceptance after the repair."""
    (pair,) = of(results, [judged(value=0.2)], [judged(value=0.0, low=-0.03, high=0.03)]).pairs
    assert pair.limit_changed and pair.cured


def test_a_pass_by_a_wider_limit_is_no_cure(results: Path) -> None:
    (pair,) = of(results, [judged(value=0.2)], [judged(value=0.2, low=-0.5, high=0.5)]).pairs
    assert not pair.cured


def test_what_fails_in_either_run_is_said_whatever_the_other_run_has(results: Path) -> None:
    before = [judged("a", value=0.2), judged("b", value=0.3), judged("c"), judged("d", value=0.04)]
    after = [judged("a", value=0.2), judged("n", "gain", value=0.4),
             judged("d", value=0.04, low=-0.01, high=0.01)]  # fmt: skip
    said = of(results, before, after).told
    assert said[0].startswith("Fails now, and was not read in this way before: Gain, left (400")
    assert said[1].startswith("Fails as before: DC offset, left (200")
    assert said[2].startswith("Fails by a limit that has changed since: DC offset, left (40")
    assert said[3].startswith("Failed before, and was not read in this way since: DC offset, left")


def test_a_failure_whose_quantity_passes_under_another_condition_says_both(results: Path) -> None:
    """Bursts counted cold at intake, and after half an hour of power at the acceptance."""
    bursts = judged("bursts.left", "burst_rate", "left", 14.0, "Hz", 1.0, None, 0.4)
    driven = [judged("heat", "sink_rise", "", 30.0, "K", 1.0, None, 40.0),
              judged("heat", "soak_power", "left", 5.0, "W", 0.1, None, None)]  # fmt: skip
    calm = judged("bursts", "burst_rate", "left", 0.01, "Hz", 0.005, None, 0.08)
    said = of(results, [bursts], [*driven, calm]).told
    assert said == ["Failed before, and passes now under another condition: Burst rate, left"
                    " (14.0 ± 1.0 Hz → 0.0100 ± 0.0050 Hz)."]  # fmt: skip
    loud = replace(
        calm, step="again", reading=replace(calm.reading, value=3.0), verdict=bursts.verdict
    )
    said = of(results, [bursts], [*driven, calm, loud]).told
    assert [line.partition(":")[0] for line in said] == [
        "Fails now, and was not read in this way before",
        "Failed before, and was not read in this way since",
    ]


def test_what_the_operator_left_out_before_is_no_cure(results: Path) -> None:
    out = judged(value=None, low=-0.5, high=0.5, note="waited 20 s for out.left to settle")
    (pair,) = of(results, [out], [judged()]).pairs
    assert pair.cured and pair.limit_changed  # it was good under no limit
    skipped = replace(out, reading=replace(out.reading, note="skipped by the operator (no clip)"))
    (pair,) = of(results, [skipped], [judged()]).pairs
    assert not pair.cured


def test_the_page_counts_what_cannot_be_told_and_opens_it_at_a_press(results: Path) -> None:
    wide = judged("wide", u=3.0, low=-1.0, high=1.0)
    text = render_page(of(results, [judged(value=0.2), wide], [judged(), wide]))
    told_open, _, folded = text.partition("<details")
    assert "offset.left" in told_open and "cannot tell: wide" in folded


def corner(step: str, hertz: float, note: str = "", channel: str = "right") -> Judged:
    return judged(step, "upper_corner", channel, hertz, "Hz", 900.0, 30e3, None, note=note)


def test_the_same_thing_under_two_names_of_steps_is_one_reading(results: Path) -> None:
    """An intake calls the step by its channel, the acceptance reads all channels in one."""
    before = [corner("treble.right", 11.9e3, "-3 dB re 1 kHz"), corner("b", 60e3, channel="left")]
    found = of(results, before, [corner("treble", 60e3), corner("treble", 60e3, channel="left")])
    assert [p.verdict_words for p in found.pairs] == ["fail → pass", "pass"]
    assert found.told[0].startswith("Cured: Upper corner, right (11.9")


def test_under_another_condition_it_is_another_reading(results: Path) -> None:
    """Gain at 1 kHz and at 20 kHz, and which of two readings of one kind it is, stay apart."""
    gain = [judged("g", "gain", "left", 29.0, "dB", 0.1, 28.0, 30.0, note=f"at {f}")
            for f in ("1 kHz", "20 kHz")]  # fmt: skip
    apart = of(results, gain[:1], [replace(gain[1], step="h")])
    assert [p.word for p in apart.pairs] == ["only after", "only before"]
    two = [corner("treble.right", 60e3), corner("again.right", 12e3)]
    unclear = of(results, two, [corner("treble", 60e3)])
    assert [p.word for p in unclear.pairs] == ["only after", "only before", "only before"]


def test_a_pass_that_a_narrower_limit_has_turned_into_a_fail_is_not_worse(results: Path) -> None:
    (pair,) = of(results, [judged(value=0.04)], [judged(value=0.04, low=-0.01, high=0.01)]).pairs
    assert pair.verdict_words == "pass → fail" and pair.better is None
    (worse,) = of(results, [judged()], [judged(value=0.04, low=-0.01, high=0.01)]).pairs
    assert worse.better is False
