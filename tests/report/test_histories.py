"""All runs of a unit or a model: what drifts, what passes, how far units differ."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
import pytest
from invented_run import judged
from past_runs import a_run, idle
from rich.cells import cell_len

from seqrun.errors import UsageError
from seqrun.judge import decide
from seqrun.record import RecordError, RunInfo, Store
from seqrun.report.history import page as history_page
from seqrun.report.history import terminal as history_terminal
from seqrun.report.history.collect import model_histories, unit_history
from seqrun.report.history.trends import Trend, day, duration, interval_words, percent
from seqrun.values import Bound, Disposition, Judged, Limit, Reading

CREEPING = [0.0255, 0.0266, 0.0272, 0.0284, 0.0291]


@pytest.fixture
def results(tmp_path: Path) -> Path:
    return tmp_path / "results"


def offset(volts: float) -> Judged:
    return judged("offset.left", value=volts)


def creeping(results: Path) -> Store:
    """Five runs in 80 days; the idle current rises, the offset stays."""
    for n, amperes in enumerate(CREEPING):
        a_run(results, 20.0 * n, [idle(amperes), offset(0.003 + 1e-4 * (-1) ** n)])
    return Store(results)


def trend(store: Store, step: str, serial: str = "EX-0007") -> Trend:
    return next(t for t in unit_history(store, serial).trends if t.row.step == step)


def told_of(store: Store, serial: str, encoding: str = "utf-8") -> str:
    pipe = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    history_terminal.unit_history(unit_history(store, serial), pipe)
    pipe.flush()
    assert isinstance(pipe.buffer, io.BytesIO)
    return pipe.buffer.getvalue().decode(encoding)


def test_idle_current_that_creeps_up_over_months_drifts(results: Path) -> None:
    found = trend(creeping(results), "idle.left")
    assert found.word == "drifts"
    assert found.line is not None
    assert found.line.moved == pytest.approx(0.0036, abs=1e-4)
    assert found.moved_shown.endswith("in 80 days")


def test_a_drift_says_when_it_meets_the_limit(results: Path) -> None:
    met = trend(creeping(results), "idle.left").reaches
    assert met is not None
    limit, when = met
    assert limit == 0.035
    # from 29.16 mA on 2 April at 45 µA a day: 129.8 days
    assert day(when) == "2026-08-10"


def test_an_offset_that_wanders_within_its_uncertainty_is_steady(results: Path) -> None:
    assert trend(creeping(results), "offset.left").word == "steady"


def test_two_runs_are_too_few_for_a_trend(results: Path) -> None:
    a_run(results, 0, [idle(0.02)])
    a_run(results, 30, [idle(0.03)])
    found = trend(Store(results), "idle.left")
    assert (found.word, found.line) == ("too few", None)
    assert "Too few runs for a trend" in told_of(Store(results), "EX-0007")
    page = history_page.unit_page(unit_history(Store(results), "EX-0007"))
    assert "Too few runs for a trend" in page
    assert "too few for a trend" in found.sentence


def test_a_coarse_bench_cannot_tell_a_drift_from_none(results: Path) -> None:
    for n in range(4):
        a_run(results, 10.0 * n, [idle(0.025, u=0.006)])
    assert trend(Store(results), "idle.left").word == "cannot tell"
    assert "of 1 it cannot be told" in told_of(Store(results), "EX-0007")


def test_bounds_and_missing_readings_are_counted_but_make_no_trend(results: Path) -> None:
    floor = judged("thd", "thd", "left", 0.02, "%", 0.004, None, 0.5, bound=Bound.AT_MOST)
    for n in range(4):
        a_run(results, 10.0 * n, [floor, judged("offset.left", value=None, note="lead off")])
    for step in ("thd", "offset.left"):
        found = trend(Store(results), step)
        assert (found.others, len(found.values), found.word) == (4, 0, "no value")


def test_readings_that_state_no_uncertainty_move_by_their_scatter_alone(results: Path) -> None:
    for month in range(6):
        peak = Reading("noise_peak", "V", 0.003 + 0.0001 * month)
        a_run(results, 30.0 * month, [decide(peak, None, "guarded", "noise.left")])
    found = trend(Store(results), "noise.left")
    assert found.line is not None
    assert math.isnan(found.line.u_stated)
    assert found.row.expanded_uncertainty is None
    assert "±" not in found.row.shown
    assert "noise.left" in told_of(Store(results), "EX-0007")


def test_the_order_of_the_file_does_not_matter_only_that_of_time(results: Path) -> None:
    for n in (3, 0, 4, 1, 2):
        a_run(results, 20.0 * n, [idle(CREEPING[n])])
    found = trend(Store(results), "idle.left")
    assert list(found.values) == CREEPING
    assert found.row.value == CREEPING[-1]


def test_sequences_of_a_model_are_not_mixed(results: Path) -> None:
    for n in range(3):
        a_run(results, 10.0 * n, [idle(0.025)])
        a_run(results, 10.0 * n + 1, [idle(0.020)], sequence="intake")
    found = model_histories(Store(results))
    assert sorted(h.sequence for h in found) == ["acceptance", "intake"]
    assert [len(h.limits) for h in found] == [1, 1]


def test_simulated_runs_never_mix_with_real_ones(results: Path) -> None:
    store = creeping(results)
    for n in range(3):
        a_run(results, 100.0 + n, [idle(0.015)], simulated=True)
    real = unit_history(store, "EX-0007")
    assert (len(real.runs), real.simulated, real.left_out) == (5, False, 3)
    assert len(real.trends[0].values) == 5
    other = unit_history(store, "EX-0007", simulated=True)
    assert (len(other.runs), other.simulated, other.left_out) == (3, True, 5)
    assert "3 simulated runs left out" in told_of(store, "EX-0007")


def test_only_simulated_runs_are_shown_and_marked(results: Path) -> None:
    for n in range(3):
        a_run(results, float(n), [idle(0.025)], simulated=True)
    text = told_of(Store(results), "EX-0007")
    assert text.startswith("SIMULATED")
    page = history_page.unit_page(unit_history(Store(results), "EX-0007"))
    assert page.count("SIMULATED") >= 3


def test_a_unit_that_nobody_ran_is_told_with_the_nearest_names(results: Path) -> None:
    with pytest.raises(UsageError, match="EX-0007"):
        unit_history(creeping(results), "EX-0008")
    with pytest.raises(UsageError, match="seqrun run"):
        unit_history(Store(results / "nothing"), "EX-0007")
    with pytest.raises(UsageError, match="Example 2x40"):
        model_histories(Store(results), "Exampel 2x40")


def test_a_run_id_that_a_hand_wrote_is_told(results: Path) -> None:
    store = creeping(results)
    text = store.readings_table.path.read_text(encoding="utf-8")
    store.readings_table.path.write_text(text.replace("20260112T", "20261312T"), encoding="utf-8")
    with pytest.raises(RecordError, match="edited by hand"):
        model_histories(store)
    (told,) = unit_history(store, "EX-0007").lost
    assert "0 rows of this run" in told


def test_a_unit_counts_once_however_often_it_was_tried(results: Path) -> None:
    for n in range(6):
        a_run(results, float(n), [offset(0.2)], "EX-1")  # fails again and again
    a_run(results, 7.0, [offset(0.003)], "EX-1")  # and then passes
    a_run(results, 8.0, [offset(0.002)], "EX-2")
    a_run(results, 9.0, [offset(0.3)], "EX-3")
    (found,) = model_histories(Store(results))
    assert found.accepted == (3, 2, 1)
    (limit,) = found.limits
    assert (limit.units, limit.passed, limit.passed_first) == (3, 2, 1)
    assert limit.mean == pytest.approx((0.003 + 0.002 + 0.3) / 3)


def test_spread_and_yield_over_many_units(results: Path) -> None:
    rng = np.random.default_rng(2)
    volts = rng.normal(0.004, 0.012, 40)
    for n, value in enumerate(volts):
        a_run(results, float(n), [offset(float(value)), idle(0.025)], f"EX-{n}")
    (found,) = model_histories(Store(results))
    by_step = {h.row.step: h for h in found.limits}
    assert by_step["offset.left"].spread == pytest.approx(float(np.std(volts, ddof=1)))
    assert by_step["offset.left"].mean_u == pytest.approx(0.001)
    low, high = by_step["idle.left"].interval
    assert (by_step["idle.left"].share, round(low, 3), high) == (1.0, 0.912, 1.0)


def test_the_limit_with_the_lowest_yield_leads(results: Path) -> None:
    for n in range(4):
        a_run(results, float(n), [idle(0.025), offset(0.2 if n else 0.001)], f"EX-{n}")
    (found,) = model_histories(Store(results))
    assert [h.row.step for h in found.limits] == ["offset.left", "idle.left"]


def test_a_limit_that_changed_on_record_is_counted(results: Path) -> None:
    for n, high in enumerate((40.0, 40.0, 35.0)):
        rise = judged("rise", "sink_rise", "", 30.0, "K", 1.0, None, high)
        a_run(results, float(n), [rise], f"EX-{n}")
    (found,) = model_histories(Store(results))
    assert found.limits[0].limits == 2
    assert found.limits[0].row.limit_high == 35.0


def test_models_are_told_apart(results: Path) -> None:
    a_run(results, 0.0, [idle(0.02)], "A-1")
    a_run(results, 1.0, [idle(0.03)], "B-1", model="Example Mono")
    found = {h.model: h for h in model_histories(Store(results))}
    assert found["Example 2x40"].limits[0].mean == 0.02
    assert found["Example Mono"].limits[0].mean == 0.03
    (only,) = model_histories(Store(results), "Example Mono")
    assert only.accepted.units == 1


def test_terminal_keeps_to_80_columns_and_to_ascii_where_it_must(results: Path) -> None:
    store = creeping(results)
    for encoding in ("utf-8", "ascii"):
        text = told_of(store, "EX-0007", encoding)
        assert max(cell_len(line) for line in text.splitlines()) <= 80
        assert "drifts" in text
    out = io.StringIO()
    history_terminal.models_history(model_histories(store), out)
    assert max(cell_len(line) for line in out.getvalue().splitlines()) <= 80
    assert "1 of 1 unit accepted by the latest run" in out.getvalue()


def test_noise_is_not_drawn_as_movement(results: Path) -> None:
    found = trend(creeping(results), "offset.left")
    assert len(set(history_terminal.course(found, 13))) <= 2
    rising = history_terminal.course(trend(Store(results), "idle.left"), 13)
    assert list(rising) == sorted(rising)


def test_pages_are_self_contained_and_draw_every_reading(results: Path) -> None:
    store = creeping(results)
    pages = (
        history_page.unit_page(unit_history(store, "EX-0007")),
        history_page.models_page(model_histories(store)),
    )
    for page in pages:
        assert "<script" not in page
        assert "http" not in page.replace("http://www.w3.org/2000/svg", "")
        assert "idle.left" in page
    assert pages[0].count('class="chart"') == 2
    assert "stroke-dasharray" in pages[0]


def test_names_from_the_record_are_escaped(results: Path) -> None:
    for n in range(3):
        a_run(results, float(n), [idle(0.02 + 0.004 * n, step="<b>x")], model="<i>M")
    store = Store(results)
    for page in (
        history_page.unit_page(unit_history(store, "EX-0007")),
        history_page.models_page(model_histories(store)),
    ):
        assert "<b>x" not in page
        assert "<i>M" not in page


def test_a_unit_whose_runs_have_no_reading_is_shown(results: Path) -> None:
    a_run(results, 0.0, [])
    store = Store(results)
    assert "No reading of these runs is on record" in told_of(store, "EX-0007")
    assert unit_history(store, "EX-0007").trends == ()
    assert "No reading was held against a limit" in history_page.models_page(model_histories(store))


def test_how_many_drifts_chance_alone_would_show_is_said(results: Path) -> None:
    words = "in 2 trends, 0.1 times on average or less"
    assert words in " ".join(told_of(creeping(results), "EX-0007").split())
    assert words in history_page.unit_page(unit_history(Store(results), "EX-0007"))


def test_a_yield_is_never_rounded_to_all_or_none() -> None:
    assert percent(4999, 5000) == "> 99.9 %"
    assert percent(1, 5000) == "< 0.1 %"
    assert (percent(3, 3), percent(0, 3)) == ("100.0 %", "0.0 %")
    assert interval_words(3, 3) == "43.8 to 100.0 %"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(40 * 86400.0, "40 days"), (7200.0, "2.0 h"), (300.0, "5 min"), (4.2, "4 s")],
)
def test_a_span_is_told_in_its_usual_unit(seconds: float, words: str) -> None:
    assert duration(seconds) == words


def test_one_quantity_is_followed_across_sequences_where_the_condition_is_the_same(
    results: Path,
) -> None:
    a_run(results, 0, [idle(0.025, "cold.left")], sequence="intake")
    a_run(results, 30, [idle(0.026, "idle.left")], sequence="quick")
    a_run(results, 60, [idle(0.027, "cold.left")], sequence="acceptance")
    (trend,) = unit_history(Store(results), "EX-0007").trends
    assert len(trend.values) == 3


def test_cold_and_hot_are_two_lines_whatever_the_steps_are_called(results: Path) -> None:
    warm = [judged("w", "held_power", "left", 5.0, "W", 0.1, None, None)]
    for days in (0, 30, 60):
        a_run(results, days, [idle(0.025, "a"), *warm, idle(0.030, "b")])
    found = [t for t in unit_history(Store(results), "EX-0007").trends if t.row.unit == "A"]
    assert sorted(float(t.values[0]) for t in found) == [0.025, 0.030]


def test_what_was_read_once_or_twice_stands_in_a_table_and_not_as_a_dot(results: Path) -> None:
    for days in (0, 30):
        a_run(results, days, [idle(0.025)])
    page = history_page.unit_page(unit_history(Store(results), "EX-0007"))
    assert "Read once or twice" in page
    assert "<figure>" not in page


def test_a_verdict_that_nobody_knows_is_told_and_not_a_traceback(results: Path) -> None:
    a_run(results, 0, [idle(0.025)])
    table = results / "readings.csv"
    table.write_bytes(table.read_bytes().replace(b",pass,", b",splendid,"))
    with pytest.raises(RecordError, match="splendid"):
        unit_history(Store(results), "EX-0007")


def test_a_run_whose_rows_are_gone_is_named_in_the_history(results: Path) -> None:
    run_id = a_run(results, 0, [idle(0.025), idle(0.026, "b")])
    table = results / "readings.csv"
    table.write_bytes(b"".join(table.read_bytes().splitlines(keepends=True)[:-1]))
    found = unit_history(Store(results), "EX-0007")
    assert [text.split(":")[0] for text in found.lost] == [run_id]
    assert run_id in history_page.unit_page(found)


def test_names_that_look_like_numbers_are_names(tmp_path: Path) -> None:
    """A model 2040 of serial number 0042, steps 1 and 2: nothing else is on record."""
    store = Store(tmp_path)
    for _ in range(3):
        with store.start(RunInfo("0042", "2040", "7", "1", simulated=True)) as record:
            for step in ("1", "2"):
                held = Reading("dc_offset", "V", 0.01, channel="1")
                record.reading(decide(held, Limit(-0.05, 0.05), "simple", step))
            record.finish(Disposition.ACCEPT, "all 2 limits are met")
    of_unit = unit_history(store, "0042")
    assert of_unit.models == ("2040",)
    assert sum(len(one.values) for one in of_unit.trends) == 6
    (of_model,) = model_histories(store, "2040")
    assert (of_model.model, of_model.sequence) == ("2040", "7")
    assert sorted(one.row.step for one in of_model.limits) == ["1", "2"]
