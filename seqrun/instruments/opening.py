"""Opening an instrument: the link, the proof that it is the right one, and its role."""

from __future__ import annotations

from typing import TYPE_CHECKING

from seqrun.errors import InstrumentRefused, InstrumentSilent, WrongInstrument
from seqrun.files import regular
from seqrun.files.bench.parts import InstrumentEntry as BenchInstrument
from seqrun.files.dirt import Dirt
from seqrun.files.driver.file import Driver
from seqrun.instruments.generator import DrivenGenerator
from seqrun.instruments.link import Link, MessageLog
from seqrun.instruments.meter import DrivenMeter
from seqrun.instruments.scope import DrivenScope
from seqrun.instruments.supply import DrivenSupply
from seqrun.instruments.switch import DrivenSwitch

if TYPE_CHECKING:
    from pyvisa import ResourceManager

AnyDriven = DrivenSupply | DrivenMeter | DrivenScope | DrivenGenerator | DrivenSwitch


def open_instrument(
    key: str,
    entry: BenchInstrument,
    driver: Driver,
    manager: ResourceManager,
    log: MessageLog,
    shared: Link | None = None,
    dirt: Dirt | None = None,
) -> AnyDriven:
    """Open one instrument of a bench, and see that it is the one named before anything else.

    Only ``*IDN?`` is sent to an instrument that turns out to be another; the driver's ``prepare``
    is sent to the right one.

    Args:
        key: its name in the bench file.
        entry: its table there.
        manager: a PyVISA resource manager.
        log: gets every message.
        shared: the open link of another role of the same instrument.
        dirt: what no data sheet tells of this bench.

    Raises:
        InstrumentSilent: nothing answers there.
        WrongInstrument: the identity is not the driver's, or the serial number another.
        InstrumentRefused: it did not take the driver's preparation.
    """
    link = open_link(key, entry, driver, manager, log) if shared is None else shared.share()
    try:
        identify(link, entry, driver)
        label = entry.label
        if driver.role == "supply":
            return DrivenSupply(key, driver, link, label)
        if driver.role == "meter":
            return DrivenMeter(key, driver, link, label, entry.leads)
        if driver.role == "generator":
            return DrivenGenerator(key, driver, link, label)
        if driver.role == "switch":
            return DrivenSwitch(key, driver, link, label)
        return DrivenScope(key, driver, link, entry.probe, label, dirt.probe_ratio if dirt else 0.0)
    except BaseException:
        link.close()
        raise


def open_link(
    key: str, entry: BenchInstrument, driver: Driver, manager: ResourceManager, log: MessageLog
) -> Link:
    """The link to an instrument, with the manners of its driver and of the bench file. Nothing is
    sent.

    Raises:
        InstrumentSilent: nothing there, or it does not take the connection.
    """
    manners = driver.link
    if entry.line is not None:
        set_there = entry.line.model_dump(exclude_none=True)
        manners = manners.model_copy(update=set_there)
    return Link.open(key, entry.resource, manager, log, manners, driver.identity)


def identify(link: Link, entry: BenchInstrument, driver: Driver) -> None:
    """Ask for the identity and see that it is the one named; nothing else is sent. One that
    answers nothing is asked nothing: the bench file's label says which it is.

    Raises:
        InstrumentSilent: nothing answers there.
        WrongInstrument: the identity is not the driver's, or the serial number another.
    """
    if driver.identity.tells == "nothing":
        _labelled(link, entry)
        return
    try:
        found = link.identify()
    except InstrumentRefused as problem:
        raise InstrumentSilent(
            f"does not tell its identity: {problem.found}",
            expected=f"an answer to {driver.identity.ask}",
            where=link.where,
            hint="seqrun only drives instruments that it can tell apart",
        ) from problem
    if regular.compiled(driver.idn).search(found) is None:
        raise WrongInstrument(
            f'the instrument there is "{found}"',
            expected=f'one whose identity matches "{driver.idn}" (driver "{driver.name}")',
            where=link.where,
            hint="correct the resource or the driver in the bench file",
        )
    if driver.identity.tells == "fingerprint":
        _labelled(link, entry)
        return
    if entry.serial and entry.serial not in found:
        raise WrongInstrument(
            f'the instrument there is "{found}"',
            expected=f'the one with serial number "{entry.serial}"',
            where=link.where,
            hint="correct the resource or the serial number in the bench file; the calibration "
            "belongs to one instrument only",
        )


def _labelled(link: Link, entry: BenchInstrument) -> None:
    """See that the operator has said which instrument it is, where it cannot tell.

    Raises:
        WrongInstrument: nothing is said.
    """
    if not entry.label:
        raise WrongInstrument(
            "it cannot tell which instrument it is",
            expected='label = "what its own label says" in the bench file',
            where=link.where,
            hint="put model and serial number there, when you have seen that it is on that port",
        )
