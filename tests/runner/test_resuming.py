"""A run that was interrupted goes on: what is kept is marked, heat starts again, and nothing is
accepted that a whole run would not accept."""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pytest_mock import MockerFixture

from seqrun.errors import InstrumentSilent, UsageError
from seqrun.judge.condition import conditions
from seqrun.record import Store, load_run
from seqrun.record.again import KEPT
from seqrun.record.cases import Cases
from seqrun.runner import resuming
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.resuming import Disagrees, Resumption, interrupted, resumption
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Heat, Judged, Verdict

STEPS = """
[[step]]
id = "ambient"
do = "temperature"
at = "sensor.ambient"
[[step]]
id = "cold.{half}"
each = "half"
do = "device_current"
at = "ballast.left.{half}.1"
limit = { between = ["0.6 * idle_current", "1.4 * idle_current"] }
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
[[step]]
id = "gain"
do = "gain"
limit = { between = ["gain - 1 dB", "gain + 1 dB"] }
[[step]]
id = "heat"
do = "soak"
ambient = "ambient"
at_most = "90 min"
until = "predicted"
limit = { at_most = "sink_rise_limit" }
[[step]]
id = "hot.{half}"
each = "half"
do = "device_current"
at = "ballast.left.{half}.1"
limit = { between = ["0.6 * idle_current", "1.6 * idle_current"] }
[[step]]
id = "hot_gain"
do = "gain"
limit = { between = ["gain - 1 dB", "gain + 1 dB"] }
"""


class Stops(Watcher):
    """Has the run interrupted as a step begins, or does what ``then`` does."""

    def __init__(self, interrupts: Interrupts, at: str, then: Callable[[], None] | None = None):
        self._interrupts, self._at, self._then = interrupts, at, then
        self.notes: list[str] = []
        self.set_out: list[str] = []
        self.over: list[str] = []

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        self.over.append(step_id)

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        self.set_out.append(step_id)
        if step_id == self._at:
            if self._then is not None:
                self._then()
            self._interrupts.arrived = "Ctrl-C"

    def note(self, text: str) -> None:
        self.notes.append(text)


def _asked(sequence: str, faults: Sequence[str] = ()) -> dict[str, Any]:
    return {"sequence": sequence, "bench": "demo", "unit": None, "faults": [*faults], "seed": 1}


def started(results: Path, sequence: str, *faults: str, until: str = "") -> Outcome:
    """A run that is interrupted as a step begins."""
    plan, files = prepare(sequence, "demo", None, faults=faults)
    interrupts = Interrupts()
    options = Options("T-1", "", results, _asked(sequence, faults))
    return execute(plan, files, None, Stops(interrupts, until), options, interrupts)


def gone_on(
    results: Path, sequence: str, *faults: str, until: str = "", because: str = ""
) -> tuple[Outcome, Resumption, list[str]]:
    """The last run, gone on with."""
    of = interrupted(Store(results), "last", because)
    plan, files = prepare(sequence, "demo", None, faults=faults)
    resumed = resumption(of, plan, files, because)
    interrupts = Interrupts()
    watcher = Stops(interrupts, until)
    options = Options("T-1", "", results, _asked(sequence, faults), resumed)
    outcome = execute(plan, files, None, watcher, options, interrupts)
    kept = [step for step in watcher.set_out if step in resumed.keeps and step != until]
    assert set(kept) <= set(watcher.over), "whoever watches sees kept steps end, too"
    return outcome, resumed, watcher.notes


@pytest.fixture
def sequence(short_sequence: Callable[..., str]) -> str:
    return short_sequence(STEPS)


