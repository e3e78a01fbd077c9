"""Instruments that no driver here was made for: their manuals' manners can be written down, and
what is written is proved, or found wrong and told."""

from __future__ import annotations

import os
import re
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dialect_bench import eventually
from dialects.base import Dialect, served
from unseen import servers

from seqrun.cli import benches
from seqrun.errors import InstrumentError, InstrumentRefused, NotMeasured, WrongInstrument
from seqrun.files.bench.parts import InstrumentEntry
from seqrun.files.driver.load import driver_from_text
from seqrun.instruments.opening import open_instrument

FOLDER = Path(__file__).parent / "unseen"
SERVERS: dict[str, tuple[Callable[[], Dialect], str]] = {
    "inverted-supply": (servers.InvertedSupply, "pty"),
    "prompt-supply": (servers.PromptSupply, "pty"),
    "burst-meter": (servers.BurstMeter, "pty"),
    "code-meter": (servers.CodeMeter, "tcp"),
    "timed-meter": (servers.TimedMeter, "tcp"),
    "header-scope": (servers.HeaderScope, "tcp"),
    "float-scope": (servers.FloatScope, "tcp"),
    "dbm-generator": (servers.DbmGenerator, "tcp"),
    "letter-generator": (servers.LetterGenerator, "tcp"),
    "mute-relays": (servers.MuteRelays, "pty"),
}


def text_of(name: str) -> str:
    return (FOLDER / f"{name}.toml").read_text(encoding="utf-8")


@pytest.fixture
def opened(opener: Any) -> Callable[..., tuple[Any, Any]]:
    """Opens a made-up instrument with its driver file, changed or not."""

    def open_it(name: str, old: str = "", new: str = "", label: str = "7") -> tuple[Any, Any]:
        make, link = SERVERS[name]
        dialect = make()
        text = text_of(name)
        assert old in text
        resource = opener.stack.enter_context(served(dialect, link))
        entry = InstrumentEntry(resource=resource, driver=name, label=label)
        driver = driver_from_text(text.replace(old, new) if old else text)
        log = lambda *message: opener.log.append(message)  # noqa: E731
        return open_instrument("it", entry, driver, opener.manager, log), dialect

    return open_it


def proof_of(name: str, folder: Path, text: str = "") -> tuple[int, Dialect]:
    """``bench test`` of a made-up instrument with its driver file, or another."""
    make, link = SERVERS[name]
    dialect = make()
    driver = folder / f"{name}.toml"
    driver.write_text(text or text_of(name), encoding="utf-8")
    role = name.rpartition("-")[2].replace("relays", "switch")
    with served(dialect, link) as resource:
        bench = folder / "bench.toml"
        bench.write_text(
            f'name = "X"\n[instrument.{role}]\nresource = "{resource}"\n'
            f'driver = "{driver.name}"\nlabel = "by its label"\n',
            encoding="utf-8",
        )
        code = benches.test_command(str(bench), True, False)
        # What it does not acknowledge has to reach it before its end of the line is closed.
        eventually(lambda: not np.any(getattr(dialect, "on", False)), within_s=5.0)
        return code, dialect


