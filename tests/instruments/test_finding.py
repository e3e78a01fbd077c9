"""Finding instruments on every interface: USB and GPIB as pyvisa-sim plays them, LAN sockets that
tell of themselves by multicast DNS, and what is said where a library is missing or a port is not
to be had."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from dialects.base import served
from dialects.rigol_dp800 import RigolDp800
from pytest_mock import MockerFixture

from seqrun.cli import benches
from seqrun.errors import InstrumentSilent
from seqrun.files.bench.load import bench_from_text
from seqrun.instruments import discovery
from seqrun.instruments.link import Link
from seqrun.runner.opening import visa_manager

SIMULATED = """
spec: "1.1"
devices:
  supply:
    eom: {USB INSTR: {q: "\\n", r: "\\n"}}
    error: ERROR
    dialogues: [{q: "*IDN?", r: "RIGOL TECHNOLOGIES,DP832,DP8A1,00.01.16"}]
  switch:
    eom: {GPIB INSTR: {q: "\\n", r: "\\n"}}
    error: ERROR
    dialogues: [{q: "*IDN?", r: "HEWLETT-PACKARD,34970A,0,13-2-2"}]
resources:
  USB0::0x1AB1::0x0E11::DP8A1::INSTR: {device: supply}
  GPIB0::9::INSTR: {device: switch}
"""


@pytest.fixture
def nobody_on_the_lan(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(discovery, "_raw_sockets", lambda _notes: [])


def test_usb_and_gpib_are_listed_asked_and_written_with_their_drivers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], nobody_on_the_lan: None
) -> None:
    library = tmp_path / "bench.yaml"
    library.write_text(SIMULATED, encoding="utf-8")
    file = tmp_path / "mine.toml"
    assert benches.find_command([], file, f"{library}@sim") == 0
    said = capsys.readouterr().out
    assert "not searched" not in said  # another library brings what it takes
    found = bench_from_text(file.read_text(encoding="utf-8")).instrument
    assert {entry.resource.split("::")[0]: entry.driver for entry in found.values()} == {
        "USB0": "rigol-dp800",
        "GPIB0": "keysight-34970a",
    }


def test_interfaces_and_memories_are_no_instruments(
    mocker: MockerFixture, nobody_on_the_lan: None
) -> None:
    listed = ("PRLGX-ASRL::/dev/ttyS0::INTFC", "VXI0::24::MEMACC", "USB0::1::2::S::0::RAW",
              "GPIB0::INTFC", "GPIB0::5::INSTR", "TCPIP0::h::5025::SOCKET")  # fmt: skip
    with closing(visa_manager("@py")) as manager:
        mocker.patch.object(manager, "list_resources", return_value=listed)
        assert discovery.resources(manager, []) == [listed[2], listed[4], listed[5]]


def test_a_socket_that_tells_of_itself_is_found_by_multicast(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    zeroconf = pytest.importorskip("zeroconf")
    monkeypatch.setattr(discovery, "BROWSE_S", 0.1)
    with served(RigolDp800()) as resource:
        port = int(resource.split("::")[2])
        try:
            teller = zeroconf.Zeroconf(interfaces=["127.0.0.1"])
        except OSError as problem:
            pytest.skip(f"no multicast here: {problem}")
        with closing(teller):
            addresses = [socket.inet_aton("127.0.0.1"), socket.inet_pton(socket.AF_INET6, "::1")]
            name = f"A supply of port {port}.{discovery.RAW_SCPI}"
            told = zeroconf.ServiceInfo(
                discovery.RAW_SCPI, name, addresses=addresses, port=port, server="supply.local."
            )
            teller.register_service(told, cooperating_responders=True)
            give_up = time.monotonic() + 60.0
            while resource not in (found := discovery._raw_sockets([])):
                assert time.monotonic() < give_up, found
    assert not any("[" in one or one.count(":") > resource.count(":") for one in found)


WITHOUT = """
import sys
for name in ("serial", "usb", "gpib_ctypes", "gpib", "Gpib", "zeroconf"):
    sys.modules[name] = None  # as if it were not installed
from seqrun.errors import InstrumentSilent
from seqrun.instruments import discovery
from seqrun.instruments.link import Link
from seqrun.runner.opening import visa_manager
manager = visa_manager("@py")
notes = []
discovery.resources(manager, notes)
print(*notes, sep="\\n")
for resource in ("ASRL/dev/ttyUSB0::INSTR", "USB0::6833::3601::DP8A1::INSTR", "GPIB0::5::INSTR"):
    try:
        Link.open("supply", resource, manager, lambda *_: None)
    except InstrumentSilent as problem:
        print(resource[:4], problem.hint)
"""


def test_what_is_not_installed_is_named_with_the_extra_that_brings_it() -> None:
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT], capture_output=True, text=True, check=True, timeout=120
    )
    lines = done.stdout.splitlines()
    for kind, extra in (("ASRL", "serial"), ("USB", "usb"), ("GPIB", "gpib")):
        brings = f"pip install 'seqrun[{extra}]'"
        assert any(line.startswith(f"{kind}: not searched") and brings in line for line in lines)
        assert any(line.startswith(kind[:4]) and "searched" not in line and brings in line
                   for line in lines), done.stdout  # fmt: skip
    assert any("seqrun[lan]" in line for line in lines)


# --- a port that is there, and not to be had -----------------------------------------------------


@pytest.fixture
def port() -> Iterator[tuple[str, int]]:
    """A serial port, and its open end."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield os.ttyname(theirs), theirs
    os.close(theirs)
    os.close(ours)


@contextmanager
def as_a_plain_user() -> Iterator[None]:
    """The system lets root do everything: a bench is not root."""
    before = os.geteuid()
    if before == 0:
        os.seteuid(65534)
    try:
        yield
    finally:
        if before == 0:
            os.seteuid(before)


def refusal(name: str, forbid: Callable[[], None]) -> str:
    """What is said when a port of that name does not open any more."""
    with closing(visa_manager("@py")) as manager:
        resource = f"ASRL{name}::INSTR"
        Link.open("supply", resource, manager, lambda *_: None).close()  # its library is loaded
        forbid()
        with as_a_plain_user(), pytest.raises(InstrumentSilent) as told:
            Link.open("supply", resource, manager, lambda *_: None)
    return str(told.value)


@pytest.mark.skipif(sys.platform != "linux", reason="pseudo-terminals with a lock are Linux's")
def test_a_port_that_another_program_has_for_itself_is_told_as_busy(port: tuple[str, int]) -> None:
    import fcntl
    import termios

    name, end = port
    Path(name).chmod(0o666)
    said = refusal(name, lambda: fcntl.ioctl(end, termios.TIOCEXCL))
    assert "busy" in said
    assert "next: another program holds it" in said


@pytest.mark.skipif(sys.platform != "linux", reason="groups of serial ports are Linux's")
def test_a_port_that_the_user_may_not_use_is_told_with_the_group(port: tuple[str, int]) -> None:
    name, _ = port
    said = refusal(name, lambda: Path(name).chmod(0o600 if os.geteuid() == 0 else 0))
    assert "Permission denied" in said
    assert "usermod -aG dialout" in said
