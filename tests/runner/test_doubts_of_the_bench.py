"""What the bench itself makes doubtful is no pass and no accept: a supply that limits, papers that
are not in order, nobody there to watch, a capture that cannot be made."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from short_runs import releasing, run
from uncertainties import UFloat, ufloat

import demo_sim
from seqrun.errors import InstrumentError, InstrumentRefused, InstrumentSilent, NotMeasured
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import load_unit
from seqrun.instruments.meter import DrivenMeter
from seqrun.instruments.scope import DrivenScope
from seqrun.instruments.supply import DrivenSupply
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.runner import pulse
from seqrun.runner import run as runner
from seqrun.runner.events import Watcher
from seqrun.runner.limiting import Limiting
from seqrun.runner.opening import BenchClock
from seqrun.runner.preparation import prepare
from seqrun.runner.pulse import Pulse
from seqrun.steps.powering import PowerDown
from seqrun.values import Disposition, Judged, Verdict

NOISE = """
[[step]]
id = "relays"
do = "await_output"
[[step]]
id = "noise.left"
do = "output_noise"
at = "out.left"
limit = { at_most = "2 mV" }
[[step]]
id = "offset.left"
do = "dc_voltage"
at = "out.left"
limit = { between = ["-50 mV", "50 mV"] }
"""
POWER = """
[[step]]
id = "relays"
do = "await_output"
[[step]]
id = "power"
do = "output_power"
at_distortion = "1 %"
frequency = "1 kHz"
limit = { at_least = "rated_power" }
"""


def test_power_read_while_the_supply_limits_is_not_measured_and_says_what_to_raise(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    path = Path(short_sequence(POWER))
    low = 'healthy_current = "3 * supply_idle"\nrunning_limit = "0.4 A"\n'
    text = path.read_text(encoding="utf-8").replace('healthy_current = "3 * supply_idle"\n', low)
    path.write_text(text, encoding="utf-8")
    outcome = run(tmp_path / "r", str(path))
    powers = [j for j in outcome.judged if j.step == "power" and j.verdict is not Verdict.NONE]
    assert powers
    assert {j.verdict for j in powers} == {Verdict.NOT_MEASURED}
    told = [j.reading.note for j in powers]
    assert any('to 2.74 A ("1.35 * supply_at_rated_power")' in note for note in told), told
    assert outcome.disposition is Disposition.HOLD


def test_a_supply_that_does_not_tell_is_known_by_its_rail() -> None:
    class Sagging:
        volts = 30.0

        def constant_current(self, output: int) -> bool:
            raise NotMeasured("it does not tell")

        def current_raw(self, output: int) -> float:
            return 0.2

        def voltage(self, output: int) -> UFloat:
            return ufloat(self.volts, 0.01)

    supply, limiting = Sagging(), Limiting({"rail.pos": 1}, 30.0)
    limiting.look(supply)  # type: ignore[arg-type]
    assert not limiting.told
    supply.volts = 12.0
    limiting.look(supply)  # type: ignore[arg-type]
    assert "12 V of 30 V" in limiting.told


@pytest.mark.parametrize(
    ("draws", "most", "said"),
    [
        (0.2, 5.0, 'to 2.7 A ("1.35 * supply_at_rated_power")'),
        (3.1, 5.0, "raise nothing"),
        (0.2, 1.5, "a larger supply"),
    ],
)
def test_what_to_do_about_a_supply_that_limits_goes_by_the_unit_and_the_supply(
    draws: float, most: float, said: str
) -> None:
    class Limits:
        def constant_current(self, output: int) -> bool:
            return True

        def current_raw(self, output: int) -> float:
            return draws

        def voltage(self, output: int) -> UFloat:
            return ufloat(12.0, 0.01)

    limiting = Limiting({"rail.pos": 1}, 30.0, 2.0, most)
    limiting.look(Limits())  # type: ignore[arg-type]
    assert said in limiting.told


@pytest.fixture
def held_up(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Stops the whole program for half a minute, without half a minute."""
    slept = 0.0

    def stopped() -> None:
        nonlocal slept
        slept += 30.0

    monkeypatch.setattr(pulse, "BEAT_S", 1000.0)  # the thread does not beat: as when stopped
    monkeypatch.setattr(pulse, "_clock", lambda: slept)
    return stopped


