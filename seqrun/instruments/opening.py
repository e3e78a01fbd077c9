"""Opening an instrument: the link, the proof that it is the right one, and its role."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from seqrun.errors import InstrumentRefused, InstrumentSilent, WrongInstrument
from seqrun.files.bench import Instrument as BenchInstrument
from seqrun.files.driver import Driver
from seqrun.instruments.generator import DrivenGenerator
from seqrun.instruments.link import Link, MessageLog
from seqrun.instruments.meter import DrivenMeter
from seqrun.instruments.scope import DrivenScope
from seqrun.instruments.supply import DrivenSupply
from seqrun.instruments.switch import DrivenSwitch

if TYPE_CHECKING:
    from pyvisa import ResourceManager

Driven = DrivenSupply | DrivenMeter | DrivenScope | DrivenGenerator | DrivenSwitch


def open_instrument(
    key: str,
    entry: BenchInstrument,
    driver: Driver,
    manager: ResourceManager,
    log: MessageLog,
) -> Driven:
    """Open one instrument of a bench, and see that it is the one named before anything else.

    Only ``*IDN?`` is sent to an instrument that turns out to be another; the driver's ``prepare``
    is sent to the right one.

    Args:
        key: its name in the bench file.
        entry: its table there.
        manager: a PyVISA resource manager.
        log: gets every message.

    Raises:
        InstrumentSilent: nothing answers there.
        WrongInstrument: the identity is not the driver's, or the serial number another.
        InstrumentRefused: it did not take the driver's preparation.
    """
    link = Link.open(key, entry.resource, manager, log, driver.link)
    try:
        _identify(link, entry, driver)
        if driver.role == "supply":
            return DrivenSupply(key, driver, link)
        if driver.role == "meter":
            return DrivenMeter(key, driver, link)
        if driver.role == "generator":
            return DrivenGenerator(key, driver, link)
        if driver.role == "switch":
            return DrivenSwitch(key, driver, link)
        return DrivenScope(key, driver, link, entry.probe)
    except BaseException:
        link.close()
        raise


def _identify(link: Link, entry: BenchInstrument, driver: Driver) -> None:
    try:
        found = link.identify()
    except InstrumentRefused as problem:
        raise InstrumentSilent(
            f"does not tell its identity: {problem.found}",
            expected="an answer to *IDN?",
            where=link.where,
            hint="seqrun only drives instruments that it can tell apart",
        ) from problem
    if re.search(driver.idn, found) is None:
        raise WrongInstrument(
            f'the instrument there is "{found}"',
            expected=f'one whose identity matches "{driver.idn}" (driver "{driver.name}")',
            where=link.where,
            hint="correct the resource or the driver in the bench file",
        )
    if entry.serial and entry.serial not in found:
        raise WrongInstrument(
            f'the instrument there is "{found}"',
            expected=f'the one with serial number "{entry.serial}"',
            where=link.where,
            hint="correct the resource or the serial number in the bench file; the calibration "
            "belongs to one instrument only",
        )
