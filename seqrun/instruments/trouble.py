"""What a person can do when an instrument cannot be reached."""

from __future__ import annotations

import errno
import sys

from seqrun.errors import InstrumentSilent

#: the extra of this package that brings the library for an interface, what it brings, and what
#: beside it only the system can have
EXTRAS = {
    "ASRL": ("serial", "pyserial", ""),
    "USB": ("usb", "pyusb", "libusb of the system"),
    "GPIB": ("gpib", "gpib-ctypes", "the driver of your GPIB adapter: linux-gpib, or its maker's"),
}
_GENERAL = (
    "check power, cable and address, and the resource in the bench file; 'seqrun bench find' lists "
    "what answers"
)


def brings(kind: str) -> str:
    """What to install for an interface."""
    name, package, beside = EXTRAS[kind]
    more = f"; beside it {beside}" if beside else ""
    return f"pip install 'seqrun[{name}]' brings {package}{more}"


def interface(resource: str) -> str:
    """The interface of a VISA resource name: ``ASRL``, ``USB``, ``GPIB``, ``TCPIP`` …"""
    return resource.split("::")[0].upper().rstrip("0123456789").split("/")[0].split("COM")[0]


def cannot_open(key: str, resource: str, problem: BaseException) -> InstrumentSilent:
    """The error for a resource that does not open, with what a person can do about it."""
    text = str(problem) or type(problem).__name__
    return InstrumentSilent(
        f"cannot be opened: {text.splitlines()[0][:300]}",
        expected="an instrument that is switched on and answers at that resource",
        where=f"{key} ({resource})",
        hint=advice(resource, problem),
    )


def advice(resource: str, problem: BaseException, platform: str = sys.platform) -> str:
    """What to do next, by the interface and by what the library or the system said."""
    text = _chain(problem)
    kind = interface(resource)
    if missing := _missing_extra(kind, text):
        return missing
    if _errno(problem) == errno.EACCES or "permission denied" in text or "access denied" in text:
        return _permission(kind, text, platform)
    if _errno(problem) == errno.EBUSY or "busy" in text or "exclusively lock" in text:
        return "another program holds it: close terminal programs and other runs, then try again"
    if kind == "ASRL":
        return _serial(resource, platform)
    if "could not locate a visa" in text or "no visa" in text or "library" in text:
        return (
            'choose the VISA library in the bench file: visa = "@py" for the one that comes along, '
            "or the path of a maker's own (PYVISA_LIBRARY does the same for all benches)"
        )
    if kind == "TCPIP" and ("refused" in text or _errno(problem) == errno.ECONNREFUSED):
        return (
            "something is at that address and takes no connection on that port: check the port "
            "(5025 is usual for SCPI), that its LAN remote control is on, and that no other "
            "program holds the only connection"
        )
    return _GENERAL


def _missing_extra(kind: str, text: str) -> str:
    if kind not in EXTRAS:
        return ""
    marks = ("please install", "no module named", "no backend available", "not installed",
             "no matching interface", "no device class", "could not find a matching")  # fmt: skip
    if not any(mark in text for mark in marks):
        return ""
    return brings(kind)


def _permission(kind: str, text: str, platform: str) -> str:
    if platform.startswith("linux"):
        if kind == "ASRL":
            return (
                "your user may not use serial ports: sudo usermod -aG dialout $USER (on some "
                "systems the group is uucp), then log in again"
            )
        if kind == "USB":
            return (
                "a udev rule has to give your user the instrument: a file in /etc/udev/rules.d "
                'with SUBSYSTEM=="usb", ATTR{idVendor}=="the first number of its resource", '
                'MODE="0660", TAG+="uaccess"; then unplug it and plug it in again'
            )
    if platform == "win32":
        return "another program holds the port, or it needs its driver: see the Device Manager"
    return "the system does not let your user use it"


def _serial(resource: str, platform: str) -> str:
    if platform == "win32":
        return (
            'a serial port COM3 is the resource "ASRL3::INSTR"; the Device Manager lists the ports'
        )
    example = "/dev/tty.usbserial-…" if platform == "darwin" else "/dev/ttyUSB0 or /dev/ttyACM0"
    ports = f'a serial port is the resource "ASRL{example.split(" or ")[0]}::INSTR"'
    return f"{ports}; plugged in it shows as {example}, and 'seqrun bench find' lists it"


def _errno(problem: BaseException | None) -> int | None:
    while problem is not None:
        if isinstance(problem, OSError) and problem.errno is not None:
            return problem.errno
        problem = problem.__cause__ or problem.__context__
    return None


def _chain(problem: BaseException | None) -> str:
    """All that was said on the way, in lower case."""
    parts: list[str] = []
    while problem is not None and len(parts) < 10:
        parts.append(str(problem))
        problem = problem.__cause__ or problem.__context__
    return " ".join(parts).lower()