@pytest.fixture
def stop(held_up: Callable[[], None], monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """The same where what passes for the program passes for the unit, as on a real bench."""
    monkeypatch.setattr(BenchClock, "virtual", False)
    return held_up


class At(Watcher):
    """Does something when a step begins or has ended."""

    def __init__(self, event: str, do: Callable[[], None]) -> None:
        self._event, self._do = event, do
        self.said: list[str] = []

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        if self._event == step_id:
            self._do()

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        if self._event == f"end of {step_id}":
            self._do()

    def note(self, text: str) -> None:
        self.said.append(text)


@pytest.mark.parametrize("event", ["offset.right", "end of bring_up", "discharge"])
def test_a_pause_of_the_whole_program_is_told_and_holds(
    tmp_path: Path, short_sequence: Callable[..., str], stop: Callable[[], None], event: str
) -> None:
    watcher = At(event, stop)
    outcome = run(tmp_path, short_sequence(), watcher=watcher)
    assert outcome.disposition is Disposition.HOLD
    assert "nobody watched the powered unit for 30 s" in outcome.reason
    assert any("nobody watched" in text for text in watcher.said)


def test_a_pause_at_the_end_of_the_power_down_is_told_and_holds(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    stop: Callable[[], None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    done = PowerDown.perform

    def slow(self: PowerDown, ctx: Context) -> Iterator[Yielded]:
        yield from done(self, ctx)
        stop()  # nothing waits any more: nobody looks at the trips

    monkeypatch.setattr(PowerDown, "perform", slow)
    outcome = run(tmp_path, short_sequence())
    assert outcome.disposition is Disposition.HOLD
    assert "nobody watched" in outcome.reason


def test_a_pause_after_the_last_reading_of_a_unit_that_is_left_charged_is_told_and_holds(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    stop: Callable[[], None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = Path(short_sequence())
    begin, _, _ = path.read_text(encoding="utf-8").partition('[[step]]\nid = "discharge"')
    whole = begin.replace("[[step]]", 'no_discharge = "it goes on by hand"\n[[step]]', 1)
    path.write_text(whole, encoding="utf-8")
    made_safe = runner.make_safe

    def slow(*given: Any) -> Any:
        done = made_safe(*given)
        stop()
        return done

    monkeypatch.setattr(runner, "make_safe", slow)
    outcome = run(tmp_path, str(path))
    assert outcome.disposition is Disposition.HOLD, outcome.reason
    assert "nobody watched" in outcome.reason


def test_a_pause_of_the_program_is_none_on_a_bench_whose_time_is_virtual(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    held_up: Callable[[], None],
) -> None:
    """A busy machine holds up the program, and with it the simulated bench."""
    watcher = At("offset.right", held_up)
    outcome = run(tmp_path, short_sequence(), watcher=watcher)
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    assert not any("nobody watched" in text for text in watcher.said)


@pytest.mark.parametrize("event", ["end of loads", "end of discharge"])
def test_a_pause_while_there_was_no_power_counts_against_nothing(
    tmp_path: Path, short_sequence: Callable[..., str], stop: Callable[[], None], event: str
) -> None:
    outcome = run(tmp_path, short_sequence(), watcher=At(event, stop))
    assert outcome.disposition is Disposition.ACCEPT


def test_a_long_exchange_is_no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    beats = itertools.count()
    enough = threading.Event()

    def clock() -> float:
        """A second for each beat."""
        now = next(beats)
        if now > 2 * pulse.GAP_S:
            enough.set()
        return float(now)

    monkeypatch.setattr(pulse, "BEAT_S", 0.001)
    monkeypatch.setattr(pulse, "_clock", clock)
    beating = Pulse()
    beating.start()
    try:
        assert enough.wait(60.0)  # the main thread waits for an instrument
        assert beating.gap() == 0.0
    finally:
        beating.stop()


TODAY = datetime.now(UTC).date()
BAD_PAPERS = {
    "no calibration date": "",
    "in the future": f"calibrated = {TODAY + timedelta(days=2)}",
    "was due": f"calibrated = 2020-01-01\ncalibration_due = {TODAY - timedelta(days=1)}",
}


@pytest.mark.parametrize("told", [*BAD_PAPERS, ""])
def test_papers_that_are_not_in_order_keep_a_releasing_accept_back(
    tmp_path: Path, short_sequence: Callable[..., str], told: str
) -> None:
    bench = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40")
    with bench.serve() as server:
        text = server.bench_toml()
        assert "calibrated = 2026-03-04" in text
        if told:
            text = text.replace("calibrated = 2026-03-04", BAD_PAPERS[told])
        file = tmp_path / "bench.toml"
        file.write_text(text, encoding="utf-8")
        outcome = run(tmp_path / "r", releasing(short_sequence()), bench=str(file))
    assert outcome.disposition is (Disposition.HOLD if told else Disposition.ACCEPT)
    assert told in outcome.reason


CHECKED = 'accuracy_checked_by = "A. Fitter"\naccuracy_checked_on = '


@pytest.mark.parametrize(
    ("checked", "told"),
    [
        ("", "meter: the accuracy figures of its driver were not read in a data sheet"),
        (f"{CHECKED}{TODAY + timedelta(days=2)}\n", "is in the future"),
        (f"{CHECKED}{TODAY}\n", ""),
    ],
)
def test_figures_that_nobody_compared_with_a_data_sheet_keep_a_releasing_accept_back(
    tmp_path: Path, short_sequence: Callable[..., str], checked: str, told: str
) -> None:
    driver = find("driver", "generic-meter").read_text(encoding="utf-8")
    unread = 'data_sheet = { title = "Its manual", revision = "1", status = "from memory" }\n'
    driver = driver.replace('accuracy_of = "simulated bench"\n', unread)
    (tmp_path / "meter.toml").write_text(driver, encoding="utf-8")
    bench = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40")
    with bench.serve() as server:
        text = server.bench_toml().replace('"generic-meter"\n', f'"meter.toml"\n{checked}')
        file = tmp_path / "bench.toml"
        file.write_text(text, encoding="utf-8")
        sequence = releasing(short_sequence())
        plan, _ = prepare(sequence, str(file), None)
        outcome = run(tmp_path / "r", sequence, bench=str(file))
    assert outcome.disposition is (Disposition.HOLD if told else Disposition.ACCEPT)
    assert told in outcome.reason
    assert bool(told) is any(
        told in line and "no accept from this bench releases a unit" in line
        for line in plan.warnings
    )
    facts = (tmp_path / "r" / outcome.run_id / "run.json").read_text(encoding="utf-8")
    assert ("compared with the data sheet by A. Fitter" in facts) is bool(checked)


@pytest.mark.parametrize("kind", [InstrumentRefused, InstrumentError])
def test_an_impossible_capture_is_not_measured_and_the_powered_run_goes_on(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    monkeypatch: pytest.MonkeyPatch,
    kind: type[InstrumentError],
) -> None:
    sequence = short_sequence(NOISE.replace('id = "relays"\ndo = "await_output"\n[[step]]\n', ""))

    def impossible(self: DrivenScope, *_: object, **__: object) -> object:
        raise kind("has no memory for 500000 points", where="scope (TCPIP0::scope.demo::INSTR)")

    monkeypatch.setattr(DrivenScope, "acquire", impossible)
    outcome = run(tmp_path, sequence)
    verdicts = {j.step: j.verdict for j in outcome.judged if j.verdict is not Verdict.NONE}
    assert verdicts["noise.left"] is Verdict.NOT_MEASURED
    assert verdicts["discharge"] is Verdict.PASS
    assert outcome.disposition is Disposition.HOLD


def test_what_goes_wrong_with_the_supply_still_ends_the_run(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(self: DrivenSupply, output: int) -> float:
        raise InstrumentRefused("no such header", where="supply (TCPIP0::supply.demo::INSTR)")

    monkeypatch.setattr(DrivenSupply, "over_voltage_protection", refused)
    assert run(tmp_path, short_sequence()).disposition is Disposition.ABORTED


def test_a_lost_meter_still_ends_the_run(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def silent(self: DrivenMeter, repeats: int = 1) -> object:
        raise InstrumentSilent("no answer", where="meter (TCPIP0::meter.demo::INSTR)")

    monkeypatch.setattr(DrivenMeter, "read", silent)
    assert run(tmp_path, short_sequence()).disposition is Disposition.ABORTED


def test_a_supply_that_limits_is_told_before_what_it_kept_from_being_read(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    """The ramp leaves its small limit: the rails give way as soon as power is asked for."""
    steps = '[[step]]\nid = "relays"\ndo = "await_output"\n'
    steps += '[[step]]\nid = "thd"\ndo = "thd"\npower = "5 W"\n'
    outcome = run(tmp_path, short_sequence(steps))
    (note,) = (j.reading.note for j in outcome.judged if j.step == "thd")
    assert note.startswith("the bench supply limits at")
    assert "raise running_limit" in note


@pytest.mark.parametrize(
    ("lie", "told"),
    [
        ("off", "the bench supply is off, and nobody here switched it off"),
        ("low", "rail.pos is at 12 V, and was at 30 V when the unit was powered"),
    ],
)
def test_what_is_read_of_a_unit_whose_rails_have_gone_is_not_measured(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    monkeypatch: pytest.MonkeyPatch,
    lie: str,
    told: str,
) -> None:
    """It is quiet, and has no offset. A supply that is off says so while its rails are still up."""

    def goes() -> None:
        if lie == "off":
            monkeypatch.setattr(DrivenSupply, "enabled", lambda *_: False)
        else:
            monkeypatch.setattr(DrivenSupply, "voltage", lambda *_: ufloat(12.0, 0.01))

    outcome = run(tmp_path, short_sequence(), watcher=At("offset.right", goes))
    found = {j.step: j for j in outcome.judged if j.step.startswith("offset")}
    assert found["offset.left"].verdict is Verdict.PASS
    assert found["offset.right"].verdict is Verdict.NOT_MEASURED
    assert told in found["offset.right"].note
    assert outcome.disposition is not Disposition.ACCEPT
