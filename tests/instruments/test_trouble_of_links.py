"""A link that does not open, or opens onto silence: told with what a person can do about it."""

from __future__ import annotations

import errno
import os
import tty
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from seqrun.cli import benches
from seqrun.files.driver.load import load_driver
from seqrun.instruments.discovery import identify
from seqrun.instruments.trouble import advice
from seqrun.runner.opening import visa_manager

SERIAL, USB, LAN = "ASRL/dev/ttyUSB0::INSTR", "USB0::1::2::3::INSTR", "TCPIP0::h::1::SOCKET"


@pytest.mark.parametrize(
    ("resource", "problem", "platform", "said"),
    [
        (SERIAL, OSError(errno.EBUSY, "Device or resource busy"), "linux", "another program"),
        (SERIAL, OSError("Could not exclusively lock port"), "linux", "another program"),
        (SERIAL, PermissionError(errno.EACCES, "Permission denied"), "linux", "dialout"),
        (SERIAL, PermissionError(errno.EACCES, "Access is denied"), "win32", "Device Manager"),
        (SERIAL, FileNotFoundError(errno.ENOENT, "no such file"), "win32", "ASRL3::INSTR"),
        (SERIAL, FileNotFoundError(errno.ENOENT, "no such file"), "darwin", "tty.usbserial"),
        (SERIAL, FileNotFoundError(errno.ENOENT, "no such file"), "linux", "/dev/ttyACM0"),
        (SERIAL, ValueError("Please install PySerial (>=3.0)"), "linux", "seqrun[serial]"),
        (USB, PermissionError(errno.EACCES, "Access denied"), "linux", "udev rule"),
        (USB, ValueError("No backend available"), "linux", "libusb of the system"),
        (USB, PermissionError(errno.EACCES, "Access denied"), "darwin", "does not let your user"),
        (LAN, PermissionError(errno.EACCES, "Access denied"), "linux", "does not let your user"),
        ("GPIB0::5::INSTR", ValueError("Please install linux-gpib"), "linux", "seqrun[gpib]"),
        (LAN, ValueError("Could not locate a VISA implementation"), "linux", 'visa = "@py"'),
        (LAN, OSError("libvisa.so: cannot open shared library"), "linux", "PYVISA_LIBRARY"),
        (LAN, ConnectionRefusedError(errno.ECONNREFUSED, "refused"), "linux", "only connection"),
        (LAN, OSError(errno.EHOSTUNREACH, "No route to host"), "linux", "bench find"),
    ],
)
def test_what_a_person_can_do_goes_by_the_link_and_the_system(
    resource: str, problem: Exception, platform: str, said: str
) -> None:
    wrapped = RuntimeError("cannot be opened")  # the library tells it in words of its own
    wrapped.__cause__ = problem
    assert said in advice(resource, wrapped, platform)


@pytest.fixture
def silent() -> Iterator[str]:
    """A serial port that opens, and nobody at its other end."""
    master, port = os.openpty()
    tty.setraw(port)
    yield f"ASRL{os.ttyname(port)}::INSTR"
    os.close(port)
    os.close(master)


def test_a_port_that_nobody_answers_at_is_told_as_open_and_silent(
    silent: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("seqrun.instruments.discovery.ANSWER_S", 0.05)
    drivers = {
        name: load_driver(f"drivers/{name}.toml") for name in ("lcus-relay", "korad-ka3005p")
    }
    with closing(visa_manager("@py")) as manager:
        found = identify(silent, manager, drivers)
    assert found.trouble == "opens, and answers none of the 2 ways in which a driver here asks"
    assert "speed, parity" in found.hint


def test_a_test_of_a_bench_says_what_to_do_about_a_port_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(
        'name = "X"\n[instrument.supply]\nresource = "ASRL/dev/ttyNONE7::INSTR"\n'
        'driver = "korad-ka3005p"\n',
        encoding="utf-8",
    )
    assert benches.test_command(str(file), nothing_connected=True, connect=False) == 3
    said = capsys.readouterr().out
    assert "cannot be opened" in said and "next: a serial port is the resource" in said
