"""Curves: what is left out for speed must not be what matters."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_run import bad, on_record, traces
from pytest import approx

from seqrun.record.traces import read_trace
from seqrun.report.run.curves import _few_cycles, _highest_harmonic, figures
from seqrun.report.run.heard import hunt, level_in_time, response
from seqrun.report.shared.chart import Axis, around, envelope, peaks
from seqrun.values import Disposition


@settings(max_examples=30)
@given(st.integers(1, 5000), st.integers(1, 400), st.integers(0, 2**31))
def test_the_highest_and_lowest_point_of_a_waveform_survive(n: int, bins: int, seed: int) -> None:
    ys = np.random.default_rng(seed).normal(size=n)
    xs = np.arange(n, dtype=float)
    short_x, short_y = envelope(xs, ys, bins)
    assert short_y.max() == ys.max()
    assert short_y.min() == ys.min()
    assert len(short_x) == len(short_y) <= max(2 * bins, n)
    assert np.all(np.diff(short_x) >= 0.0)


def test_a_single_line_in_a_long_spectrum_survives_in_its_place() -> None:
    frequency = np.arange(1, 500_001, dtype=float) / 5.0
    level = np.full(frequency.size, -120.0)
    level[49_999] = -55.0  # 10 kHz
    xs, ys = peaks(frequency, level, 10.0, 1e5, 400)
    assert len(xs) <= 400
    assert ys.max() == -55.0
    assert xs[ys.argmax()] == approx(10e3)


def test_three_cycles_are_shown_even_when_noise_makes_more_crossings() -> None:
    time = np.arange(20_000) / 200e3
    sine = np.sin(2 * np.pi * 1000.0 * time) + np.random.default_rng(1).normal(0, 0.05, time.size)
    shown = _few_cycles(sine)
    assert shown.stop - shown.start == approx(600, abs=12)


def test_a_flat_line_is_shown_whole() -> None:
    assert _few_cycles(np.zeros(100)) == slice(0, 100)


def test_symmetric_clipping_has_its_highest_harmonic_at_three_times_the_fundamental() -> None:
    trace = traces()["spectrum-power.left"]
    found = _highest_harmonic(trace["frequency_hz"], trace["db_left"])
    assert found is not None
    assert found[0] == approx(3000.0)


def test_ticks_are_round_numbers_within_the_axis() -> None:
    axis = Axis(0.0, 2880.0, "bench time, min", factor=1 / 60)
    assert [axis.text(t) for t in axis.ticks()] == ["0", "10", "20", "30", "40"]
    octave = Axis(20.0, 20e3, "frequency, Hz", logarithmic=True)
    assert octave.text(octave.ticks()[-1]) == "20 k"


def test_a_range_around_one_value_is_not_empty() -> None:
    low, high = around([3.0, 3.0, float("nan")])
    assert low < 3.0 < high


def test_an_empty_cell_of_a_trace_is_a_gap_and_not_a_zero(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("time_s,rise_k\r\n0,1.5\r\n1,\r\n2,2.5\r\n", encoding="utf-8")
    rise = read_trace(path)["rise_k"]
    assert np.isnan(rise[1])
    assert list(rise[[0, 2]]) == [1.5, 2.5]


def test_a_page_with_all_curves_is_made_without_the_heavy_libraries(tmp_path: Path) -> None:
    """They are most of the time of a page; bench_page.py in tests/benchmarks has the figures."""
    run = on_record(tmp_path, bad(), Disposition.REJECT, "fail", curves=True)
    code = (
        "import sys; from pathlib import Path; from seqrun.record import load_run;"
        "from seqrun.report.run.page import write_page;"
        "write_page(load_run(sys.argv[1], sys.argv[2]), Path(sys.argv[1], 'r.html'));"
        "print(*sorted({name.split('.')[0] for name in sys.modules}))"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path), run.run.run_id],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert (tmp_path / "r.html").stat().st_size > 50_000
    loaded = set(told.stdout.split())
    assert "numpy" in loaded
    assert not loaded & {"scipy", "pandas", "pyvisa", "matplotlib", "demo_sim"}


def test_a_hunt_is_drawn_by_what_was_done_to_which_part() -> None:
    told = {"rates": {"hunt": [["at rest", 4, 100.0, 0.01, 0.1], ["tap part 2", 9, 9.0, 0.4, 2.0]]}}
    trace = {"time_s": np.arange(3.0), "loudest_v": np.ones(3)}
    figure = hunt("hunt", trace, told, ())
    assert "tap part 2: 9 in 9 s" in figure.caption
    at = [float(x) for x in re.findall(r'<circle cx="([0-9.]+)"', figure.svg)]
    # dots lie as the rates do, on a scale that ends with the highest bound
    assert (at[0] - 150.0) / (at[1] - 150.0) == approx(0.04, rel=0.02)
    assert hunt("other", trace, told, ()).title.startswith("Noise in time")


def test_a_burst_is_counted_once_where_it_stands_out() -> None:
    level = np.array([0.1, 0.1, 0.9, 0.8, 0.1, 0.7, 0.1]) * 1e-3
    trace = {"time_s": np.arange(7.0), "loudest_v": level, "threshold_v": np.full(7, 5e-4)}
    figure = level_in_time("bursts", trace, {}, ())
    assert "Bursts in this curve: 2." in figure.caption and "900 µV" in figure.caption


def test_a_response_tells_where_it_is_within_three_decibels() -> None:
    frequency = np.array([10.0, 100.0, 1e3, 1e4, 1e5])
    trace = {"frequency_hz": frequency, "db_left": np.array([-6.0, -1.0, 0.0, -2.0, -9.0])}
    figure = response("response", trace, {}, ())
    assert figure.caption == "left: within 3 dB from 100 Hz to 10 kHz."


def test_what_was_heated_on_at_a_greater_power_is_drawn_apart_from_what_is_judged(
    tmp_path: Path,
) -> None:
    path = tmp_path / "heat-rise.csv"
    path.write_text("time_s,rise_k\n0,1.0\n300,12.0\n600,18.0\n660,22.0\n720,26.0\n", "utf-8")
    fits = {"fits": {"rise": {"end_k": 28.0, "u_k": 1.0, "tau_s": 540.0, "rise0_k": 1.0}}}
    facts = {**fits, "heated_on": {"rise": {"since_s": 600.0}}}
    (plain,) = figures((("heat-rise", path),), fits, ())
    (on,) = figures((("heat-rise", path),), facts, ())
    assert "at a greater power" in on.svg
    assert "From 10.0 min on at a greater power" in on.caption
    assert "greater power" not in plain.svg + plain.caption
    points = [len(line.split()) for line in re.findall(r'<polyline points="([^"]*)"', on.svg)]
    assert points[-2:] == [2, 3]  # heated on, and judged


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("time_s,sink_k\n0.0,1.0\n", "it has no column 'sink_c'"),
        (
            "time_s,rise_k\n0.0\n",
            "not a table of 2 columns",
        ),
    ],
)
def test_why_a_curve_cannot_be_drawn_is_told_in_words(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "heat-rise.csv"
    path.write_text(text, encoding="utf-8")
    (figure,) = figures((("heat-rise", path),), {}, ())
    assert (figure.title, figure.caption) == ("heat at rise", f"could not be drawn: {why}")
    assert (figure.trace, figure.svg) == ("heat-rise", "")


def test_a_spectrum_without_a_frequency_has_too_few_points(tmp_path: Path) -> None:
    path = tmp_path / "spectrum-thd.csv"
    path.write_text("frequency_hz,db_left\n0.0,0.0\n", encoding="utf-8")
    (figure,) = figures((("spectrum-thd", path),), {}, ())
    assert figure.caption == "could not be drawn: it has too few points"


def test_between_two_records_no_level_is_drawn() -> None:
    times = np.concatenate([np.arange(20) * 0.005, 0.7 + np.arange(20) * 0.005])
    trace = {"time_s": times, "loudest_v": np.full(40, 1e-4)}
    whole = {"time_s": np.arange(40) * 0.005, "loudest_v": np.full(40, 1e-4)}
    assert level_in_time("noise", trace, {}, ()).svg.count("<polyline") == 2
    assert level_in_time("noise", whole, {}, ()).svg.count("<polyline") == 1
