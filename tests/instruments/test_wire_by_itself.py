"""The wire against a VISA library that does what it is told: bytes out, pieces in, time-outs, pace,
clearing and closing. What sockets and serial ports really do is in test_link.py."""

from __future__ import annotations

from collections import deque
from contextlib import nullcontext
from types import SimpleNamespace
from typing import Any

import pytest
from pyvisa.constants import ResourceAttribute, SerialTermination, StatusCode
from pyvisa.errors import VisaIOError

from seqrun.errors import InstrumentSilent
from seqrun.files.driver.manners import Manners
from seqrun.instruments import wire as module
from seqrun.instruments.failing import Broken, TimedOut
from seqrun.instruments.wire import Wire

LAN, RAW, PORT = (
    "TCPIP0::192.0.2.1::inst0::INSTR", "TCPIP0::192.0.2.1::5025::SOCKET", "ASRL3::INSTR",
)  # fmt: skip
MORE, DONE = StatusCode.success_max_count_read, StatusCode.success
NOTHING = VisaIOError(StatusCode.error_timeout)


class Resource:
    """What a library gives for a resource: it reads out what it was given."""

    session = 7

    def __init__(self, name: str, *pieces: Any) -> None:
        self.resource_name = name
        self.pieces = deque(pieces)
        self.written: list[bytes] = []
        self.counts: list[int] = []
        self.timeouts: list[float] = []
        self.attributes: list[tuple[Any, Any]] = []
        self.read_termination: str | None = "?"
        self.cleared = self.closed = 0
        self.refuses: Exception | None = None
        self.visalib = SimpleNamespace(read=self._read, write=self._write)

    def _write(self, session: int, data: bytes) -> None:
        assert session == self.session
        if self.refuses is not None:
            raise self.refuses
        self.written.append(data)

    def _read(self, session: int, count: int) -> tuple[bytes, Any]:
        assert session == self.session
        self.counts.append(count)
        piece = self.pieces.popleft() if self.pieces else NOTHING
        if isinstance(piece, Exception):
            raise piece
        return piece if isinstance(piece, tuple) else (piece, DONE)

    @property
    def timeout(self) -> float:
        return self.timeouts[-1]

    @timeout.setter
    def timeout(self, milliseconds: float) -> None:
        if self.refuses is not None:
            raise self.refuses
        self.timeouts.append(milliseconds)

    def set_visa_attribute(self, name: Any, value: Any) -> None:
        self.attributes.append((name, value))

    def ignore_warning(self, *codes: Any) -> Any:
        return nullcontext()

    def clear(self) -> None:
        self.cleared += 1
        if self.refuses is not None:
            raise self.refuses

    def close(self) -> None:
        self.closed += 1
        if self.refuses is not None:
            raise self.refuses


def on(name: str, *pieces: Any, **how: Any) -> tuple[Wire, Any, list[tuple[str, str, str]]]:
    log: list[tuple[str, str, str]] = []
    resource: Any = Resource(name, *pieces)
    made = Wire("meter", resource, lambda *m: log.append(m), Manners.model_validate(how))
    return made, resource, log


# --- out ------------------------------------------------------------------------------------------


def test_text_gets_its_end_and_bytes_go_out_as_they_are() -> None:
    wire, resource, log = on(LAN, write_termination="\r\n")
    wire.send("VOLT 1")
    wire.send(b"\x01\xff")
    wire.end_message()
    assert resource.written == [b"VOLT 1\r\n", b"\x01\xff", b"\r\n"]
    assert log == [("meter", ">", "VOLT 1"), ("meter", ">", "<01 ff>")]
    wire, resource, _ = on(LAN, write_termination="")
    wire.send("V")
    wire.end_message()
    assert resource.written == [b"V", b"\n"]
    assert (wire.where, wire.key, wire.name) == (f"meter ({LAN})", "meter", LAN)


