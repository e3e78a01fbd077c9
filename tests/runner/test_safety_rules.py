"""One fact for each rule by which the engine keeps a unit, and whoever is at it, safe."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from pytest_mock import MockerFixture
from short_runs import run
from uncertainties import ufloat

from seqrun.errors import InstrumentRefused, Interrupted
from seqrun.instruments.generator import DrivenGenerator
from seqrun.instruments.roles import Protection
from seqrun.instruments.supply import DrivenSupply
from seqrun.plan.needs import Hookup
from seqrun.runner.engine import Engine
from seqrun.runner.events import Watcher
from seqrun.runner.opening import VirtualHands
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Verdict

WAIT = """
[[step]]
id = "relays"
do = "await_output"
[[step]]
id = "wait"
do = "hold_power"
power = "1 W"
for = "60 s"
"""
LOAD = """
[[step]]
id = "load.{channel}"
each = "channel"
do = "load_resistance"
"""
CURRENT = """
[[trip]]
quantity = "supply_current"
above = "2 A"
why = "a shorted output device"
"""


def with_trip(path: str) -> str:
    text = Path(path).read_text(encoding="utf-8")
    Path(path).write_text(text.replace("[[step]]", CURRENT + "[[step]]", 1), encoding="utf-8")
    return path


def messages(folder: Path) -> list[tuple[str, str]]:
    """Instrument and text of everything that was sent, in order."""
    lines = (folder / "messages.log").read_text(encoding="utf-8").splitlines()
    parts = [line.split(maxsplit=3) for line in lines]
    return [(part[1], part[3]) for part in parts if len(part) == 4 and part[2] == ">"]


def test_trips_are_looked_at_all_the_while_that_something_waits(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome = run(tmp_path, with_trip(short_sequence(WAIT)))
    assert outcome.disposition is Disposition.ACCEPT
    looks = [t for k, t in messages(outcome.folder) if k == "supply" and "MEAS:CURR? (@1)" in t]
    assert len(looks) >= 42, "at least every one and a half seconds of the minute's wait"


def test_a_rise_of_current_while_waiting_ends_the_run_at_once(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Rises(Watcher):
        def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
            if step_id == "wait":
                monkeypatch.setattr(DrivenSupply, "current_raw", lambda *_: 2.5)

        def step_ended(self, step_id: str, judged: object, bench_s: float) -> None:
            assert step_id != "wait"

    outcome = run(tmp_path, with_trip(short_sequence(WAIT)), watcher=Rises())
    assert outcome.disposition is Disposition.ABORTED
    assert "2.5 A" in outcome.reason


def test_nothing_is_switched_on_when_the_protection_does_not_read_back(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    wanted = 1.15 * 30.0  # read back 6 % above it, where a supply's own steps are less than 5 %
    monkeypatch.setattr(DrivenSupply, "over_voltage_protection", lambda *_: 1.06 * wanted)
    outcome = run(tmp_path, short_sequence())
    assert outcome.disposition is Disposition.ABORTED
    assert isinstance(outcome.failure, InstrumentRefused)
    assert not any("OUTP ON" in text for _, text in messages(outcome.folder))


def test_protection_is_set_and_read_back_before_the_outputs_go_on(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome = run(tmp_path, short_sequence(""))
    sent = [text for key, text in messages(outcome.folder) if key == "supply"]
    on = next(i for i, text in enumerate(sent) if "OUTP ON" in text)
    for what in ("VOLT:PROT 3", "CURR:PROT ", "VOLT:PROT?", "CURR:PROT?"):
        assert any(what in text for text in sent[:on]), what


def test_every_run_begins_and_ends_with_everything_off(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome = run(tmp_path, short_sequence())
    sent = messages(outcome.folder)
    on = next(i for i, (_, text) in enumerate(sent) if "OUTP ON" in text)
    assert any(key == "supply" and "OUTP OFF" in text for key, text in sent[:on])
    assert any(key == "generator" and "OUTP1 OFF" in text for key, text in sent[:on])
    last = [key for key, text in sent if "OFF" in text and key in ("supply", "generator")][-2:]
    assert last == ["generator", "supply"]


def test_a_meter_on_ohms_is_set_to_volts_before_its_leads_go_onto_a_charged_unit(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    temperature = '[[step]]\nid = "sink"\ndo = "temperature"\nat = "sensor.sink"\n'
    outcome = run(tmp_path, short_sequence(temperature))
    sent = [text for key, text in messages(outcome.folder) if key in ("meter", "control")]
    ohms = max(i for i, text in enumerate(sent) if "RES" in text)
    onto = next(i for i, t in enumerate(sent) if i > ohms and 'HAND:CONN "meter.hi","rail' in t)
    assert any("CONF:VOLT:DC" in text for text in sent[ohms:onto])


def test_a_step_for_a_dead_unit_is_not_done_on_a_charged_one(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    """The plan refuses it too; here its order is changed behind the plan's back."""
    path = Path(short_sequence(""))
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[[step]]", LOAD + "[[step]]", 1), encoding="utf-8")
    plan, files = prepare(str(path), "demo", None)
    first = [a for a in plan.actions if not a.id.startswith("load.")]
    at = 1 + next(i for i, a in enumerate(first) if a.needs.energises)
    loads = [a for a in plan.actions if a.id.startswith("load.")]
    wrong = replace(plan, actions=(*first[:at], *loads, *first[at:]))
    options = Options("T-1", "", tmp_path)
    outcome = execute(wrong, files, None, Watcher(), options, Interrupts())
    (judged,) = [j for j in outcome.judged if j.step == "load.left"]
    assert judged.verdict is Verdict.NOT_MEASURED
    assert "discharged" in judged.reading.note


