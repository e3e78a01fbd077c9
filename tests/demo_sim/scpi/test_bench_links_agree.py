"""The simulated bench in process and over sockets: same seed, same messages, same bytes."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pyvisa

import demo_sim

REFUSED = b"NONSense?;*IDN?"  # what follows an undefined header is not executed: no answer

# Settings, readings with their noise, a block, errors, status: an afternoon at the bench.
EXCHANGES: tuple[tuple[str, bytes], ...] = (
    ("supply", b"*IDN?"),
    ("supply", b"*CLS;*RST;*OPC?"),
    ("supply", b"INST:NSEL 1;:VOLT 30;CURR 200MA;:VOLT:PROT 33V;PROT?"),
    ("supply", b"INST:NSEL 2;:VOLT MAX;VOLT?;VOLT? MIN;:VOLT 30;:CURR 0.2"),
    ("supply", b"OUTP ON;OUTP?"),
    ("control", b"CLOC:WAIT 5;NOW?"),
    ("supply", b"MEAS:VOLT? (@1,2);:MEAS:CURR? (@1,2)"),
    ("supply", b"STAT:QUES:INST:ISUM1:COND?;:STAT:QUES:COND?;*STB?"),
    ("supply", b"VOLT 400;:SYST:ERR?"),
    ("control", b'HAND:CONN "meter.hi","rail.pos";CONN "meter.lo","ground";NODE? "meter.hi"'),
    ("meter", b"CONF:VOLT:DC 100;:VOLT:NPLC 1;:TRIG:COUN 3;:READ?"),
    ("meter", b"FETC?;CONF?"),
    ("meter", b"CONF:RES;:READ?"),
    ("generator", b"SOUR1:FUNC SIN;FREQ 1KHZ;VOLT 100MV;:OUTP1 ON;OUTP1?"),
    (
        "scope",
        b'FUNC "XTIM:VOLT 1";:VOLT1:RANG:PTP 8;:INP1:COUP DC;:SWE:TINT 10US;POIN 1000;TINT?;POIN?',
    ),
    ("scope", b"TRIG:ATR ON;SOUR INT1;:INIT;*OPC?"),
    ("scope", b"FORM INT,16;:FORM:BORD SWAP;:TRAC:PRE? CH1"),
    ("scope", b"TRAC? CH1"),
    ("scope", REFUSED),
    ("scope", b"*ESR?;:SYST:ERR?;ERR?"),
    ("supply", b"OUTP OFF;*TST?;:SYST:ERR:ALL?"),
)


@contextmanager
def _in_process() -> Iterator[dict[str, pyvisa.resources.MessageBasedResource]]:
    manager = pyvisa.ResourceManager(demo_sim.open_bench(seed=7).visa_library)
    opened = {}
    for key in {key for key, _ in EXCHANGES}:
        resource = manager.open_resource(f"TCPIP0::{key}.demo::INSTR", timeout=60_000)
        assert isinstance(resource, pyvisa.resources.MessageBasedResource)
        opened[key] = resource
    yield opened
    manager.close()


def _received(client: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count and (chunk := client.recv(1 << 16)):
        data += chunk
    return data


def test_a_bench_answers_the_same_bytes_in_process_and_over_sockets() -> None:
    with ExitStack() as stack:
        near = stack.enter_context(_in_process())
        served = demo_sim.open_bench(seed=7).serve()
        stack.callback(served.close)
        far = {}
        for key in near:
            host, port = served.resources[key].split("::")[1:3]
            far[key] = stack.enter_context(socket.create_connection((host, int(port)), timeout=20))
        for key, message in EXCHANGES:
            near[key].write_raw(message + b"\n")
            far[key].sendall(message + b"\n")
            if message is not REFUSED:
                expected = near[key].read_raw()
                assert _received(far[key], len(expected)) == expected, message