@pytest.mark.parametrize(
    ("problem", "kind", "words"),
    [
        (OSError("reset by peer"), Broken, "reset by peer"),
        (EOFError(), Broken, "EOFError"),  # it says nothing: its name does
        (VisaIOError(StatusCode.error_connection_lost), Broken, "VI_ERROR_CONN_LOST"),
        (NOTHING, TimedOut, "VI_ERROR_TMO"),
    ],
)
def test_what_a_library_raises_is_a_time_out_or_a_broken_link(
    problem: Exception, kind: type[Exception], words: str
) -> None:
    wire, resource, log = on(LAN, problem)
    with pytest.raises(kind, match=words):
        wire.receive()
    resource.refuses = problem
    for out in (lambda: wire.send("VOLT 1"), wire.end_message):
        with pytest.raises(kind, match=words):
            out()
    assert log == []


def test_messages_are_apart_by_the_pacing_and_by_what_an_operation_asks_for(mocker: Any) -> None:
    now = [100.0]
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(pytest.approx(seconds))
        now[0] += seconds

    mocker.patch.object(module, "time", SimpleNamespace(monotonic=lambda: now[0], sleep=sleep))
    wire, _, _ = on(LAN, pacing="0.5 s")
    wire.send("A")
    now[0] += 0.2
    wire.send("B")
    now[0] += 0.7
    wire.send("C")
    assert slept == [0.3]
    wire.hold(2.0)
    now[0] += 0.5
    wire.send("D")
    wire.send("E")
    assert slept == [0.3, 1.5, 0.5]
    free, _, _ = on(LAN)
    free.hold(1.0)
    free.send("A")
    free.send("B")  # once it was held, and no more
    assert slept == [0.3, 1.5, 0.5, 1.0]


# --- in -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pieces", "terminator", "answer"),
    [
        ((b"1.5\n",), "\n", "1.5"),
        (((b"1.", MORE), (b"25", MORE), b"\n"), "\n", "1.25"),
        ((b"\n1.5\r\n",), "\n", "1.5"),  # a line feed that belongs to the answer before
        ((b"OK>",), ">", "OK"),
        ((b"1.5>>",), ">", "1.5>"),
        ((b"1.5\n",), "", "1.5"),
        ((b"\xb5V\n",), "\n", "µV"),
    ],
)
def test_an_answer_is_what_comes_without_its_end(
    pieces: tuple[Any, ...], terminator: str, answer: str
) -> None:
    wire, resource, log = on(LAN, *pieces, read_termination=terminator)
    assert wire.receive() == answer
    assert log == [("meter", "<", answer)]
    assert set(resource.counts) == {module.CHUNK}


def test_an_answer_of_known_length_may_hold_its_own_terminator() -> None:
    wire, resource, _ = on(PORT, b"1\n", b"2", b"3\n4")
    resource.attributes.clear()
    assert wire.receive(3) == "1\n2"
    assert resource.counts == [3, 1]
    ended = [v for name, v in resource.attributes if name == ResourceAttribute.termchar_enabled]
    how = [v for name, v in resource.attributes if name == ResourceAttribute.asrl_end_in]
    assert ended == [False, True]
    assert how == [SerialTermination.none, SerialTermination.termination_char]
    resource.pieces = deque([b"12"])
    with pytest.raises(TimedOut) as cut:
        wire.receive(5)
    assert (cut.value.length, cut.value.part) == (5, "12")
    assert ended == [False, True] and resource.attributes[-1][1] != SerialTermination.none
    wire, resource, _ = on(PORT, b"123", read_termination="")
    resource.attributes.clear()
    assert wire.receive(3) == "123"
    assert resource.attributes == []


def test_an_answer_that_ends_in_silence_is_read_byte_by_byte_until_nothing_comes() -> None:
    how = {"answer_ends": "silence", "read_termination": "", "silence": "30 ms", "time_out": "2 s"}
    wire, resource, _ = on(PORT, b"1", b".", b"5", b"\r", **how)
    assert wire.receive() == "1.5"
    assert resource.counts == [1] * 5
    assert resource.timeouts[-2:] == [30.0, 2000.0]
    resource.pieces = deque([b"1", OSError("unplugged")])
    with pytest.raises(Broken, match="unplugged"):
        wire.receive()
    assert resource.timeouts[-1] == 2000.0
    with pytest.raises(TimedOut):  # nothing at all
        wire.receive()


