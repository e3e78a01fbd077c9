"""``seqrun study acceptance``: whole runs against the truth; a study goes on where it was."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from seqrun.cli import app, main
from seqrun.errors import UsageError
from seqrun.measure.proportion import exact_interval
from seqrun.study import acceptance
from seqrun.study.acceptance import (
    StudyCase,
    StudyRow,
    accept_many,
    cases_of,
    catalogue,
    read_rows,
    run_case,
)
from seqrun.study.benches import HEAD, bring_up
from seqrun.study.tables import acceptance_table

DOWN = 'no_discharge = "a study: the run ends in the safe state"\n'
TRIP = """
[[trip]]
quantity = "supply_current"
above = "1.2 * supply_at_rated_power"
why = "a short"
"""
STEPS = """
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
[[step]]
id = "way"
do = "polarity"
limit = { at_least = "0.5" }
"""


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A sequence of a few seconds that judges offset and polarity."""
    path = tmp_path_factory.mktemp("sequences") / "short.toml"
    path.write_text(HEAD + DOWN + TRIP + bring_up() + STEPS, encoding="utf-8")
    return str(path)


def cases(short: str, *faults: str, seeds: int = 1) -> list[StudyCase]:
    return cases_of(short, ["demo-2x40"], faults, range(1, seeds + 1))


def test_truth_and_decision_agree_on_a_healthy_unit_and_on_a_bad_one(short: str) -> None:
    good, bad = accept_many(cases(short, "none", "dc_offset@right=0.3"))
    assert (good.disposition, good.violated, good.false_reject) == ("accept", "", False)
    assert (bad.disposition, bad.violated, bad.first_fail) == (
        "reject",
        "dc_offset",
        "offset.right",
    )
    assert bad.caught and not bad.false_reject
    assert not good.untold


def test_what_no_step_looks_for_is_no_false_accept_and_what_one_missed_is(
    short: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (row,) = accept_many(cases(short, "loss_of_bass@left"))
    assert row.disposition == "accept" and not row.false_accept
    monkeypatch.setattr(acceptance, "told", lambda asked: -1e3)
    (lied,) = accept_many(cases(short, "none"))
    assert lied.false_accept


def test_a_unit_rejected_for_readings_that_are_truly_within_is_a_false_reject(
    short: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(acceptance, "told", lambda asked: 0.7)
    monkeypatch.setattr(acceptance, "violates", lambda judged, true: False)
    (row,) = accept_many(cases(short, "inverted_polarity@left"))
    assert row.disposition == "reject" and row.false_reject


def test_a_fault_that_a_unit_cannot_have_is_told_and_no_run(short: str) -> None:
    (row,) = accept_many(cases(short, "dead_half_bridge"))
    assert row.disposition == "" and "bridged" in row.refused
    assert any("bridged" in line for line in acceptance_table([row]))


def test_a_study_goes_on_where_it_was_cut_short_even_within_a_line(
    short: str, tmp_path: Path
) -> None:
    file = tmp_path / "study.csv"
    wanted = cases(short, "none", "inverted_polarity", seeds=2)
    first = accept_many(wanted, file)
    whole = file.read_bytes()
    file.write_bytes(whole[:-20])  # the power went within the last row
    made: list[StudyCase] = []

    def once_more(case: StudyCase, version: str) -> StudyRow:
        made.append(case)
        return run_case(case, version)

    again = accept_many(wanted, file, work=once_more)
    assert made == [wanted[-1]]
    assert [replace(row, cpu_s=0.0) for row in again] == [replace(row, cpu_s=0.0) for row in first]
    assert len(read_rows(file)) == 4


def test_rows_of_other_sources_are_made_again(
    short: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "study.csv"
    accept_many(cases(short, "none"), file)
    monkeypatch.setattr(acceptance, "made_with", lambda: "another")
    accept_many(cases(short, "none"), file)
    assert [row.made_with == "another" for row in read_rows(file)] == [False, True]


def test_another_file_is_not_written_over(short: str, tmp_path: Path) -> None:
    file = tmp_path / "accounts.csv"
    file.write_text("date,amount\n2026-01-01,12\n", encoding="utf-8")
    with pytest.raises(UsageError, match="acceptance study"):
        accept_many(cases(short, "none"), file)
    assert file.read_text(encoding="utf-8").startswith("date,amount")


def test_the_catalogue_is_every_fault_at_the_severities_asked_for() -> None:
    assert "bias_low=0.6" in catalogue() and "none" in catalogue()
    assert {"bias_low=0.2", "bias_low=1"} <= set(catalogue([0.2, 1.0]))
    assert not any(name.startswith("load_missing") for name in catalogue())


def test_the_exact_interval_of_none_and_of_all_is_that_of_the_textbook() -> None:
    """C. J. Clopper and E. S. Pearson: with none in n, 1 − (0.025)^(1/n)."""
    low, high = exact_interval(0, 30)
    assert low == 0.0 and high == pytest.approx(1.0 - 0.025 ** (1.0 / 30.0))
    assert exact_interval(30, 30) == pytest.approx((1.0 - high, 1.0))
    with pytest.raises(UsageError):
        exact_interval(3, 2)


def test_the_command_prints_rates_and_goes_on(short: str, tmp_path: Path) -> None:
    ask = ["study", "acceptance", "--sequence", short, "--seeds", "1", "--processes", "1"]
    ask += ["--fault", "inverted_polarity", "--fault", "none", "--file", str(tmp_path / "s.csv")]
    result = CliRunner().invoke(app, ask)
    assert result.exit_code == 0
    text = result.output
    assert "with a fault and not accepted: 1 of 1" in text
    assert "healthy and accepted: 1 of 1" in text


def test_the_world_tells_of_a_bridged_output_between_its_terminals() -> None:
    from seqrun.runner.opening import read_bench
    from seqrun.study import truths

    truth = read_bench("demo", "demo-bridged").demo.truth
    assert truth.terminals("left") == ("out.left.pos", "out.left.neg")
    assert truths.noise_v(truth, "left") == 0.0  # without power
    assert truths.hum_v(truth, "left") == 0.0


@pytest.mark.parametrize("fault", ["inverted_polarty", "dc_offset=3"])
def test_a_fault_that_there_is_not_is_wrong_use(
    fault: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.argv", ["seqrun", "study", "acceptance", "--fault", fault])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code == 2
    assert "--fault" in capsys.readouterr().err


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[str]:
    """A scheduler with two worker processes on this machine."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        local_directory=str(tmp_path),
    ) as cluster:
        yield cluster.scheduler_address


def test_two_workers_of_a_cluster_give_the_rows_that_this_process_gives(
    short: str, cluster: str, tmp_path: Path
) -> None:
    wanted = cases(short, "none", "inverted_polarity")
    there = accept_many(wanted, tmp_path / "far.csv", scheduler=cluster)
    here = accept_many(wanted)
    assert [replace(row, cpu_s=0.0) for row in there] == [replace(row, cpu_s=0.0) for row in here]


def test_a_scheduler_that_does_not_answer_is_wrong_use(
    short: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("seqrun.study.running.REACH_S", 0.5)
    with pytest.raises(UsageError, match="no scheduler answers"):
        accept_many(cases(short, "none"), scheduler="tcp://127.0.0.1:9")
