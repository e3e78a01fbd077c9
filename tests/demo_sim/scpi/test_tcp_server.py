"""Sockets: slow, fragmented, oversized and abusive clients; start and stop."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Iterator

import numpy as np
import pytest
import pyvisa
from ieee488_2_reference import Reference

from demo_sim.links.tcp import ScpiTcpServer
from demo_sim.lock import WorldLock
from demo_sim.scpi import Call, query


class Scope(Reference):
    """Has a large block to give."""

    @query("WAVeform?")
    def waveform(self, call: Call) -> object:
        return np.arange(2_000_000).astype("<u2")


@pytest.fixture
def server() -> Iterator[ScpiTcpServer]:
    with ScpiTcpServer(Scope(), send_timeout=0.3, most_connections=4) as running:
        yield running


@contextlib.contextmanager
def _client(server: ScpiTcpServer, timeout: float = 5.0) -> Iterator[socket.socket]:
    with socket.create_connection((server.host, server.port), timeout=timeout) as client:
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        yield client


def _line(client: socket.socket) -> bytes:
    received = b""
    while not received.endswith(b"\n"):
        chunk = client.recv(1 << 16)
        if not chunk:
            break
        received += chunk
    return received


def _ask(client: socket.socket, message: bytes) -> bytes:
    client.sendall(message)
    return _line(client)


def test_it_listens_on_loopback_unless_told_otherwise(server: ScpiTcpServer) -> None:
    assert server.host == "127.0.0.1"
    assert server.resource == f"TCPIP0::127.0.0.1::{server.port}::SOCKET"


def test_a_message_may_come_a_byte_at_a_time(server: ScpiTcpServer) -> None:
    with _client(server) as client:
        for byte in b"VOLT 12;VOLT?\r\n":
            client.sendall(bytes([byte]))
        assert _line(client) == b"+1.200000000E+01\n"


def test_messages_may_come_many_at_once(server: ScpiTcpServer) -> None:
    with _client(server) as client:
        client.sendall(b"VOLT 1\nVOLT?\nFUNC?\n*ESR?\n")
        received = b"".join(client.recv(1) for _ in range(len("+1.000000000E+00\nSIN\n0\n")))
        assert received == b"+1.000000000E+00\nSIN\n0\n"


def test_clients_share_the_instrument_but_not_their_half_messages(server: ScpiTcpServer) -> None:
    with _client(server) as one, _client(server) as other:
        one.sendall(b"VOLT ")
        assert _ask(other, b"FUNC SQU;FUNC?\n") == b"SQU\n"
        assert _ask(one, b"7;VOLT?;:FUNC?\n") == b"+7.000000000E+00;SQU\n"


def test_a_client_that_leaves_in_the_middle_of_a_message_changes_nothing(
    server: ScpiTcpServer,
) -> None:
    with _client(server) as client:
        client.sendall(b"VOLT 9")
    with _client(server) as client:
        assert _ask(client, b"VOLT?\n") == b"+0.000000000E+00\n"


def test_a_client_that_resets_the_connection_does_not_disturb_the_next(
    server: ScpiTcpServer,
) -> None:
    client = socket.create_connection((server.host, server.port))
    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    client.sendall(b"WAV?\nWAV?\n")
    client.close()
    with _client(server) as other:
        assert _ask(other, b"FUNC?\n") == b"SIN\n"


def test_an_oversized_message_is_minus_363_and_the_connection_lives(server: ScpiTcpServer) -> None:
    with _client(server) as client:
        client.sendall(b"DISP:TEXT '" + b"x" * 300_000 + b"'\n")
        assert _ask(client, b"SYST:ERR?\n").startswith(b'-363,"Input buffer overrun')
        assert _ask(client, b"FUNC?\n") == b"SIN\n"


def test_rubbish_is_answered_with_errors_only(server: ScpiTcpServer) -> None:
    with _client(server) as client:
        client.sendall(bytes(range(256)) * 20 + b"\n*CLS\n")
        assert _ask(client, b"*IDN?\n").startswith(b"SEQRUN DEMO")


def test_a_request_in_another_protocol_does_no_harm(server: ScpiTcpServer) -> None:
    with _client(server) as client:
        client.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert _ask(client, b"SYST:ERR?\n").startswith(b'-102,"Syntax error')


def test_a_client_that_never_reads_is_dropped_and_others_are_served(server: ScpiTcpServer) -> None:
    with _client(server) as greedy, _client(server) as other:
        greedy.sendall(b"WAV?\n" * 50)  # 200 MB, none of it read
        assert _ask(other, b"FUNC?\n") == b"SIN\n"
        other.close()
        for thread in threading.enumerate():
            if thread.name.endswith("-client"):
                thread.join(5)  # ends when the server gives the client up
                assert not thread.is_alive()
        received = 0
        with contextlib.suppress(ConnectionError):
            while chunk := greedy.recv(1 << 20):
                received += len(chunk)
        assert received < 50 * 4_000_000


def test_a_client_too_many_is_turned_away_at_once(server: ScpiTcpServer) -> None:
    with contextlib.ExitStack() as stack:
        clients = [stack.enter_context(_client(server)) for _ in range(4)]
        for client in clients:
            assert _ask(client, b"FUNC?\n") == b"SIN\n"
        extra = stack.enter_context(_client(server))
        with contextlib.suppress(ConnectionError):
            assert extra.recv(1) == b""
        assert _ask(clients[0], b"FUNC?\n") == b"SIN\n"


def test_the_device_works_only_under_the_shared_lock() -> None:
    lock = WorldLock()
    with ScpiTcpServer(Reference(), lock=lock) as server, _client(server, 0.1) as client:
        with lock:
            client.sendall(b"FUNC?\n")
            with pytest.raises(TimeoutError):
                client.recv(1)
        client.settimeout(5)
        assert _line(client) == b"SIN\n"


def test_stopping_hangs_up_on_everybody_and_frees_the_port() -> None:
    before = threading.active_count()
    server = ScpiTcpServer(Reference())
    with _client(server) as idle, _client(server) as half:
        assert _ask(idle, b"FUNC?\n") == b"SIN\n"
        half.sendall(b"VOLT ")
        server.close()
        server.close()
        with contextlib.suppress(ConnectionError):
            assert idle.recv(1) == b""
    assert threading.active_count() == before
    with ScpiTcpServer(Reference(), port=server.port) as again:
        assert again.port == server.port


def test_a_port_that_is_taken_is_an_error_at_once(server: ScpiTcpServer) -> None:
    with pytest.raises(OSError, match=r"in use|permitted"):
        ScpiTcpServer(Reference(), port=server.port)


def test_a_visa_client_that_is_not_ours_reads_text_and_blocks(server: ScpiTcpServer) -> None:
    manager = pyvisa.ResourceManager("@py")
    scope = manager.open_resource(server.resource, read_termination="\n", write_termination="\n")
    assert isinstance(scope, pyvisa.resources.MessageBasedResource)
    scope.timeout = 60_000.0  # a busy machine is no mistake of the server
    assert scope.query("*IDN?") == "SEQRUN DEMO,REFERENCE,R1,1.0"
    got = scope.query_binary_values("WAV?", datatype="H", container=np.ndarray, chunk_size=1 << 20)
    assert np.array_equal(got, np.arange(2_000_000).astype("<u2"))
    assert scope.query("SYST:ERR?") == '0,"No error"'
    scope.close()