@pytest.mark.parametrize("charged", [False, True])
def test_a_unit_is_dead_again_only_when_its_rails_were_seen_down(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    monkeypatch: pytest.MonkeyPatch,
    charged: bool,
) -> None:
    class StaysUp(Watcher):
        def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
            if charged and step_id == "discharge":
                monkeypatch.setattr(DrivenSupply, "voltage", lambda *_: ufloat(9.0, 0.1))

    sequence = Path(short_sequence(""))
    sequence.write_text(sequence.read_text(encoding="utf-8") + LOAD, encoding="utf-8")
    outcome = run(tmp_path, str(sequence), watcher=StaysUp())
    (load,) = [j for j in outcome.judged if j.step == "load.left"]
    assert (load.verdict is Verdict.NOT_MEASURED) is charged
    assert outcome.safe.complete is not charged


PROTECT = """
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "1.5 * supply_at_rated_power"
"""


@pytest.mark.parametrize("level", ["over_voltage_protection", "over_current_protection"])
@pytest.mark.parametrize("read", [math.nan, 0.0])
def test_a_protection_that_reads_back_as_no_number_or_none_ends_the_run(
    done: Callable[..., Engine], mocker: MockerFixture, level: str, read: float
) -> None:
    mocker.patch.object(DrivenSupply, level, return_value=read)
    with pytest.raises(InstrumentRefused, match="reads back as"):
        done(PROTECT)


@pytest.mark.parametrize("on", [True, False])
def test_an_over_current_protection_without_a_level_has_to_read_back_as_on(
    done: Callable[..., Engine], mocker: MockerFixture, on: bool
) -> None:
    guard = Protection("level", "at the limit")
    mocker.patch.object(DrivenSupply, "protection", return_value=guard)
    mocker.patch.object(DrivenSupply, "set_over_current_protection")
    mocker.patch.object(DrivenSupply, "over_current_on", return_value=on)
    if on:
        done(PROTECT)
        return
    with pytest.raises(InstrumentRefused, match="of output 1 reads back as off"):
        done(PROTECT)