def test_a_time_out_lasts_as_long_as_it_is_wanted_and_no_longer() -> None:
    wire, resource, _ = on(LAN, time_out="5 s")
    assert resource.timeouts == [5000.0]
    with wire.within(20.0):
        assert (wire.waited_s, resource.timeout) == (20.0, 20_000.0)
        with wire.within(1.0):
            assert (wire.waited_s, resource.timeout) == (1.0, 1000.0)
        assert (wire.waited_s, resource.timeout) == (20.0, 20_000.0)
    assert (wire.waited_s, resource.timeout, wire.time_out_s) == (5.0, 5000.0, 5.0)
    set_before = len(resource.timeouts)
    with wire.within(5.0):
        assert len(resource.timeouts) == set_before
    resource.refuses = OSError("gone")
    with wire.within(2.0):  # what is sent or read next tells
        assert wire.waited_s == 2.0
    assert wire.waited_s == 5.0


# --- clearing and closing -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "refuses", "cleared", "drained"),
    [
        (LAN, None, 1, 0),
        (LAN, NotImplementedError(), 1, 3),  # this interface has none: what came is read away
        (LAN, VisaIOError(StatusCode.error_nonsupported_operation), 1, 0),
        (PORT, None, 0, 3),  # a stream has none
        (RAW, None, 0, 3),
    ],
)
def test_a_link_is_cleared_by_its_device_clear_or_by_reading(
    name: str, refuses: Exception | None, cleared: int, drained: int
) -> None:
    wire, resource, log = on(name, b"1\n", b"2\n")
    resource.refuses = refuses
    wire.clear()
    assert (resource.cleared, len(resource.counts)) == (cleared, drained)
    assert (("meter", ">", "<clear>") in log) is (cleared > 0)
    assert (wire.stream, wire.serial) == (name != LAN, name == PORT)


def test_a_device_clear_that_times_out_is_told_and_reading_away_has_an_end() -> None:
    wire, resource, _ = on(LAN)
    resource.refuses = NOTHING
    with pytest.raises(TimedOut):
        wire.clear()
    wire, resource, _ = on(RAW, *[b"1\n"] * 20)
    wire.clear()
    assert len(resource.counts) == module.LATE_ANSWERS == 8
    wire, resource, _ = on(RAW, OSError("reset"))
    with pytest.raises(Broken, match="reset"):
        wire.clear()


@pytest.mark.parametrize("refuses", [None, OSError("gone already"), RuntimeError("a library's")])
def test_a_link_is_given_back_whatever_its_library_says(refuses: Exception | None) -> None:
    wire, resource, _ = on(LAN)
    kept: list[int] = []
    wire._keep.callback(lambda: kept.append(1))
    resource.refuses = refuses
    wire.close()
    assert (resource.closed, kept) == (1, [1])


def test_without_a_port_of_its_own_nothing_is_known_of_what_nobody_asked_for() -> None:
    wire, resource, _ = on(RAW, b"stray\n")
    assert not wire.stray() and not wire._hung_up()
    wire.forget_what_came()
    assert resource.counts == []
    with pytest.raises(InstrumentSilent, match="cannot be opened again"):
        wire.reopen()


def test_a_serial_line_is_set_as_its_driver_file_says_and_else_left_alone() -> None:
    _, resource, _ = on(PORT, baud_rate=19200, data_bits=7, parity="even", stop_bits=1.5,
                        flow_control="xon_xoff")  # fmt: skip
    assert (resource.baud_rate, resource.data_bits) == (19200, 7)
    assert (resource.parity.name, resource.stop_bits.name, resource.flow_control.name) == (
        "even", "one_and_a_half", "xon_xoff",
    )  # fmt: skip
    _, resource, _ = on(PORT)
    for name in ("baud_rate", "data_bits", "parity", "stop_bits", "flow_control"):
        assert not hasattr(resource, name)


@pytest.mark.parametrize(
    ("terminator", "last", "enabled"),
    [("\n", "\n", [True]), ("\r\n", "\n", [True]), ("", None, [])],
)
def test_the_last_character_of_the_terminator_ends_a_read(
    terminator: str, last: str | None, enabled: list[bool]
) -> None:
    _, resource, _ = on(LAN, read_termination=terminator)
    assert resource.read_termination == last
    told = [v for name, v in resource.attributes if name == ResourceAttribute.termchar_enabled]
    assert told == enabled
