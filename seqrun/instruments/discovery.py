"""Finding instruments: what resources there are, who answers, and which driver fits.

Only the question for the identity is sent, nothing else.
"""

from __future__ import annotations

import warnings
from collections.abc import Container, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from seqrun.errors import SeqrunError
from seqrun.files import regular
from seqrun.files.driver.file import Driver
from seqrun.files.driver.manners import Identity, Manners
from seqrun.instruments.failing import LinkFailure
from seqrun.instruments.link import Link
from seqrun.instruments.trouble import brings, interface

if TYPE_CHECKING:
    from pyvisa import ResourceManager

ANSWER_S = 1.0  # for an identity
REST_S = 0.2  # for what still comes of a question before
BROWSE_S = 1.5  # for answers to multicast DNS
#: what the identity of a virtual instrument contains; the simulated bench's drivers fit no other
SIMULATED_MARK = "SIMULATED"
RAW_SCPI = "_scpi-raw._tcp.local."  # the service name of SCPI on a raw socket (LXI)


@dataclass(frozen=True)
class Found:
    """One resource, who answered there, and which drivers fit."""

    resource: str
    identity: str = ""
    drivers: tuple[str, ...] = ()
    by_fingerprint: bool = False  # the answer fits the type and names nothing
    trouble: str = ""
    hint: str = ""


@dataclass
class Search:
    """What a search came to."""

    found: list[Found] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def resources(manager: ResourceManager, notes: list[str]) -> list[str]:
    """The VISA resources that the library lists, and raw sockets that tell of themselves.

    Args:
        notes: gets what keeps an interface from being searched.
    """
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        try:
            listed = [r for r in manager.list_resources("?*") if _carries_messages(r)]
        except Exception as problem:  # libraries raise what they like
            notes.append(f"the VISA library lists nothing: {problem}")
            listed = []
    # What libraries leave open of their own is no news to anybody here.
    told = [w.message for w in heard if not issubclass(w.category, ResourceWarning)]
    notes += sorted({str(message).splitlines()[0] for message in told})
    notes += missing_libraries(manager, {interface(r) for r in listed})
    return [*listed, *(r for r in _raw_sockets(notes) if r not in listed)]


def _carries_messages(resource: str) -> bool:
    """Whether an instrument may be there: an interface, a memory or a backplane is none."""
    return resource.upper().rpartition("::")[2] in ("INSTR", "SOCKET", "RAW")


def missing_libraries(manager: ResourceManager, listed: Container[str] = ()) -> list[str]:
    """Interfaces that cannot be searched for want of a library. A maker's own VISA brings what it
    takes.

    Args:
        listed: interfaces of which something was listed.
    """
    import importlib.util

    if not type(manager.visalib).__module__.startswith("pyvisa_py"):
        return []
    modules = {"ASRL": "serial", "USB": "usb", "GPIB": "gpib_ctypes"}
    return [
        f"{kind}: not searched; {brings(kind)}"
        for kind, module in modules.items()
        if kind not in listed and importlib.util.find_spec(module) is None
    ]


def _raw_sockets(notes: list[str]) -> list[str]:
    """Instruments that tell of a raw SCPI socket by multicast DNS."""
    try:
        from zeroconf import IPVersion, ServiceBrowser, ServiceListener, Zeroconf
    except ImportError:
        notes.append("LAN: not searched by name; pip install 'seqrun[lan]' brings zeroconf")
        return []
    import threading

    names: list[str] = []

    class Listener(ServiceListener):
        def add_service(self, _zc: Any, _kind: str, name: str) -> None:
            names.append(name)

        def update_service(self, _zc: Any, _kind: str, _name: str) -> None:
            """Nothing new."""

        def remove_service(self, _zc: Any, _kind: str, _name: str) -> None:
            """It may come back."""

    found: list[str] = []
    try:
        browser = Zeroconf()
        try:
            ServiceBrowser(browser, RAW_SCPI, Listener())
            threading.Event().wait(BROWSE_S)  # the answers come when they come
            for name in names:
                info = browser.get_service_info(RAW_SCPI, name, 1000)
                if info is not None:
                    found += [
                        f"TCPIP0::{address}::{info.port}::SOCKET"
                        for address in info.parsed_addresses(IPVersion.V4Only)
                    ]
        finally:
            browser.close()
    except OSError as problem:
        notes.append(f"LAN: not searched by name ({problem})")
    return found