@pytest.mark.parametrize(
    ("at", "again", "kept"),
    [
        ("bring_up", set(), set()),
        ("offset.left", set(), {"cold.lower"}),
        ("hot_gain", {"heat", "ambient"}, {"hot.upper", "hot.lower"}),
        ("discharge", {"ambient"}, {"heat", "hot_gain"}),  # nobody needs the heat any more
    ],
)
def test_wherever_it_was_interrupted_it_goes_on_to_what_a_whole_run_comes_to(
    tmp_path: Path, sequence: str, at: str, again: set[str], kept: set[str]
) -> None:
    results = tmp_path / "r"
    first = started(results, sequence, until=at)
    assert first.disposition is Disposition.ABORTED
    outcome, resumed, notes = gone_on(results, sequence)
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    assert outcome.run_id != first.run_id
    record = load_run(results, outcome.run_id)
    assert not record.missing
    assert record.facts["resumed"]["of"] == first.run_id
    taken = [j for j in record.judged if j.note.startswith(f"{KEPT}{first.run_id}")]
    assert {j.step for j in taken} == set(resumed.keeps) >= kept
    assert set(resumed.again) >= again
    assert not {j.step for j in taken} & {*resumed.again, *resumed.checks}
    before = {(j.step, j.quantity, j.channel): j.value for j in first.judged}
    assert all(before[j.step, j.quantity, j.channel] == j.value for j in taken)
    plan, _ = prepare(sequence, "demo", None)
    assert {j.step for j in record.judged} >= {a.id for a in plan.actions if a.limit is not None}
    # what was read hot is hot now too, and the order of the conditions is as in a whole run
    told = [c.heat for c in conditions(record.judged)]
    assert told == sorted(told, key=[Heat.COLD, Heat.RESTED].index)
    assert any(line.startswith("kept as read then") for line in notes)


def test_a_resumed_run_that_is_interrupted_goes_on_too(tmp_path: Path, sequence: str) -> None:
    results = tmp_path / "r"
    first = started(results, sequence, until="offset.left")
    second, _, _ = gone_on(results, sequence, until="gain")
    third, _, _ = gone_on(results, sequence)
    assert second.disposition is Disposition.ABORTED
    assert third.disposition is Disposition.ACCEPT, third.reason
    made_by = {m[1] for j in third.judged if (m := re.match(rf"{KEPT}([^:]+)", j.note))}
    assert made_by == {first.run_id, second.run_id}


def test_a_hum_with_its_lines_and_a_noise_with_its_peak_are_known_again(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    """Several lines of one step have one name, and stand there for the record only."""
    heard = """
[[step]]
id = "noise"
do = "output_noise"
at = "out.left"
records = 3
record_time = "0.1 s"
limit = { at_most = "2 mV" }
[[step]]
id = "hum"
do = "hum"
at = "out.left"
limit = { at_most = "2 mV" }
[[step]]
id = "last"
do = "dc_voltage"
at = "out.right"
limit = { between = ["-50 mV", "50 mV"] }
"""
    sequence = short_sequence(heard)
    started(tmp_path / "r", sequence, until="last")
    outcome, resumed, _ = gone_on(tmp_path / "r", sequence)
    assert {"noise", "hum"} <= set(resumed.checks)
    lines = [j for j in outcome.judged if j.quantity == "hum_line"]
    assert len(lines) > 1
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason


def test_a_unit_that_is_another_is_found_by_the_spot_check(tmp_path: Path, sequence: str) -> None:
    results = tmp_path / "r"
    started(results, sequence, until="gain")
    outcome, _, _ = gone_on(results, sequence, "bias_low@left=0.4")
    assert outcome.disposition is Disposition.ABORTED
    assert "the spot check of cold.upper reads" in outcome.reason
    assert outcome.safe.complete and outcome.safe.confirmed
    with pytest.raises(UsageError, match="may be kept"):
        interrupted(Store(results), "last", "")


def test_a_fault_that_was_seen_before_the_interruption_is_no_accept_after_it(
    tmp_path: Path, sequence: str
) -> None:
    results = tmp_path / "r"
    started(results, sequence, "dc_offset@right=0.5", until="gain")
    outcome, resumed, _ = gone_on(results, sequence)  # it has gone by itself
    assert "offset.right" in resumed.again
    assert outcome.disposition is Disposition.HOLD
    assert "offset.right passes, and did not" in outcome.reason


def test_what_stood_against_the_first_run_stands_against_the_second(
    tmp_path: Path, sequence: str, mocker: MockerFixture
) -> None:
    results = tmp_path / "r"
    mocker.patch("seqrun.runner.opening.BenchClock.virtual", False)
    # it is asked once more before the unit counts as charged
    mocker.patch("seqrun.runner.pulse.Pulse.gap", side_effect=[0.0, 31.0] + 9999 * [0.0])
    started(results, sequence, until="gain")
    mocker.stopall()
    told = load_run(results, "last").facts["against"]
    outcome, _, _ = gone_on(results, sequence)
    assert bool(told) and outcome.disposition is Disposition.HOLD
    assert "nobody watched the powered unit for 31 s" in outcome.reason


def test_a_lost_link_can_be_gone_on_after(
    tmp_path: Path, sequence: str, mocker: MockerFixture
) -> None:
    results = tmp_path / "r"
    mocker.patch("seqrun.steps.levels.levels.idle_current", side_effect=InstrumentSilent("gone"))
    first = started(results, sequence)
    mocker.stopall()
    assert first.disposition is Disposition.ABORTED and "gone" in first.reason
    outcome, _, _ = gone_on(results, sequence)
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason


@pytest.fixture(scope="session")
def aborted_once(
    tmp_path_factory: pytest.TempPathFactory,
    once: Callable[..., Any],
    short_text: Callable[[str], str],
) -> Path:
    """A record with one run, interrupted before the offsets: made once for all workers."""

    def make() -> Path:
        folder = tmp_path_factory.mktemp("aborted")
        (folder / "short.toml").write_text(short_text(STEPS), encoding="utf-8")
        started(folder / "r", str(folder / "short.toml"), until="offset.left")
        return folder / "r"

    found: Path = once("an interrupted run", make)
    return found


@pytest.fixture
def aborted(aborted_once: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copytree(aborted_once, tmp_path / "r"))


def test_a_trip_wants_an_explanation(tmp_path: Path, sequence: str) -> None:
    path = Path(sequence)
    trip = '[[trip]]\nquantity = "supply_current"\nabove = "1 mA"\nwhy = "a short"\n'
    path.write_text(path.read_text("utf-8").replace("[[step]]", f"{trip}[[step]]", 1), "utf-8")
    results = tmp_path / "r"
    assert started(results, sequence).reason.startswith("tripped")
    with pytest.raises(UsageError, match="a trip"):
        interrupted(Store(results), "last", " ")
    assert interrupted(Store(results), "T-1", "the limit was a misprint").run.serial == "T-1"


def test_a_spoilt_record_is_refused(aborted: Path) -> None:
    table = aborted / "readings.csv"
    rows = list(csv.reader(table.open(encoding="utf-8")))
    column = rows[0].index("value")
    rows[-1][column] = str(float(rows[-1][column]) * 1.01)
    with table.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)
    with pytest.raises(UsageError, match="not whole"):
        interrupted(Store(aborted), "last", "")