def test_the_way_down_switches_the_generator_off_before_the_supply(
    done: Callable[..., Engine], mocker: MockerFixture
) -> None:
    """A power stage is not driven while its rails fall."""
    engine = done('[[step]]\nid = "discharge"\ndo = "power_down"\n')
    for output in range(1, engine.generator.outputs + 1):
        engine.generator.sine(output, 1000.0, 0.01)
        engine.generator.enable(output, True)
    order: list[str] = []
    for kind, words in ((DrivenGenerator, "generator"), (DrivenSupply, "supply")):
        for call in ("make_safe", "enable"):
            real = getattr(kind, call)

            def told(*args: object, real: Callable[..., object] = real, words: str = words) -> None:
                order.append(words)
                real(*args)

            mocker.patch.object(kind, call, told)
    list(engine.plan.actions[0].step.perform(engine))
    assert order[0] == "generator"
    assert "supply" in order
    assert not any(engine.generator.enabled(n) for n in range(1, engine.generator.outputs + 1))


def test_the_way_down_reads_every_rail_and_the_supply_says_that_it_is_off(
    done: Callable[..., Engine], mocker: MockerFixture
) -> None:
    engine = done('[[step]]\nid = "discharge"\ndo = "power_down"\n')
    assert [j.channel for j in engine.judged] == ["rail.pos", "rail.neg"]
    mocker.patch.object(DrivenSupply, "enabled", return_value=True)
    with pytest.raises(InstrumentRefused, match="still reports its outputs as on"):
        list(engine.plan.actions[0].step.perform(engine))


def test_trips_are_looked_at_while_a_lead_is_asked_for(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture
) -> None:
    """The current is beyond its trip only while somebody is at the lead."""
    path = Path(short_sequence())
    trip = '[[trip]]\nquantity = "supply_current"\nabove = "2 A"\nwhy = "a short"\n[[step]]'
    path.write_text(path.read_text("utf-8").replace("[[step]]", trip, 1), "utf-8")
    interrupts, current = Interrupts(), DrivenSupply.current_raw
    draws = mocker.patch.object(DrivenSupply, "current_raw", autospec=True, side_effect=current)
    connect = VirtualHands.connect

    def slowly(hands: VirtualHands, hookup: Hookup, live: bool) -> None:
        if live:
            draws.side_effect = lambda supply, output: 3.0
            try:
                interrupts.watch()  # as whoever waits for a key does
            finally:
                draws.side_effect = current
        connect(hands, hookup, live)

    mocker.patch.object(VirtualHands, "connect", slowly)
    outcome = run(tmp_path / "r", str(path), interrupts=interrupts)
    assert outcome.disposition is Disposition.ABORTED
    assert "supply_current is 3 A" in outcome.reason
    assert outcome.safe.complete


def test_rails_are_raised_from_nothing_and_no_further_than_a_healthy_unit_draws(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    path = Path(short_sequence())
    less = 'healthy_current = "0.3 * supply_idle"\ncurrent_limit = "1 A"\n'
    text = path.read_text("utf-8").replace('healthy_current = "3 * supply_idle"\n', less)
    path.write_text(text, "utf-8")
    outcome = run(tmp_path / "r", str(path))
    assert outcome.disposition is Disposition.ABORTED
    assert re.search(r"rail\.(pos|neg) draws", outcome.reason), outcome.reason
    sent = [text for key, text in messages(outcome.folder) if key == "supply"]
    on = next(i for i, text in enumerate(sent) if "OUTP ON" in text)
    volts = [float(v) for text in sent[:on] for v in re.findall(r":VOLT ([\d.e+-]+)", text)]
    assert volts[-2:] == [0.0, 0.0]


def test_a_run_that_the_operator_ends_at_a_lead_is_aborted_whatever_was_read(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture
) -> None:
    connect = VirtualHands.connect

    def ends(hands: VirtualHands, hookup: Hookup, live: bool) -> None:
        if any("rail" in node for _, node in hookup.leads):  # of the way down, the last step
            raise Interrupted("the operator ended the run at a hookup")
        connect(hands, hookup, live)

    mocker.patch.object(VirtualHands, "connect", ends)
    outcome = run(tmp_path / "r", short_sequence())
    assert outcome.disposition is Disposition.ABORTED
    assert "the operator ended the run at a hookup" in outcome.reason
    assert outcome.safe.complete
