"""The VISA link: errors, silence, being interrupted, blocks, the log."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
import pyvisa

from seqrun.errors import InstrumentError, InstrumentRefused, InstrumentSilent, WrongInstrument
from seqrun.files.bench.parts import InstrumentEntry as BenchInstrument
from seqrun.files.driver.file import Manners
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.instruments.error_queue import QueueError, split
from seqrun.instruments.link import Link
from seqrun.instruments.opening import open_instrument

QUICK = Manners.model_validate({"time_out": "0.1 s"})
IDENTITY = b"ACME,METER,1,1.0\n"
Serve = Callable[[Callable[[bytes], bytes | None]], Any]


@pytest.fixture
def connect(sockets: pyvisa.ResourceManager) -> Iterator[Callable[..., Link]]:
    links = []

    def open_link(server: Any, manners: Manners = QUICK, log: Any = None) -> Link:
        link = Link.open("meter", server.resource, sockets, log or (lambda *_: None), manners)
        links.append(link)
        return link

    yield open_link
    for link in links:
        link.close()


# --- the error queue -------------------------------------------------------------------------


def test_a_refused_setting_tells_the_instruments_own_number_and_text(bench: Any) -> None:
    with pytest.raises(QueueError) as caught:
        bench.supply.set_voltage(1, 99.0)
    assert caught.value.number == -222
    assert "Data out of range" in caught.value.text
    assert "VOLT 99" in caught.value.found
    assert "supply" in str(caught.value.where)


def test_after_a_refusal_the_next_command_is_not_blamed(bench: Any) -> None:
    with pytest.raises(InstrumentRefused):
        bench.supply.set_voltage(1, 99.0)
    bench.supply.set_voltage(1, 1.0)


def test_a_command_group_and_its_error_query_are_one_message(bench: Any) -> None:
    bench.supply.set_voltage(2, 3.0)
    assert bench.sent("supply")[-1] == "INST:NSEL 2;:VOLT 3;:SYST:ERR?"


def test_a_query_that_is_not_understood_is_refused_and_not_silent(bench: Any) -> None:
    with pytest.raises(InstrumentRefused, match="-113"):
        bench.supply._link.query("NO:SUCH:THING?")


def test_the_text_of_an_error_may_hold_a_semicolon() -> None:
    answer = '1.5;-113,"Undefined header;VOLTT"'
    assert split(answer) == ("1.5", '-113,"Undefined header;VOLTT"')


def test_an_instrument_without_compound_messages_is_asked_separately(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    server = serve(lambda line: b'0,"No error"\n' if line == b"SYST:ERR?" else b"")
    manners = Manners.model_validate({"error_check": "separate", "time_out": "0.5 s"})
    connect(server, manners).write("VOLT 1", "OUTP ON")
    assert server.received == [b"VOLT 1", b"OUTP ON", b"SYST:ERR?"]


def test_without_an_error_queue_nothing_is_asked(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    server = serve(lambda line: b"5.0\n" if line.endswith(b"?") else b"")
    link = connect(server, Manners.model_validate({"error_check": "none", "time_out": "0.5 s"}))
    link.write("VOLT 1")
    assert link.query("VOLT?") == "5.0"
    assert server.received == [b"VOLT 1", b"VOLT?"]


@pytest.mark.usefixtures("nothing_late")
def test_an_answer_without_the_appended_error_is_not_taken_for_a_result(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    link = connect(serve(lambda line: b"5.0\n"))
    with pytest.raises(InstrumentError, match="separate"):
        link.query("VOLT?")


# --- silence -----------------------------------------------------------------------------------


@pytest.mark.usefixtures("nothing_late")
def test_no_answer_is_silence_and_names_the_instrument_and_the_question(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    link = connect(serve(lambda line: b""))
    with pytest.raises(InstrumentSilent, match=r"no answer within 0\.1 s to 'READ\?'") as caught:
        link.query("READ?")
    assert "127.0.0.1" in str(caught.value.where)


def test_a_connection_that_ends_is_silence(serve: Serve, connect: Callable[..., Link]) -> None:
    link = connect(serve(lambda line: None))
    with pytest.raises(InstrumentSilent):
        link.query("READ?")


def test_a_connection_that_ends_is_told_at_once_and_not_at_the_time_out(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    over = threading.Event()

    def hang_up(line: bytes) -> None:
        over.wait(0.05)  # the question has been sent, and its answer is waited for

    patient = Manners.model_validate({"time_out": "2 min"})
    begin = time.monotonic()
    with pytest.raises(InstrumentSilent, match="closed the link"):
        connect(serve(hang_up), patient).query("READ?")
    assert time.monotonic() - begin < 60.0


def test_a_refused_connection_is_silence(sockets: pyvisa.ResourceManager) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        resource = f"TCPIP0::127.0.0.1::{taken.getsockname()[1]}::SOCKET"
    entry = BenchInstrument(resource=resource, driver="generic-meter")
    driver = load_driver(find("driver", "generic-meter"))
    with pytest.raises(InstrumentSilent, match="meter"):
        open_instrument("meter", entry, driver, sockets, lambda *_: None)


def test_a_resource_that_is_no_resource_is_silence(sockets: pyvisa.ResourceManager) -> None:
    with pytest.raises(InstrumentSilent, match="cannot be opened"):
        Link.open("meter", "no such thing", sockets, lambda *_: None)


def test_a_late_answer_is_never_taken_for_another_question(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    """The first question is answered only when the next one comes."""
    held: list[bytes] = []

    def answers(line: bytes) -> bytes:
        if line.startswith(b"SLOW?"):
            held.append(b'1;0,"No error"\n')
            return b""
        if line == b"*IDN?":
            late = b"".join(held)
            held.clear()
            return late + IDENTITY
        return b'2;0,"No error"\n' if line.startswith(b"QUICK?") else b'0,"No error"\n'

    link = connect(serve(answers))
    link.identify()
    with pytest.raises(InstrumentSilent):
        link.query("SLOW?")
    assert link.query("QUICK?") == "2"


def test_an_interrupted_exchange_is_put_right_by_the_next(bench: Any) -> None:
    """As when Ctrl-C falls between a question and its answer."""
    supply = bench.supply
    supply.set_voltage(1, 7.0)
    supply._link.wire.send("VOLT?")
    supply._link.talk.owed = True
    assert supply.over_voltage_protection(1) == pytest.approx(44.0)


# --- identity ----------------------------------------------------------------------------------


def test_another_instrument_is_named_with_what_was_expected(bench: Any) -> None:
    entry = BenchInstrument(resource=bench.demo.resources["meter"], driver="generic-supply")
    driver = load_driver(find("driver", "generic-supply"))
    with pytest.raises(WrongInstrument) as caught:
        open_instrument("supply", entry, driver, bench.manager, bench.note)
    assert "SIMULATED METER" in caught.value.found
    assert "supply" in str(caught.value.expected)
    assert bench.sent("supply") == ["*IDN?"]  # nothing else may be said to it


def test_another_serial_number_is_another_instrument(bench: Any) -> None:
    entry = BenchInstrument(
        resource=bench.demo.resources["meter"], driver="generic-meter", serial="NOT-THIS"
    )
    driver = load_driver(find("driver", "generic-meter"))
    with pytest.raises(WrongInstrument, match="NOT-THIS"):
        open_instrument("meter", entry, driver, bench.manager, bench.note)


# --- manners and log ---------------------------------------------------------------------------


def test_terminators_are_those_of_the_driver(serve: Serve, connect: Callable[..., Link]) -> None:
    server = serve(lambda line: b'5.0;0,"No error"\r\n')
    manners = Manners.model_validate(
        {"write_termination": "\r\n", "read_termination": "\r\n", "time_out": "0.5 s"}
    )
    assert connect(server, manners).query("VOLT?") == "5.0"
    assert server.received == [b"VOLT?;:SYST:ERR?\r"]


def test_messages_are_no_closer_than_the_pacing(serve: Serve, connect: Callable[..., Link]) -> None:
    server = serve(lambda line: b'0,"No error"\n')
    link = connect(server, Manners.model_validate({"pacing": "30 ms", "time_out": "0.5 s"}))
    begin = time.monotonic()
    for _ in range(3):
        link.write("VOLT 1")
    assert time.monotonic() - begin >= 0.06


def test_every_message_is_logged_and_a_block_by_its_size(bench: Any) -> None:
    bench.scope.acquire({1: 1.0}, sample_rate_hz=100e3, points=1000)
    assert ("scope", "<", "<block 2000 bytes>") in bench.log
    assert ("scope", ">", "*IDN?") in bench.log
    assert all(len(text) < 2000 for _, _, text in bench.log)


# --- blocks ------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["INSTR", "5025::SOCKET"])
def test_a_block_full_of_terminators_comes_whole(bench: Any, host: str) -> None:
    """Code 0x0A0A is the terminator twice."""
    link = Link.open("scope", f"TCPIP0::scope.demo::{host}", bench.manager, bench.note)
    link.write("SWE:POIN 4000", "FORM INT,16", "VOLT1:RANG:PTP 80")
    link.query("INIT;*OPC?")
    data = link.block(("TRAC? CH1",), 8000)
    assert np.frombuffer(data, "<u2").shape == (4000,)
    assert link.query("SWE:POIN?").startswith(("4000", "+4"))
    link.close()


def test_text_instead_of_a_block_is_an_error_and_the_link_stays_in_step(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    def answers(line: bytes) -> bytes:
        if line == b"*IDN?":
            return IDENTITY
        if line == b"WAV:DATA?":
            return b"1.0,2.0,3.0\n"
        return b'0,"No error"\n'

    link = connect(serve(answers))
    link.identify()
    with pytest.raises(InstrumentError, match="definite-length"):
        link.block(("WAV:DATA?",))
    link.write("VOLT 1")


@pytest.mark.usefixtures("nothing_late")
def test_a_block_that_stops_short_is_silence(serve: Serve, connect: Callable[..., Link]) -> None:
    link = connect(serve(lambda line: b"#48000abc"))
    with pytest.raises(InstrumentSilent):
        link.block(("WAV:DATA?",))


# --- safety ------------------------------------------------------------------------------------


def test_outputs_go_off_from_the_middle_of_an_exchange(bench: Any) -> None:
    supply = bench.supply
    supply.enable(True)
    supply._link.wire.send("MEAS:VOLT? (@1)")
    supply._link.talk.owed = True
    supply.make_safe()
    assert not supply.enabled()


def test_outputs_go_off_whatever_was_in_the_error_queue(bench: Any) -> None:
    supply = bench.supply
    supply.enable(True)
    supply._link.wire._write(supply._link.wire._session, b"NO:SUCH:THING 1\n")
    supply.make_safe()
    assert not supply.enabled()


@pytest.mark.usefixtures("nothing_late")
def test_a_supply_that_cannot_be_made_safe_says_so(
    serve: Serve, sockets: pyvisa.ResourceManager
) -> None:
    def answers(line: bytes) -> bytes | None:
        if line == b"*IDN?":
            return b"ACME,SUPPLY,1,1.0\n"
        return b'0,"No error"\n' if line.startswith(b"*CLS") else None

    server = serve(answers)
    entry = BenchInstrument(resource=server.resource, driver="generic-supply")
    driver = load_driver(find("driver", "generic-supply"))
    manners = driver.link.model_copy(update={"time_out": 0.3})
    driver = driver.model_copy(update={"link": manners})
    supply = open_instrument("supply", entry, driver, sockets, lambda *_: None)
    with pytest.raises(InstrumentSilent):
        supply.make_safe()
    supply.close()


def test_a_link_is_named_by_the_bench_and_by_its_resource(bench: Any) -> None:
    link = bench.meter.link
    assert (link.key, link.name) == ("meter", "TCPIP0::meter.demo::inst0::INSTR")
    assert link.where == "meter (TCPIP0::meter.demo::inst0::INSTR)"


def test_of_several_errors_the_first_is_the_cause_and_what_follows_from_it_is_left_out(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    """Query interrupted, unterminated, deadlocked are our own doing; one told twice counts once."""
    queue = [
        b'-222,"Data out of range"', b'-410,"INTERRUPTED"', b'-113,"Undefined header"',
        b'-420,"UNTERMINATED"', b'-113,"Undefined header"', b'-222,"Data out of range"',
        b'-430,"DEADLOCKED"',
    ]  # fmt: skip
    manners = Manners.model_validate({"time_out": "0.5 s", "error_check": "separate"})

    def answers(line: bytes) -> bytes:
        if b"ERR" in line:
            return (queue.pop(0) if queue else b'0,"No error"') + b"\n"
        return IDENTITY if b"IDN" in line else b""

    link = connect(serve(answers), manners)
    with pytest.raises(QueueError) as refused:
        link.write("VOLT 1000")
    assert (refused.value.number, refused.value.text) == (-222, "Data out of range")
    assert refused.value.found == (
        'error -222 "Data out of range" after \'VOLT 1000\' (and 1 more: -113,"Undefined header")'
    )
