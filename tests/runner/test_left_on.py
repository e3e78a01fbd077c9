"""A bench that was left on is told and brought down; "off" is said of what was read back."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import pyvisa
from pyvisa.resources import MessageBasedResource
from short_runs import run

import demo_sim
from demo_sim.clock import RealTimeClock
from seqrun.cli.benches import test_command as try_bench
from seqrun.cli.safe import safe_command
from seqrun.errors import InstrumentSilent, NotMeasured, UsageError
from seqrun.files.unit.sheet import load_unit
from seqrun.instruments.generator import DrivenGenerator
from seqrun.instruments.supply import DrivenSupply
from seqrun.record import RunInfo, Store
from seqrun.runner.events import Watcher
from seqrun.runner.left import left_on_record
from seqrun.runner.marker import Marker, found_at
from seqrun.runner.opening import BenchFiles, open_bench, read_bench
from seqrun.runner.safe import found_on, make_safe
from seqrun.values import Disposition, exactly

Served = tuple[demo_sim.Bench, str]


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    bench = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40")
    with bench.serve() as server:
        file = tmp_path / "bench.toml"
        file.write_text(server.bench_toml(), encoding="utf-8")
        yield bench, str(file)


def volts(bench: demo_sim.Bench) -> list[float]:
    return [bench.world.supply_state("supply", n).volts for n in (1, 2)]


def send(file: str, key: str, *messages: str) -> None:
    """Something that another program, or a hand, does to an instrument."""
    resource = read_bench(file, None).view.bench.instrument[key].resource
    manager = pyvisa.ResourceManager("@py")
    device = manager.open_resource(resource, write_termination="\n", read_termination="\n")
    assert isinstance(device, MessageBasedResource)
    for message in messages:
        device.write(message)
    assert device.query("*OPC?") == "1"
    device.close()
    manager.close()


def leave_on(bench: demo_sim.Bench, file: str) -> None:
    rails = [f"INST:NSEL {n};:VOLT 30;:CURR 1" for n in (1, 2)]
    send(file, "supply", *rails, "OUTP ON")
    send(file, "generator", "SOUR1:VOLT 0.1", "OUTP1 ON")
    bench.world.advance(20.0)  # the reservoirs fill under the current limit


class Notes(Watcher):
    def __init__(self) -> None:
        self.said: list[str] = []
        self.hookups_before = -1

    def note(self, text: str) -> None:
        self.said.append(text)


def test_safe_switches_everything_off_and_says_what_it_found(
    served: Served, capsys: pytest.CaptureFixture[str]
) -> None:
    bench, file = served
    leave_on(bench, file)
    assert max(volts(bench)) > 20.0
    assert safe_command(file) == 0
    said = capsys.readouterr().out
    assert "supply output 1 on, at 30" in said
    assert "generator output 1 on" in said
    assert max(map(abs, volts(bench))) < 2.0
    assert "supply output 2: below 2 V" in said


def test_safe_on_a_bench_that_is_off_finds_nothing(
    served: Served, capsys: pytest.CaptureFixture[str]
) -> None:
    assert safe_command(served[1]) == 0
    assert "found on: nothing" in capsys.readouterr().out


def test_safe_reaches_the_others_when_one_does_not_answer(
    served: Served, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench, file = served
    leave_on(bench, file)
    gone = read_bench(file, None).view.bench.instrument["generator"].resource
    text = Path(file).read_text(encoding="utf-8").replace(gone, "TCPIP0::127.0.0.1::9::SOCKET")
    other = tmp_path / "other.toml"
    other.write_text(text, encoding="utf-8")
    assert safe_command(str(other)) == 4
    said = capsys.readouterr().out
    assert "NOT CONFIRMED  generator: cannot be reached" in said
    assert max(map(abs, volts(bench))) < 2.0


@pytest.mark.parametrize("bench", [None, "demo"])
def test_safe_needs_a_bench_of_its_own(bench: str | None) -> None:
    with pytest.raises(UsageError):
        safe_command(bench)


def test_a_run_after_one_that_was_killed_tells_and_brings_the_bench_down_first(
    served: Served, tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    bench, file = served
    marker = Marker(read_bench(file, None).view.bench)
    assert not marker.claim()
    marker.begin("20260101T000000000Z-DEAD-000000", tmp_path)
    marker.let_go()  # as the system does when a process dies
    leave_on(bench, file)
    down: list[float] = []

    class Looks(Notes):
        def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
            if index == 0:
                down.extend(volts(bench))

    watcher = Looks()
    outcome = run(tmp_path / "r", short_sequence(), bench=file, watcher=watcher)
    told = " ".join(watcher.said)
    assert "a run did not end" in told
    assert "DEAD" in told
    assert "supply output 2 on, at 30" in told
    assert max(map(abs, down)) < 2.0
    assert outcome.disposition is Disposition.ACCEPT
    after = Notes()
    run(tmp_path / "r", short_sequence(), bench=file, watcher=after)
    assert not any("did not end" in text for text in after.said)


def test_a_bench_found_on_without_any_marker_is_brought_down_too(
    served: Served, tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    bench, file = served
    leave_on(bench, file)
    watcher = Notes()
    run(tmp_path / "r", short_sequence(), bench=file, watcher=watcher)
    assert any("found on: " in text and "brought down" in text for text in watcher.said)


def test_rails_that_do_not_fall_end_a_run_before_any_lead_is_asked_for(
    served: Served,
    tmp_path: Path,
    short_sequence: Callable[..., str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench, file = served
    leave_on(bench, file)
    monkeypatch.setattr("seqrun.runner.safe.is_discharged", lambda *_: False)
    outcome = run(tmp_path / "r", short_sequence(), bench=file)
    assert outcome.disposition is Disposition.ABORTED
    assert "could not be brought down" in outcome.reason
    assert not outcome.judged


def test_two_runs_on_one_bench_at_once_are_refused(
    served: Served, tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    file = served[1]
    marker = Marker(read_bench(file, None).view.bench)
    marker.claim()
    try:
        with pytest.raises(UsageError, match="another run"):
            run(tmp_path / "r", short_sequence(), bench=file)
    finally:
        marker.end(safe=True)
    assert not (tmp_path / "r").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX")
def test_after_kill_9_the_next_run_tells(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = demo_sim.open_bench(
        load_unit("demo-2x40").plain(), unit_sheet="demo-2x40", real_time=True
    )
    clock = bench.world._clock
    assert isinstance(clock, RealTimeClock)
    sequence, results = short_sequence(), str(tmp_path / "r")
    with bench.serve() as server:
        file = tmp_path / "bench.toml"
        file.write_text(server.bench_toml(), encoding="utf-8")
        command = [sys.executable, "-m", "seqrun", "run", sequence, "--bench", str(file)]
        child = subprocess.Popen(
            [*command, "--serial", "T-1", "--results", results],
            stdout=subprocess.DEVNULL,
            env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
        )
        until = time.monotonic() + 40.0
        while max(volts(bench)) < 5.0 and time.monotonic() < until:
            time.sleep(0.05)
        child.send_signal(signal.SIGKILL)
        child.wait()
        assert max(volts(bench)) >= 5.0
        # From here on bench time passes as it is waited for.
        monkeypatch.setattr(clock, "_sleep", lambda s: setattr(clock, "_start", clock._start - s))
        assert safe_command(str(file)) == 0
        assert max(map(abs, volts(bench))) < 2.0
    assert not Store(tmp_path / "r").run("last").finished


# --- what the safe state says -------------------------------------------------------------------


@pytest.fixture
def opened() -> Iterator[tuple[demo_sim.Bench, object]]:
    files: BenchFiles = read_bench("demo", None)
    bench = open_bench(files, lambda *_: None)
    yield files.demo, bench
    bench.close()


def test_the_generator_goes_off_before_the_supply(
    opened: tuple[demo_sim.Bench, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    for kind in (DrivenSupply, DrivenGenerator):
        real = kind.make_safe

        def noted(self: object, real: Callable = real, name: str = kind.__name__) -> None:
            order.append(name)
            real(self)

        monkeypatch.setattr(kind, "make_safe", noted)
    bench = opened[1]
    backwards = dict(sorted(bench.instruments.items(), reverse=True))  # type: ignore[attr-defined]
    make_safe(backwards, bench.clock)  # type: ignore[attr-defined]
    assert order == ["DrivenGenerator", "DrivenSupply"]


@pytest.mark.parametrize("kind", [DrivenSupply, DrivenGenerator])
@pytest.mark.parametrize("output", [1, 2])
def test_off_is_only_said_of_an_output_that_says_so(
    opened: tuple[demo_sim.Bench, object],
    monkeypatch: pytest.MonkeyPatch,
    kind: type[DrivenSupply] | type[DrivenGenerator],
    output: int,
) -> None:
    monkeypatch.setattr(kind, "enabled", lambda self, n=None: n in (None, output))
    bench = opened[1]
    report = make_safe(bench.instruments, bench.clock)  # type: ignore[attr-defined]
    name = "supply" if kind is DrivenSupply else "generator"
    assert report.unconfirmed == [f"{name}: still reports output {output} as on"]
    assert not any(line.startswith(f"{name}: outputs off") for line in report.confirmed)


def test_a_supply_that_does_not_tell_is_not_confirmed(
    opened: tuple[demo_sim.Bench, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    def silent(self: DrivenSupply, output: int | None = None) -> bool:
        raise NotMeasured("supply does not tell whether its outputs are on")

    monkeypatch.setattr(DrivenSupply, "enabled", silent)
    bench = opened[1]
    report = make_safe(bench.instruments, bench.clock)  # type: ignore[attr-defined]
    assert not report.complete


def test_one_answer_that_is_no_number_is_asked_for_again(
    opened: tuple[demo_sim.Bench, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    real, once = DrivenSupply.voltage, [True]

    def spoilt(self: DrivenSupply, output: int) -> object:
        if once.pop() if once else False:
            raise NotMeasured("the instrument reports no number (INF)")
        return real(self, output)

    monkeypatch.setattr(DrivenSupply, "voltage", spoilt)
    bench = opened[1]
    report = make_safe(bench.instruments, bench.clock, [1, 2])  # type: ignore[attr-defined]
    assert report.complete


def test_a_link_that_broke_is_opened_again_on_the_way_to_the_safe_state(
    opened: tuple[demo_sim.Bench, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    real, broken = DrivenSupply.make_safe, [True]

    def once(self: DrivenSupply) -> None:
        if broken[0]:
            raise InstrumentSilent("the link broke")
        real(self)

    def reopen(self: DrivenSupply) -> None:
        broken[0] = False

    monkeypatch.setattr(DrivenSupply, "make_safe", once)
    monkeypatch.setattr(DrivenSupply, "reopen", reopen)
    bench = opened[1]
    assert make_safe(bench.instruments, bench.clock).complete  # type: ignore[attr-defined]


# --- what cannot be told is not taken for off ---------------------------------------------------


def test_a_charged_rail_is_found_by_its_volts_where_the_supply_does_not_tell_of_outputs(
    opened: tuple[demo_sim.Bench, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    def silent(self: DrivenSupply, output: int | None = None) -> bool:
        raise NotMeasured("supply does not tell whether its outputs are on")

    monkeypatch.setattr(DrivenSupply, "enabled", silent)
    instruments = opened[1].instruments  # type: ignore[attr-defined]
    assert found_on(instruments) == []
    monkeypatch.setattr(DrivenSupply, "voltage", lambda _, n: exactly(30.0 if n == 2 else 0.0))
    assert found_on(instruments) == ["supply output 2 not known to be off, at 30 V"]


@pytest.mark.parametrize("kind", [DrivenSupply, DrivenGenerator])
def test_an_output_that_cannot_be_asked_counts_as_found_on(
    opened: tuple[demo_sim.Bench, object],
    monkeypatch: pytest.MonkeyPatch,
    kind: type[DrivenSupply] | type[DrivenGenerator],
) -> None:
    def silent(*_: object) -> bool:
        raise InstrumentSilent("no answer within 2 s")

    monkeypatch.setattr(kind, "enabled", silent)
    name = "supply" if kind is DrivenSupply else "generator"
    found = found_on(opened[1].instruments)  # type: ignore[attr-defined]
    assert found == [f"{name} output {n} cannot be asked (no answer within 2 s)" for n in (1, 2)]


def test_an_output_that_says_on_is_told_though_the_next_one_does_not_tell(
    opened: tuple[demo_sim.Bench, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    def enabled(self: DrivenGenerator, output: int) -> bool:
        if output == 1:
            return True
        raise NotMeasured("output 2 does not tell")

    monkeypatch.setattr(DrivenGenerator, "enabled", enabled)
    bench = opened[1]
    report = make_safe(bench.instruments, bench.clock)  # type: ignore[attr-defined]
    assert report.unconfirmed == ["generator: still reports output 1 as on"]


def test_a_record_that_cannot_be_read_does_not_say_that_the_last_run_ended(
    served: Served, tmp_path: Path
) -> None:
    files = read_bench(served[1], None)
    store = Store(tmp_path / "r")
    assert left_on_record(store, files) == []
    (tmp_path / "r").mkdir(exist_ok=True)
    (tmp_path / "r" / "runs.csv").write_text("no such table\n", encoding="utf-8")
    (told,) = left_on_record(store, files)
    assert told.startswith("whether the last run of this bench ended is not known: ")


def test_a_bench_that_cannot_be_marked_as_in_use_is_told(
    served: Served,
    tmp_path: Path,
    short_sequence: Callable[..., str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    blocked = tmp_path / "a file"
    blocked.write_text("", encoding="utf-8")
    monkeypatch.setattr("seqrun.runner.marker.state_folder", lambda: blocked / "seqrun")
    watcher = Notes()
    run(tmp_path / "r", short_sequence(""), bench=served[1], watcher=watcher)
    assert any("could not be marked as in use" in text for text in watcher.said)


def test_a_bench_file_written_anew_still_tells_of_the_run_that_did_not_end(
    served: Served, tmp_path: Path
) -> None:
    bench = read_bench(served[1], None).view.bench
    first = Marker(bench)
    first.claim()
    first.begin("20260101T000000000Z-DEAD-000000", tmp_path)
    first.let_go()
    supply = bench.instrument["supply"]
    spelt = supply.resource.lower().replace("tcpip0", "tcpip").replace("127.0.0.1", "localhost")
    assert "localhost" in spelt
    again = supply.model_copy(update={"resource": spelt})
    other = Marker(bench.model_copy(update={"name": "New", "instrument": {"psu": again}}))
    assert "DEAD" in other.claim()["run_id"]
    with pytest.raises(UsageError, match="another run"):
        first.claim()
    other.end(safe=True)


def test_two_names_of_one_instrument_are_one_instrument(tmp_path: Path) -> None:
    """A host by name and by address, a serial port and a link to it."""
    port, link = tmp_path / "ttyUSB0", tmp_path / "by-id"
    port.touch()
    link.symlink_to(port)
    pairs = [
        ("TCPIP0::localhost::5025::SOCKET", "TCPIP0::127.0.0.1::5025::SOCKET"),
        (f"ASRL{link}::INSTR", f"ASRL{port}::INSTR"),
    ]
    for name, other in pairs:
        assert found_at(name) == found_at(other)
    assert found_at("USB0::1::2::3::INSTR") == "USB0::1::2::3::INSTR"


def test_nothing_is_set_by_a_test_of_a_bench_that_a_run_uses_until_it_is_made_safe(
    served: Served, tmp_path: Path
) -> None:
    bench, file = served
    marker = Marker(read_bench(file, None).view.bench)
    marker.claim()
    marker.begin("20260101T000000000Z-DEAD-000000", tmp_path)
    with pytest.raises(UsageError, match="another run"):
        try_bench(file, nothing_connected=True, connect=False)
    marker.let_go()  # as the system does when a process dies
    leave_on(bench, file)
    with pytest.raises(UsageError, match="DEAD"):
        try_bench(file, nothing_connected=True, connect=False)
    assert max(map(abs, volts(bench))) > 20.0
    assert safe_command(file) == 0
    assert not marker.claim()
    marker.let_go()


def test_a_run_of_this_bench_without_an_end_on_record_is_told(
    served: Served, tmp_path: Path
) -> None:
    files = read_bench(served[1], None)
    store = Store(tmp_path / "r")
    info = RunInfo("T-1", "Demo", "acceptance", "A", files.view.bench.name, "", True, "0")
    record = store.start(info)
    (told,) = left_on_record(store, files)
    assert told.startswith("a run did not end, or is still going: ")
    assert record.run_id in told
    record.finish(Disposition.ABORTED, "ended")
    assert left_on_record(store, files) == []
    elsewhere = store.start(replace(info, bench="another bench"))
    assert left_on_record(store, files) == []
    elsewhere.finish(Disposition.ABORTED, "ended")


@pytest.mark.parametrize("safe", [True, False])
def test_a_bench_stays_marked_until_its_safe_state_is_confirmed(
    served: Served, tmp_path: Path, safe: bool
) -> None:
    bench = read_bench(served[1], None).view.bench
    marker = Marker(bench)
    assert marker.claim() == {}
    marker.begin("20260101T000000000Z-T-1-000000", tmp_path)
    marker.end(safe=safe)
    after = Marker(bench)
    left = after.claim()
    assert bool(left) is not safe
    after.end(safe=True)


def test_what_safe_could_not_confirm_is_its_exit_code(
    served: Served, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("seqrun.runner.safe.is_discharged", lambda *_: False)
    assert safe_command(served[1]) == 4
    assert "NOT CONFIRMED  supply output 1: still above 2 V" in capsys.readouterr().out


def test_safe_says_what_only_hands_can_switch_off(
    served: Served, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    resource = read_bench(served[1], None).view.bench.instrument["generator"].resource
    text = Path(served[1]).read_text(encoding="utf-8").replace(f'"{resource}"', '"by hand"')
    panel = f'[simulator.panel.generator]\nresource = "{resource}"\ndriver = "generic-generator"\n'
    other = tmp_path / "by-hand.toml"
    other.write_text(f"{text}\n{panel}", encoding="utf-8")
    assert safe_command(str(other)) == 4
    said = capsys.readouterr().out
    assert "NOT CONFIRMED  generator: by hand; said, not confirmed: switch its outputs" in said