def identify(resource: str, manager: ResourceManager, drivers: Mapping[str, Driver]) -> Found:
    """Ask who answers at a resource, in each way in which a driver asks there.

    Args:
        drivers: by name.
    """
    last: SeqrunError | None = None
    opened = 0
    for manners, question in _ways(resource, drivers.values()):
        try:
            link = Link.open("?", resource, manager, _nobody, manners, question)
        except SeqrunError as problem:
            if interface(resource) != "ASRL":
                return Found(resource, trouble=problem.found, hint=problem.hint or "")
            # Not every port can be set to every speed and parity: another way may do.
            last = last or problem
            continue
        opened += 1
        if last is not None and manners.write_termination and interface(resource) == "ASRL":
            _end_what_was_asked_before(link)
        try:
            said = link.identify()
        except SeqrunError as problem:
            last = problem
            continue
        finally:
            link.close()
        named, typed = fitting(said, question, drivers)
        if named or typed:
            return Found(resource, said, named or typed, not named)
        if question == Identity():
            return Found(resource, said)
    if opened > 1:
        return Found(
            resource,
            trouble=f"opens, and answers none of the {opened} ways in which a driver here asks",
            hint="see the instrument's menu for its speed, parity and that its remote control is "
            "on; a cable may be crossed; an instrument of another kind needs a driver of its own",
        )
    hint = (last.hint or "") if last is not None and not opened else ""
    return Found(resource, trouble=last.found if last else "does not answer", hint=hint)


def fitting(
    said: str, question: Identity, drivers: Mapping[str, Driver]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Drivers whose identity an answer matches: by name, and by fingerprint alone."""
    simulated = SIMULATED_MARK in said.upper()
    fit = [
        (name, driver.identity.tells)
        for name, driver in drivers.items()
        if driver.idn  # what has none is never asked
        and driver.identity == question
        and (simulated or driver.accuracy_of is None)
        and regular.compiled(driver.idn).search(said)
    ]
    named = tuple(name for name, tells in fit if tells == "identity")
    return named, tuple(name for name, tells in fit if tells == "fingerprint")


def _ways(resource: str, drivers: Iterable[Driver]) -> Sequence[tuple[Manners, Identity]]:
    """Ways to ask for an identity, without those that differ in nothing that matters here."""
    serial = interface(resource) == "ASRL"
    plain = Manners.model_validate({"error_check": "none", "time_out": "1 s"})
    ways: list[tuple[Manners, Identity]] = [] if serial else [(plain, Identity())]
    for driver in drivers:
        if (driver.link.baud_rate is not None) is not serial:
            continue
        manners = driver.link.model_copy(
            update={"error_check": "none", "time_out": ANSWER_S}
            | ({"acknowledged": "writes"} if driver.link.acknowledged == "try" else {})
        )
        asked = [(_told_apart(m), i) for m, i in ways]
        if (_told_apart(manners), driver.identity) not in asked:
            ways.append((manners, driver.identity))
    # What has no end stays in the buffer there, in front of the next question: it comes last.
    ways.sort(key=lambda way: (way[1].raw, not way[0].write_termination))
    return ways or [(plain, Identity())]


def _told_apart(manners: Manners) -> list[object]:
    """What of the manners matters to a question for the identity."""
    keys = ("write_termination", "read_termination", "answer_ends", "baud_rate", "data_bits",
            "parity", "stop_bits", "flow_control")  # fmt: skip
    follows = manners.acknowledge if manners.acknowledged == "all" else ""
    return [follows, *(getattr(manners, key) for key in keys)]


def _end_what_was_asked_before(link: Link) -> None:
    """A question with another terminator may still wait for its end; what is said to it then is
    thrown away."""
    with suppress(LinkFailure), link.wire.within(REST_S):
        link.wire.end_message()
        link.wire.clear()


def _nobody(_instrument: str, _direction: str, _text: str) -> None:
    """Nobody listens to the messages."""
