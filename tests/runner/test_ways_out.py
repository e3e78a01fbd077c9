"""Every way out of a run passes through the safe state: supply off, generator off, on record."""

from __future__ import annotations

import math
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest
from uncertainties import UFloat, ufloat

import demo_sim
from demo_sim.instruments.supply import Supply
from seqrun.errors import InstrumentSilent, WrongInstrument
from seqrun.files.unit.sheet import load_unit
from seqrun.instruments.supply import DrivenSupply
from seqrun.record import RecordError, RunData, RunRecord, load_run
from seqrun.runner.events import Watcher
from seqrun.runner.opening import BenchFiles
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.steps.levels import DcVoltage
from seqrun.values import Disposition


@dataclass
class AtStep(Watcher):
    """Does something when a step begins."""

    step: str
    act: Callable[[], object]

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        if step_id == self.step:
            self.act()


def run(
    tmp_path: Path, watcher: Watcher, bench: str = "demo", sequence: str = "acceptance"
) -> tuple[Outcome, RunData, BenchFiles]:
    plan, files = prepare(sequence, bench, None)
    interrupts = Interrupts()
    outcome = execute(plan, files, None, watcher, Options("T-1", "", tmp_path / "r"), interrupts)
    return outcome, load_run(tmp_path / "r", outcome.run_id), files


def is_dead(demo: demo_sim.Bench) -> bool:
    """Whether the world itself says that nothing is driven and the rails are down."""
    volts = [demo.world.supply_state("supply", n).volts for n in (1, 2)]
    return all(abs(v) < 2.0 for v in volts)


@pytest.fixture
def heeded() -> Iterator[None]:
    """The terminal's hanging up counts, although the tests themselves may be run with nohup."""
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    yield
    signal.signal(signal.SIGHUP, before)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("step", ["ambient", "bring_up", "offset.left", "noise.right"])
def test_a_signal_ends_in_the_safe_state_whenever_it_comes(
    tmp_path: Path, number: signal.Signals, step: str, heeded: None
) -> None:
    before = signal.getsignal(number)
    watcher = AtStep(step, lambda: os.kill(os.getpid(), number))
    outcome, record, files = run(tmp_path, watcher)
    assert outcome.disposition is Disposition.ABORTED
    assert outcome.safe.complete
    assert is_dead(files.demo)
    assert record.run.disposition is Disposition.ABORTED
    assert signal.getsignal(number) is before


@dataclass
class WhileMadeSafe(Watcher):
    """Interrupts when all steps are done and the safe state has just been entered."""

    def safe(self, confirmed: Sequence[str], unconfirmed: Sequence[str]) -> None:
        os.kill(os.getpid(), signal.SIGINT)


def test_an_interrupt_after_the_last_step_is_still_no_accept(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome, record, files = run(tmp_path, WhileMadeSafe(), sequence=short_sequence())
    assert outcome.disposition is Disposition.ABORTED
    assert "Ctrl-C" in record.run.reason
    assert is_dead(files.demo)


def test_a_rail_whose_reading_is_no_number_is_not_told_to_be_discharged(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def unreadable(self: DrivenSupply, output: int) -> UFloat:
        return ufloat(math.nan, 0.01)

    def supply_answers_nonsense() -> None:
        monkeypatch.setattr(DrivenSupply, "voltage", unreadable)

    watcher = AtStep("discharge", supply_answers_nonsense)
    outcome, _, _ = run(tmp_path, watcher, sequence=short_sequence())
    assert any("output 1" in line and "do not touch" in line for line in outcome.safe.unconfirmed)
    assert outcome.disposition is Disposition.HOLD


def test_an_error_of_ours_ends_in_the_safe_state_and_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(self: DcVoltage, ctx: object) -> object:
        raise ZeroDivisionError("a mistake")

    monkeypatch.setattr(DcVoltage, "perform", broken)
    outcome, record, files = run(tmp_path, Watcher())
    assert outcome.disposition is Disposition.ABORTED
    assert isinstance(outcome.failure, ZeroDivisionError)
    assert is_dead(files.demo)
    kept = [path for path in record.files if path.name == "failure.txt"]
    assert kept and "a mistake" in kept[0].read_text(encoding="utf-8")


def serve(tmp_path: Path) -> tuple[demo_sim.Bench, object, str]:
    bench = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40")
    server = bench.serve()
    file = tmp_path / "bench.toml"
    file.write_text(server.bench_toml(), encoding="utf-8")
    return bench, server, str(file)


def test_a_meter_that_is_lost_half_way_ends_with_the_supply_off(tmp_path: Path) -> None:
    bench, server, file = serve(tmp_path)
    with server:
        lose = server._servers["meter"].close
        outcome, _, _ = run(tmp_path, AtStep("cold.left.upper.1", lose), file)
    assert outcome.disposition is Disposition.ABORTED
    assert isinstance(outcome.failure, InstrumentSilent)
    assert is_dead(bench)
    assert outcome.safe.complete  # a meter has nothing to switch off


def test_a_supply_that_is_lost_is_reported_as_not_confirmed_and_the_generator_is_off(
    tmp_path: Path,
) -> None:
    _bench, server, file = serve(tmp_path)
    with server:
        lose = server._servers["supply"].close
        outcome, _, _ = run(tmp_path, AtStep("noise.left", lose), file)
    assert outcome.disposition is Disposition.ABORTED
    assert any("supply" in line for line in outcome.safe.unconfirmed)
    assert any("generator" in line for line in outcome.safe.confirmed)
    assert "safe state not confirmed" in outcome.reason


@pytest.mark.parametrize("full", [False, True])
def test_a_disk_that_fills_up_never_leaves_an_accept(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    short_sequence: Callable[..., str],
    full: bool,
) -> None:
    plan, files = prepare(short_sequence(), "demo", None)

    def no_space(self: RunRecord, *_: object, **__: object) -> None:
        raise RecordError("no space left on the disk")

    if full:
        monkeypatch.setattr(RunRecord, "finish", no_space)
    outcome = execute(
        plan, files, None, Watcher(), Options("T-1", "", tmp_path / "r"), Interrupts()
    )
    assert outcome.disposition is (Disposition.HOLD if full else Disposition.ACCEPT)
    assert isinstance(outcome.failure, RecordError) is full


def test_a_real_instrument_never_follows_a_simulated_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Supply, "model", "SUPPLY 30-5")  # as a real one would answer *IDN?
    _bench, server, file = serve(tmp_path)
    with server, pytest.raises(WrongInstrument, match="real instrument"):
        run(tmp_path, Watcher(), file)
    assert not (tmp_path / "r").exists()