@pytest.mark.parametrize("name", SERVERS)
def test_what_its_manual_says_can_be_written_and_proved(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, dialect = proof_of(name, tmp_path)
    said = capsys.readouterr().out
    assert code == 0, said
    assert not getattr(dialect, "errors", ())
    assert eventually(lambda: not np.any(getattr(dialect, "on", False)))


def test_bits_that_are_low_active_and_a_refusal_by_acknowledgement(opened: Any) -> None:
    supply, dialect = opened("inverted-supply")
    supply.set_voltage(1, 12.0)
    supply.enable(True)
    assert dialect.on == [True, False] and supply.enabled(1) and not supply.enabled(2)
    dialect.on[:] = [False, True]  # one question tells of both, and the second counts too
    assert supply.enabled() and not supply.enabled(1)
    dialect.tripped[1] = True
    assert [supply.protection_tripped(n) for n in (1, 2)] == [False, True]
    with pytest.raises(InstrumentRefused, match="E03"):
        supply.set_voltage(1, 33.0)


def test_a_prompt_ends_every_answer(opened: Any) -> None:
    supply, dialect = opened("prompt-supply")
    supply.set_voltage(1, 12.345)
    supply.enable(True)
    assert dialect.volts == 12.345
    assert supply.voltage(1).nominal_value == 12.345
    with pytest.raises(InstrumentRefused, match=r"\?RANGE"):
        supply.set_current_limit(1, 6.0)
    assert supply.enabled()


def test_readings_come_in_their_units_and_ol_is_no_reading(opened: Any) -> None:
    meter, dialect = opened("burst-meter")
    meter.configure("ac_voltage", 1.0)
    assert meter.read(3).nominal_value == pytest.approx(0.01234)
    meter.configure("resistance_2w", 1500.0)
    assert meter.read_raw() == pytest.approx(1234.5)
    dialect.overload = True
    for repeats in (1, 3):
        with pytest.raises(NotMeasured, match="overload"):
            meter.read(repeats)


def test_a_count_is_put_back_when_its_readings_have_come(opened: Any) -> None:
    meter, dialect = opened("timed-meter")
    meter.configure("dc_voltage", 1.0)
    assert meter.read(5).nominal_value == pytest.approx(1.2345)
    assert dialect.count == 1


@pytest.mark.parametrize("name", ["header-scope", "float-scope"])
def test_a_waveform_is_exact_to_the_code(opened: Any, name: str) -> None:
    scope, dialect = opened(name)
    got = scope.acquire({2: 0.3}, sample_rate_hz=1e6, points=1000)
    if name == "header-scope":
        expected = (dialect.codes(2) - 100) * (dialect.scale[1] / 3200)
        assert got.t0_s == pytest.approx(-dialect.points / 2 * dialect.interval)
    else:
        expected = dialect.volts()[:1000]
    assert got.dt_s == pytest.approx(dialect.interval)
    assert got.volts[2] == pytest.approx(expected, rel=1e-9, abs=1e-12)
    assert not got.clipped[2]


def test_a_level_in_dbm_into_50_ohm_is_half_of_what_an_input_gets(opened: Any) -> None:
    generator, dialect = opened("dbm-generator")
    generator.sine(1, 997.0, 0.4472136)  # 0.2236 V into 50 Ω is 1 mW
    generator.enable(1, True)
    assert dialect.dbm == pytest.approx(0.0, abs=0.005)
    assert dialect.hertz == pytest.approx(997.0) and dialect.on
    with pytest.raises(InstrumentRefused, match=r"12 .*RANGE"):
        generator.sine(1, 997.0, 4.9)  # 21 dBm


def test_one_that_answers_nothing_is_taken_at_the_operators_word(opened: Any) -> None:
    switch, dialect = opened("mute-relays", label="RB-8, serial 3")
    assert switch.identity == "RB-8, serial 3 (by its label; it answers nothing)"
    switch.connect("meter.hi", "out.right")
    assert eventually(lambda: dialect.closed == {2})
    switch.make_safe()
    assert eventually(lambda: dialect.closed == set())
    generator, dialect = opened("letter-generator")
    generator.sine(1, 1000.0, 0.2)
    assert eventually(lambda: dialect.volts == 0.1)
    with pytest.raises(WrongInstrument, match="cannot tell which instrument"):
        opened("letter-generator", label="")


def test_what_was_only_sent_is_not_called_confirmed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert proof_of("mute-relays", tmp_path)[0] == 0
    said = capsys.readouterr().out
    assert "connect meter.hi to out.left = sent; nothing comes back" in said
    assert " = done" not in said
    assert "were only sent" in said


@pytest.mark.parametrize(
    ("name", "old", "new", "operation", "told"),
    [
        ("header-scope", 'no_error = "NONE"', 'no_error = "^0"', "error queue", "no_error under"),
        ("header-scope", '"XI"', '"XIN"', "trigger", "no XIN"),
        ("timed-meter", 'separator = ";", ', "", "read_many, dc_voltage", "where the number"),
        ("timed-meter", ', after = "N 1"', "", "read after read_many, dc_voltage", "number"),
        ("inverted-supply", "[0, 1], invert = true", "[0, 1]", "enabled", ""),
        ("dbm-generator", "FREQ {", "FRQ {", "sine 1", "1: WHAT"),
    ],
)
def test_what_is_wrong_in_a_driver_is_found_at_its_operation(
    name: str, old: str, new: str, operation: str, told: str, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    text = text_of(name)
    assert old in text
    code, _ = proof_of(name, tmp_path, text.replace(old, new))
    said = capsys.readouterr().out
    assert code == 3, said
    wrong = re.search(rf"^WRONG +\w+: {operation}.*(?:\n .*)*", said, re.MULTILINE)
    assert wrong, said
    assert told in wrong[0]


@pytest.fixture
def speaking() -> Iterator[tuple[str, servers.DialMeter, threading.Event]]:
    """A port at which a meter speaks by itself until it is told to stop."""
    meter, quiet = servers.DialMeter(), threading.Event()
    ours, theirs = os.openpty()
    tty.setraw(theirs)

    def speak() -> None:
        while not quiet.wait(0.005):
            os.write(ours, meter.speaks())

    thread = threading.Thread(target=speak, daemon=True)
    thread.start()
    yield f"ASRL{os.ttyname(theirs)}::INSTR", meter, quiet
    quiet.set()
    thread.join(10.0)
    os.close(ours)
    os.close(theirs)


def test_a_meter_that_speaks_by_itself_is_overheard_and_its_dial_is_seen(
    opener: Any, speaking: tuple[str, servers.DialMeter, threading.Event]
) -> None:
    resource, meter, quiet = speaking
    text = text_of("dial-meter").replace('time_out = "2 s"', 'time_out = "0.3 s"')
    entry = InstrumentEntry(resource=resource, driver="x", label="AB-5, serial 9")
    it: Any = open_instrument(
        "meter", entry, driver_from_text(text), opener.manager, lambda *_: None
    )
    opener.stack.callback(it.close)
    it.configure("dc_voltage", 10.0)
    assert it.read_raw() == pytest.approx(12.34)
    meter.shown = "-0.56 mVDC"
    assert eventually(lambda: it.read_raw() == pytest.approx(-0.00056))
    meter.shown = "OL"
    with pytest.raises(NotMeasured, match="overload"):
        for _ in range(100):  # what was on its way when the display changed
            it.read_raw()
    meter.shown = "1.23 kOHM"
    with pytest.raises(InstrumentError, match="kOHM"):  # the dial is not on volts
        for _ in range(100):
            it.read_raw()
    it.configure("resistance_2w", 1000.0)
    assert it.read_raw() == pytest.approx(1230.0)
    quiet.set()
    with pytest.raises(InstrumentError, match="should speak by itself"):
        for _ in range(100):
            it.read_raw()


class NoQueue(servers.TimedMeter):
    def line(self, text: str) -> Any:
        return None if text == "E?" else super().line(text)


class Echoes(servers.PromptSupply):
    def line(self, text: str) -> Any:
        return f"{text}\r\n{super().line(text)}"


class NoAcknowledgement(servers.InvertedSupply):
    def line(self, text: str) -> Any:
        said = super().line(text)
        return None if said == "OK" else said


@pytest.mark.parametrize(
    ("name", "make", "old", "new", "told"),
    [
        ("timed-meter", NoQueue, "", "", ['"none" under [link]', "no answer within"]),
        ("prompt-supply", Echoes, "", "", ["answered", "switch the echo off"]),
        (
            "inverted-supply", NoAcknowledgement, "", "",
            ["no acknowledgement", "matches ^OK$", "take acknowledge out"],
        ),
        (
            "inverted-supply", servers.InvertedSupply,
            'write_termination = "\\r"', 'write_termination = "\\n"', ["'WHO'", "line ends"],
        ),
        (
            "prompt-supply", servers.PromptSupply,
            'send = "OUT", asks = true, match = "([0-9.]+) V"',
            'send = "OUT", asks = true, length = 90', [": 3", "90 bytes", "length of that"],
        ),
    ],
)  # fmt: skip
def test_manners_that_are_not_its_own_are_told_with_the_key_that_says_them(
    opener: Any, name: str, make: Callable[[], Dialect], old: str, new: str, told: list[str]
) -> None:
    text = text_of(name).replace('time_out = "1 s"', 'time_out = "0.15 s"')
    assert old in text
    dialect = make()
    resource = opener.stack.enter_context(served(dialect, SERVERS[name][1]))
    entry = InstrumentEntry(resource=resource, driver=name)
    driver = driver_from_text(text.replace(old, new))
    with pytest.raises(InstrumentError) as caught:
        it: Any = open_instrument("it", entry, driver, opener.manager, lambda *_: None)
        if driver.role == "meter":
            it.configure("dc_voltage", 1.0)
        elif new.endswith("length = 90"):
            it.voltage(1)
        else:
            it.set_voltage(1, 2.0)
    for words in told:
        assert words in str(caught.value), str(caught.value)


def test_headers_stand_before_the_entries_of_an_appended_error_query() -> None:
    from seqrun.instruments import error_queue

    assert error_queue.split('1.5;:SYST:ERR 0,"No error"') == ("1.5", '0,"No error"')
    assert error_queue.split('0, 1; -222, "Out of range"') == ("0, 1", '-222, "Out of range"')
    assert error_queue.split(':SYSTEM:ERROR -113,"Undefined header"') == (
        "",
        '-113,"Undefined header"',
    )
