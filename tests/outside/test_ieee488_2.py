"""The virtual instruments' syntax and status against IEEE 488.2 and SCPI-99, clause by clause.

Every case of the table runs four times: on the device itself, through PyVISA in the same process
as a message-based and as a socket resource, and through a TCP socket. The bytes must be the
table's each time.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest
import pyvisa
from ieee488_2_cases import CASES, Case
from ieee488_2_reference import Reference

from demo_sim.links.tcp import ScpiTcpServer
from demo_sim.links.visa import DemoVisaLibrary
from demo_sim.scpi import ScpiDevice
from demo_sim.scpi.errors import TEXTS, ScpiError, event_bit

Exchange = Callable[[bytes, int], bytes]


@contextmanager
def _device() -> Iterator[Exchange]:
    device = Reference()
    yield lambda message, _: device.execute(message)


@contextmanager
def _in_process(resource: str) -> Iterator[Exchange]:
    manager = pyvisa.ResourceManager(DemoVisaLibrary({"reference.demo": Reference()}))
    session = manager.open_resource(resource)
    assert isinstance(session, pyvisa.resources.MessageBasedResource)

    def exchange(message: bytes, expected: int) -> bytes:
        session.write_raw(message)
        return session.read_raw() if expected else b""

    yield exchange
    manager.close()


@contextmanager
def _tcp() -> Iterator[Exchange]:
    with (
        ScpiTcpServer(Reference()) as server,
        socket.create_connection((server.host, server.port), timeout=5) as client,
    ):

        def exchange(message: bytes, expected: int) -> bytes:
            client.sendall(message)
            received = b""
            while len(received) < expected:
                chunk = client.recv(expected - len(received))
                if not chunk:
                    break
                received += chunk
            return received

        yield exchange


LINKS = {
    "device": _device,
    "in-process INSTR": lambda: _in_process("TCPIP0::reference.demo::INSTR"),
    "in-process SOCKET": lambda: _in_process("TCPIP0::reference.demo::5025::SOCKET"),
    "TCP": _tcp,
}


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("case", CASES, ids=[f"{c.clause}: {c.rule}" for c in CASES])
def test_each_rule_of_the_standards_holds_on_every_link(case: Case, link: str) -> None:
    with LINKS[link]() as exchange:
        for message, response in case.exchange:
            assert exchange(message, len(response)) == response
        # A response too many would come out here.
        assert exchange(b"*CLS;*ESR?\n", 2) == b"0\n"


def test_power_on_sets_bit_7_of_the_event_status_register() -> None:
    """IEEE 488.2, 11.5.1.1.2 [memory]."""

    assert ScpiDevice().execute("*ESR?;*ESR?") == b"128;0\n"


def test_a_query_before_the_last_response_was_read_is_interrupted() -> None:
    """IEEE 488.2, 6.3.2.3 [read]: the old response is lost, −410, query error bit, new answered."""
    device = Reference()
    device.receive(b"VOLT?")
    device.receive(b"FUNC?")
    assert device.read_output() == b"SIN\n"
    assert device.execute("*ESR?;:SYST:ERR?") == b'4;-410,"Query INTERRUPTED"\n'


def test_reading_without_a_query_is_unterminated() -> None:
    """IEEE 488.2, 6.3.2.2 [read]: nothing to send, −420, query error bit."""
    device = Reference()
    device.receive(b"VOLT 1")
    assert device.read_output() == b""
    assert device.execute("*ESR?;:SYST:ERR?") == b'4;-420,"Query UNTERMINATED"\n'


def test_reading_after_an_incomplete_query_is_unterminated() -> None:
    """IEEE 488.2, 6.3.2.2 [read]: the incomplete message is not a query yet."""
    device = Reference()
    device.receive(b"VOL", end=False)
    assert device.read_output() == b""
    device.receive(b"T?\n", end=False)
    assert device.read_output() == b"+0.000000000E+00\n"
    assert device.execute("SYST:ERR?") == b'-420,"Query UNTERMINATED"\n'


def test_a_stray_terminator_does_not_interrupt() -> None:
    """IEEE 488.2, 1.3 [memory]: listen forgivingly."""
    device = Reference()
    device.receive(b"FUNC?\n\r\n")
    assert device.read_output() == b"SIN\n"
    assert device.execute("SYST:ERR?") == b'0,"No error"\n'


def test_a_partly_read_response_is_lost_when_the_next_message_comes() -> None:
    """IEEE 488.2, 6.3.2.3 [read]."""
    device = Reference()
    device.receive(b"*IDN?")
    assert device.read_output(6) == b"SEQRUN"
    device.receive(b"FUNC?")
    assert device.read_output() == b"SIN\n"
    assert device.execute("SYST:ERR?") == b'-410,"Query INTERRUPTED"\n'


def test_device_clear_empties_the_queues_and_leaves_the_status() -> None:
    """IEEE 488.2, 5.8 [memory]."""
    device = Reference()
    device.receive(b"VOLT 3;BAD")
    device.receive(b"VOLT?")
    device.receive(b"DISP:TEXT 'half a mess", end=False)
    device.clear()
    assert not device.output
    assert device.execute("VOLT?;*ESR?") == b"+3.000000000E+00;32\n"


def test_serial_poll_shows_a_request_once_and_star_stb_the_summary() -> None:
    """IEEE 488.2, 11.2.2 [memory]: RQS is cleared by the poll, MSS follows the causes."""
    device = Reference()
    device.receive(b"*ESE 32;*SRE 32;BAD")
    assert device.serial_poll() == 32 + 64 + 4
    assert device.serial_poll() == 32 + 4
    assert device.execute("*STB?") == b"100\n"


def test_message_available_follows_the_output_queue() -> None:
    """IEEE 488.2, 11.2.1.2 [memory]."""
    device = Reference()
    device.receive(b"FUNC?")
    assert device.serial_poll() == 16
    device.read_output()
    assert device.serial_poll() == 0


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0, "No error"),
        (-102, "Syntax error"),
        (-113, "Undefined header"),
        (-222, "Data out of range"),
        (-224, "Illegal parameter value"),
        (-350, "Queue overflow"),
        (-410, "Query INTERRUPTED"),
        (-420, "Query UNTERMINATED"),
        (-430, "Query DEADLOCKED"),
        (-440, "Query UNTERMINATED after indefinite response"),
    ],
)
def test_error_numbers_have_the_standard_texts(number: int, text: str) -> None:
    """SCPI vol 2, 21.8 [read, in the error appendices named in the table's module]."""
    assert TEXTS[number] == text


@pytest.mark.parametrize(
    ("number", "bit"), [(-100, 32), (-178, 32), (-200, 16), (-310, 8), (-350, 8), (7, 8), (-410, 4)]
)
def test_error_classes_set_their_bits(number: int, bit: int) -> None:
    """IEEE 488.2, 11.5.1.1; SCPI vol 2, 21.8.9 to 21.8.12 [memory]."""
    assert event_bit(number) == bit


def test_an_error_text_has_at_most_255_characters() -> None:
    """SCPI vol 2, 21.8.2 [read]."""
    assert len(ScpiError(-113, "X" * 400).text) == 255
