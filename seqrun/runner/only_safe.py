"""``seqrun safe``: a bench to its safe state, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from seqrun.errors import FileError, SeqrunError, UsageError
from seqrun.files.bench.file import Bench
from seqrun.files.bench.load import driver_path, load_bench
from seqrun.files.driver.load import load_driver
from seqrun.instruments.link import Link
from seqrun.instruments.opening import open_instrument
from seqrun.instruments.roles import Clock, Instrument, Supply
from seqrun.instruments.sound_stream import is_sound
from seqrun.runner.marker import Marker
from seqrun.runner.opening import DEMO, BenchClock, WallClock, visa_manager
from seqrun.runner.safe import SafeReport, found_on, make_safe

if TYPE_CHECKING:
    from pyvisa import ResourceManager


@dataclass
class Safe:
    """What was found on, and what the safe state came to."""

    bench: str
    found: list[str] = field(default_factory=list)
    report: SafeReport = field(default_factory=SafeReport)


def bring_to_safe(bench: str | None, tell: Callable[[str], None]) -> Safe:
    """Switch off every output of a bench and watch every supply output fall below 2 V.

    An instrument that does not answer does not keep the others on.

    Args:
        bench: path of its file.
        tell: is told each step as it is begun.

    Raises:
        UsageError, FileError: no bench is named, or its file is wrong.
    """
    if bench is None or bench == DEMO:
        raise UsageError(
            "no bench is named" if bench is None else "the demo bench ends with each command",
            expected="--bench FILE, the file that names your instruments",
            where="safe",
        )
    file = load_bench(bench)
    done = Safe(file.name)
    with ExitStack() as stack:
        manager = visa_manager(file.visa)
        stack.callback(manager.close)
        clock = _clock(file, manager, stack)
        instruments = _opened(file, manager, stack, done.report, tell)
        done.found = found_on(instruments)
        for line in done.found:
            tell(f"found: {line}")
        tell("switching off, and watching the rails fall")
        for key, instrument in instruments.items():
            rails = range(1, instrument.outputs + 1) if isinstance(instrument, Supply) else ()
            part = make_safe({key: instrument}, clock, rails)
            done.report.confirmed += part.confirmed
            done.report.unconfirmed += part.unconfirmed
            done.report.sent += part.sent
    if done.report.complete:
        Marker(file).clear()
    return done


def _clock(file: Bench, manager: ResourceManager, stack: ExitStack) -> Clock:
    if file.simulator is None:
        return WallClock()
    control = Link.open("control", file.simulator.control, manager, _nobody)
    stack.callback(control.close)
    return BenchClock(control)


def _opened(
    file: Bench,
    manager: ResourceManager,
    stack: ExitStack,
    report: SafeReport,
    tell: Callable[[str], None],
) -> dict[str, Instrument]:
    """Those that answer, generators first; the others are reported."""
    drivers = {key: load_driver(driver_path(file, key)) for key in file.instrument}
    order = sorted(file.instrument, key=lambda key: drivers[key].role == "supply")
    opened: dict[str, Instrument] = {}
    links: dict[str, Link] = {}  # two roles of one instrument share its link
    for key in order:
        if drivers[key].role not in ("supply", "generator", "switch"):
            continue  # nothing to switch off
        if is_sound(file.instrument[key].resource):
            continue  # it plays only while a run of this computer sends it something
        if file.instrument[key].by_hand:
            report.unconfirmed.append(
                f"{key}: by hand; said, not confirmed: switch its outputs off now"
            )
            continue
        tell(f"{key}: {file.instrument[key].resource}")
        try:
            entry = file.instrument[key]
            shared = links.get(entry.resource.upper())
            instrument: Any = open_instrument(key, entry, drivers[key], manager, _nobody, shared)
            links[entry.resource.upper()] = instrument.link
        except FileError:
            raise
        except SeqrunError as error:
            report.unconfirmed.append(f"{key}: cannot be reached ({error.found})")
            continue
        stack.callback(instrument.close)
        opened[key] = instrument
    return opened


def _nobody(_instrument: str, _direction: str, _text: str) -> None:
    """Nobody listens to the messages."""