def test_a_run_without_an_end_is_refused(aborted: Path) -> None:
    table = aborted / "runs.csv"
    table.write_text("".join(table.read_text("utf-8").splitlines(keepends=True)[:2]), "utf-8")
    with pytest.raises(UsageError, match="not whole"):
        interrupted(Store(aborted), "last", "")


def test_a_run_that_came_to_its_end_is_refused(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    started(tmp_path / "r", short_sequence())
    with pytest.raises(UsageError, match="came to its end: accept"):
        interrupted(Store(tmp_path / "r"), "last", "")


def test_work_on_the_unit_or_another_run_of_it_leaves_nothing_to_keep(
    aborted: Path, short_sequence: Callable[..., str]
) -> None:
    name = load_run(aborted, "last").run.run_id
    Cases(Store(aborted)).add("T-1", "work", "new output devices", "")
    with pytest.raises(UsageError, match="new output devices"):
        interrupted(Store(aborted), name, "")
    started(aborted, short_sequence())
    with pytest.raises(UsageError, match="run again since"):
        interrupted(Store(aborted), name, "")


def test_yesterdays_run_is_another_days(aborted: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resuming, "OLDEST", timedelta(0))
    with pytest.raises(UsageError, match="ago"):
        interrupted(Store(aborted), "last", "")


def test_files_that_were_changed_and_instruments_that_were_exchanged_are_refused(
    aborted: Path, sequence: str
) -> None:
    of = interrupted(Store(aborted), "last", "")
    path = Path(sequence)
    text = path.read_text("utf-8")
    path.write_text(text.replace("50 mV", "60 mV"), "utf-8")
    with pytest.raises(UsageError, match=r"short\.toml is not as it was"):
        resumption(of, *prepare(sequence, "demo", None), "")
    path.write_text(text, "utf-8")
    with pytest.raises(UsageError, match="not as it was"):
        resumption(of, *prepare(sequence, "demo:small_memory", None), "")
    facts = json.loads((of.folder / "run.json").read_text("utf-8"))
    facts["equipment"][0]["identity"] = "ANOTHER,ONE,7,1"
    (of.folder / "run.json").write_text(json.dumps(facts), "utf-8")
    with pytest.raises(UsageError, match="before 'ANOTHER,ONE,7,1'"):
        gone_on(aborted, sequence)
    assert len(Store(aborted).runs()) == 1  # nothing was begun


def test_another_seqrun_another_bench_file_or_a_simulated_bench_keeps_nothing(
    aborted: Path, sequence: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    of = interrupted(Store(aborted), "last", "")
    plan, files = prepare(sequence, "demo", None)
    real = replace(of, run=replace(of.run, simulated=False))
    with pytest.raises(UsageError, match="one bench is simulated"):
        resumption(real, plan, files, "")
    text = files.view.bench.text
    others = [p for p in of.files if p.read_text("utf-8") != text]
    assert len(others) == len(of.files) - 1
    with pytest.raises(UsageError, match="the bench file demo bench is not as it was"):
        resumption(replace(of, files=tuple(others)), plan, files, "")
    monkeypatch.setattr(resuming, "__version__", "0.0.0")
    with pytest.raises(UsageError, match="was made with seqrun"):
        interrupted(Store(aborted), "last", "")


def test_a_spot_check_disagrees_by_its_verdict_by_its_value_and_by_what_it_lacks(
    tmp_path: Path, sequence: str
) -> None:
    results = tmp_path / "r"
    started(results, sequence, until="gain")
    of = interrupted(Store(results), "last", "")
    found = resumption(of, *prepare(sequence, "demo", None), "")
    step = found.checks[-1]
    rows = [one for one in of.judged if one.step == step]
    found.compare(step, rows)
    one = rows[0]
    assert one.value is not None and one.limit_high is not None and one.limit_low is not None
    moved = one.value + 0.2 * (one.limit_high - one.limit_low)  # a pass all the same

    def read(value: float | None, verdict: Verdict = Verdict.PASS) -> list[Judged]:
        return [replace(one, reading=replace(one.reading, value=value), verdict=verdict)]

    for wrong in (read(moved), read(one.value, Verdict.CONDITIONAL_PASS), read(None)):
        with pytest.raises(Disagrees, match=f"the spot check of {step} reads .*, before"):
            found.compare(step, wrong)
    with pytest.raises(Disagrees, match=f"the spot check of {step} reads no "):
        found.compare(step, [])


def test_where_nothing_can_be_checked_nothing_is_kept(
    tmp_path: Path, sequence: str, mocker: MockerFixture
) -> None:
    started(tmp_path / "r", sequence, until="gain")
    of = interrupted(Store(tmp_path / "r"), "last", "")
    plan, files = prepare(sequence, "demo", None)
    assert resumption(of, plan, files, "").keeps
    mocker.patch.object(resuming, "_spot_checks", return_value=())
    found = resumption(of, plan, files, "")
    assert not found.keeps
    assert "cold.lower" in found.again


def test_what_was_taken_over_is_as_old_as_the_run_that_read_it(
    tmp_path: Path, sequence: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Resumed each evening, a unit would be accepted on what was read last week."""
    results = tmp_path / "r"
    first = started(results, sequence, until="offset.left")
    second, _, _ = gone_on(results, sequence, until="gain")
    ended = [datetime.fromisoformat(row.ended_utc) for row in Store(results).runs()]
    between = (datetime.now(UTC) - ended[0] + datetime.now(UTC) - ended[1]) / 2
    monkeypatch.setattr(resuming, "OLDEST", between)
    with pytest.raises(UsageError, match=f"{first.run_id} ended more than"):
        interrupted(Store(results), second.run_id, "")


def test_what_a_step_that_is_done_again_leans_on_is_read_again_with_it(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    """No arithmetic joins two runs."""
    leans = '[[step]]\nid = "held"\ndo = "condition"\nof = "gain"\nat_least = "90 dB"\n'
    sequence = short_sequence(STEPS + leans)
    started(tmp_path / "r", sequence, until="held")
    of = interrupted(Store(tmp_path / "r"), "last", "")
    found = resumption(of, *prepare(sequence, "demo", None), "")
    assert "gain" in found.again
    assert {"cold.lower", "offset.right"} <= {*found.keeps, *found.checks}


def test_only_passes_are_kept(tmp_path: Path, sequence: str) -> None:
    started(tmp_path / "r", sequence, "dc_offset@right=0.5", until="gain")
    of = interrupted(Store(tmp_path / "r"), "last", "")
    found = resumption(of, *prepare(sequence, "demo", None, faults=["dc_offset@right=0.5"]), "")
    by = {j.step: j.verdict for j in of.judged}
    assert by["offset.right"] is Verdict.FAIL
    assert "offset.right" not in (*found.keeps, *found.checks)
