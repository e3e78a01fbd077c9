"""Opening a bench: resources through PyVISA, the clock, and the hands of a simulated one.

This is the only place that knows that a bench can be called ``demo``.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from uncertainties import UFloat

from seqrun.errors import (
    FileError,
    InstrumentRefused,
    NotMeasured,
    SeqrunError,
    UsageError,
    WrongInstrument,
)
from seqrun.files.bench.file import Bench
from seqrun.files.bench.load import bench_from_text, check_bench, driver_path, load_bench
from seqrun.files.bench.parts import InstrumentEntry as Entry
from seqrun.files.driver.file import Driver
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import Unit, load_unit
from seqrun.instruments.base import DrivenInstrument
from seqrun.instruments.by_hand import ByHand, by_hand
from seqrun.instruments.combined import together
from seqrun.instruments.desk import Desk, Question, Setting, Typed
from seqrun.instruments.link import Link, MessageLog
from seqrun.instruments.opening import open_instrument
from seqrun.instruments.roles import Clock, Instrument
from seqrun.instruments.screen import on_screen
from seqrun.instruments.sound import SoundGenerator, SoundRole, SoundScope
from seqrun.instruments.sound_stream import Stream, is_sound, open_card
from seqrun.plan.needs import Hookup, Leads
from seqrun.plan.sound import as_levelled
from seqrun.plan.view import BenchView
from seqrun.runner.presses import Presses, no_presses

DEMO = "demo"
DEMO_UNIT = "demo-2x40"
VIRTUAL_HAND_S = 2.0  # s of bench time that virtual hands take for a lead or a knob
#: what the identity of a virtual instrument contains, whatever the bench file says of it
SIMULATED_MARK = "SIMULATED"


class WallClock:
    """Bench time is wall time."""

    virtual = False

    def __init__(self) -> None:
        self._start = time.monotonic()
        self._wake = threading.Event()

    def now(self) -> float:
        return time.monotonic() - self._start

    def wait(self, seconds: float) -> float:
        self._wake.wait(seconds)
        return self.now()

    def wake(self) -> None:
        """End the present wait and all later ones at once, until :meth:`calm`."""
        self._wake.set()

    def calm(self) -> None:
        """Waits take their time again: discharging cannot be hurried."""
        self._wake.clear()


class BenchClock:
    """The clock of a simulated bench, over its control resource."""

    def __init__(self, control: Link) -> None:
        self._control = control
        self._virtual = control.query("CLOC:VIRT?").strip() in ("1", "ON")
        self._zero = float(control.query("CLOC:NOW?"))

    @property
    def virtual(self) -> bool:
        return self._virtual

    def now(self) -> float:
        return float(self._control.query("CLOC:NOW?")) - self._zero

    def wait(self, seconds: float) -> float:
        # A bench served in real time answers only when the time has passed.
        answer = self._control.query(
            f"CLOC:WAIT {max(seconds, 0.0):.6g};:CLOC:NOW?", time_out_s=seconds + 10.0
        )
        return float(answer) - self._zero


#: bench time that hands take to look at a panel until it stands still
READING_S = 3.0


class VirtualHands:
    """The hands of a simulated bench, over its control resource."""

    by = "virtual hands"
    looks = False

    def __init__(
        self, control: Link, open_panel: Callable[[str], DrivenInstrument] | None = None
    ) -> None:
        self._control = control
        self._open_panel = open_panel
        self._panels: dict[str, DrivenInstrument] = {}

    def connect(self, hookup: Hookup, live: bool) -> None:
        for terminal, node in hookup.leads:
            self._control.write(f'HAND:CONN "{terminal}","{node}"')

    def disconnect(self, terminal: str, words: str, live: bool) -> None:
        self._control.write(f'HAND:DISC "{terminal}"')

    def turn(self, control: str, position: str, live: bool, words: str = "") -> None:
        try:
            self._control.write(f'HAND:SETT "{control}","{position}"')
        except InstrumentRefused as refusal:
            raise NotMeasured(
                f"the simulated unit has no '{control}' that could be set to '{position}'",
                expected="a control and a position that the unit has",
            ) from refusal

    def acknowledge(self, text: str, done: str = "done", leads: Leads = ()) -> None:
        """Virtual hands do not burn."""

    def again(self, text: str) -> bool:
        return False

    def see_on(self, text: str, leads: Leads) -> bool:
        return all(
            self._control.query(f'HAND:NODE? "{terminal}"').strip('"') == node
            for terminal, node in leads
        )

    def presses(self) -> AbstractContextManager[Presses]:
        return no_presses()

    def set_by_hand(self, setting: Setting) -> None:
        getattr(self._panel(setting.instrument), setting.call)(*setting.args)

    def read_by_hand(self, question: Question) -> Typed:
        if not question.call:
            raise NotMeasured(
                f"virtual hands have no eyes: {question.words}",
                expected="somebody who looks, as in a rehearsal (--rehearse)",
            )
        panel = self._panel(question.instrument)
        for call, args in question.before:
            getattr(panel, call)(*args)
        self._control.write(f"CLOC:WAIT {READING_S:g}")  # until it stands still
        if question.call == "on_screen":
            return Typed(float(on_screen(panel, *question.args).nominal_value))
        value = getattr(panel, question.call)(*question.args)
        return Typed(float(value.nominal_value if isinstance(value, UFloat) else value))

    def urge(self, setting: Setting) -> None:
        with suppress(SeqrunError):  # the report of the safe state says that it is not confirmed
            self.set_by_hand(setting)

    def _panel(self, key: str) -> Any:
        """The front panel of a virtual instrument, opened when it is first used."""
        if key not in self._panels:
            if self._open_panel is None:
                raise NotMeasured(
                    f"virtual hands find no panel of '{key}'", expected="[simulator.panel]"
                )
            self._panels[key] = self._open_panel(key)
        return self._panels[key]


@dataclass
class BenchFiles:
    """A bench before it is opened: its file, the unit on it, its drivers."""

    view: BenchView
    demo: Any = None  # the simulated bench's world, when it lives in this process

    @property
    def simulated(self) -> bool:
        return self.demo is not None or self.view.bench.simulator is not None


@dataclass
class OpenBench:
    """A bench whose instruments answered and are the ones named."""

    view: BenchView
    instruments: dict[str, Instrument]
    clock: Clock
    simulated: bool
    control: Link | None = None
    desk: Desk = field(default_factory=Desk)
    open_panel: Callable[[str], DrivenInstrument] | None = None
    closers: list[Callable[[], None]] = field(default_factory=list)
    driven: list[DrivenInstrument | ByHand | SoundRole] = field(default_factory=list)

    @property
    def by_key(self) -> dict[str, DrivenInstrument | ByHand | SoundRole]:
        """Each instrument by itself, also where several play one role."""
        return {instrument.name: instrument for instrument in self.driven}

    def listen(self, log: MessageLog) -> None:
        """From now on all messages go to another log."""
        if self.control is not None:
            self.control.listen(log)
        for instrument in self.driven:
            instrument.listen(log)

    def close(self) -> None:
        for close in reversed(self.closers):
            close()
        self.closers.clear()


def read_bench(
    bench: str | None,
    unit: str | None,
    *,
    sequence_unit: str | None = None,
    faults: Sequence[str] = (),
    seed: int = 1,
) -> BenchFiles:
    """Read the bench file, the unit sheet and the drivers; nothing is opened.

    Args:
        bench: path of a bench file, ``demo``, or ``demo:VARIANT,…``; never a fall-back.
        unit: name or path of a unit sheet; else the one that the bench, then the sequence names.
        faults: faults to put into the demo's unit; refused on any other bench.

    Raises:
        UsageError: no bench named, faults on a bench that is not the demo, no unit named.
        FileError: a file is missing or wrong.
    """
    if bench is None:
        raise UsageError(
            "no bench is named",
            expected="--bench FILE, the file that names your instruments",
            hint="write one ('seqrun schema bench' describes it, 'seqrun bench serve' prints one "
            "to start from), or try everything on the simulated bench with --bench demo",
        )
    if bench == DEMO or bench.startswith(f"{DEMO}:"):
        import demo_sim

        variants = [name.strip() for name in bench.partition(":")[2].split(",") if name.strip()]

        sheet = load_unit(unit or sequence_unit or DEMO_UNIT)
        try:
            demo = demo_sim.open_bench(
                sheet.plain(), faults=tuple(faults), seed=seed, variants=variants
            )
        except demo_sim.DemoError as error:
            raise UsageError(
                str(error),
                where="--bench or --fault",
                hint="'seqrun faults' lists faults and benches",
            ) from None
        file = bench_from_text(demo.bench_toml(), "demo bench")
        return BenchFiles(_view(file, sheet), demo)
    if faults:
        raise UsageError(
            "--fault puts a fault into the simulated unit",
            expected="--bench demo with it, or no --fault",
            where=bench,
        )
    path = Path(bench)
    if not path.is_file():
        raise FileError(
            "there is no such bench file",
            expected="the path of a bench file (TOML), or demo",
            where=bench,
            hint="'seqrun schema bench' describes the file",
        )
    file = load_bench(path)
    name = unit or file.unit or sequence_unit
    if not name:
        raise UsageError(
            "no unit sheet is named",
            expected='--unit SHEET, or unit = "…" in the bench file',
            where=bench,
        )
    beside = path if not unit and file.unit else None
    return BenchFiles(_view(file, load_unit(name, beside)))


def _view(file: Bench, sheet: Unit) -> BenchView:
    check_bench(file, sheet)
    drivers: dict[str, Driver] = {}
    for key in file.instrument:
        driver = load_driver(driver_path(file, key))
        # Set and read by hand it can do what hands can, whatever its commands are.
        by_hand = file.instrument[key].by_hand
        drivers[key] = driver.changed(remote=False) if by_hand else driver
    return BenchView(file, sheet, as_levelled(file, drivers))


def open_bench(files: BenchFiles, log: MessageLog) -> OpenBench:
    """Open every instrument and see that it is the one named. Nothing is switched on.

    Raises:
        InstrumentSilent, WrongInstrument, InstrumentRefused: with key and resource.
    """
    import pyvisa

    view = files.view
    closers: list[Callable[[], None]] = []
    if files.demo is not None:
        manager = pyvisa.ResourceManager(files.demo.visa_library)
    else:
        manager = visa_manager(view.bench.visa)
    closers.append(manager.close)
    control: Link | None = None
    try:
        if view.bench.simulator is not None:
            control = Link.open("control", view.bench.simulator.control, manager, log)
            closers.append(control.close)
        instruments: dict[str, Instrument] = {}
        driven: list[DrivenInstrument | ByHand | SoundRole] = []
        streams: dict[str, Stream] = {}  # two roles of one sound interface share its stream
        desk = Desk()
        links: dict[str, Link] = {}  # two roles of one instrument share its link
        for key, entry in view.bench.instrument.items():
            if entry.by_hand:
                hand = by_hand(key, view.drivers[key], desk, entry.label)
                instruments[key] = hand
                driven.append(hand)
                continue
            if is_sound(entry.resource):
                where = entry.resource.lower()
                if where not in streams:
                    streams[where] = _open_stream(files, key)
                    closers.append(streams[where].close)
                role = _sound_role(view, key, streams[where])
                instruments[key] = role
                driven.append(role)
                continue
            shared = links.get(entry.resource.upper())
            instrument = open_instrument(
                key, entry, view.drivers[key], manager, log, shared, view.bench.dirt
            )
            links[entry.resource.upper()] = instrument.link
            instruments[key] = instrument
            driven.append(instrument)
            closers.append(instrument.close)
        instruments = together(instruments)
        if control is not None:
            _all_simulated(view, instruments)
        clock: Clock = WallClock() if control is None else BenchClock(control)
    except BaseException:
        for close in reversed(closers):
            close()
        raise

    def open_panel(key: str) -> DrivenInstrument:
        """The virtual instrument behind one by hand."""
        assert view.bench.simulator is not None
        panel = view.bench.simulator.panel[key]
        said = view.bench.instrument[key].model_dump(include={"probe"})
        entry = Entry.model_validate({"resource": panel.resource, "driver": panel.driver, **said})
        driver = load_driver(find("driver", panel.driver, None))
        opened = open_instrument(key, entry, driver, manager, log, dirt=view.bench.dirt)
        closers.append(opened.close)
        return opened

    simulated = files.simulated or any(map(_is_simulated, instruments.values()))
    return OpenBench(
        view, instruments, clock, simulated, control, desk, open_panel, closers, driven
    )


def _open_stream(files: BenchFiles, key: str) -> Stream:
    """The stream of a sound interface: of this computer, or of the simulated bench."""
    view = files.view
    resource = view.bench.instrument[key].resource
    if files.demo is not None:
        stream: Stream = files.demo.sound
        return stream
    rate = view.drivers[key].sound
    assert rate is not None, "bench files are checked when they are read"
    same = [
        view.drivers[other]
        for other, entry in view.bench.instrument.items()
        if entry.resource.lower() == resource.lower()
    ]
    inputs = max(driver.channels for driver in same)
    outputs = max(driver.outputs for driver in same)
    return open_card(resource, rate, inputs, outputs)


def _sound_role(view: BenchView, key: str, stream: Stream) -> SoundRole:
    driver, entry, bench = view.drivers[key], view.bench.instrument[key], view.bench
    if driver.role == "generator":
        return SoundGenerator(key, driver, stream, bench.sound)
    return SoundScope(key, driver, stream, bench.sound, entry.probe, bench.dirt.probe_ratio)


def visa_manager(library: str = "") -> Any:
    """A PyVISA resource manager: of the library that the bench file names, else that of
    ``PYVISA_LIBRARY``, else PyVISA-py.

    Raises:
        UsageError: the library cannot be loaded.
    """
    import os

    import pyvisa

    chosen = library or os.environ.get("PYVISA_LIBRARY", "") or "@py"
    try:
        return pyvisa.ResourceManager(chosen)
    except Exception as problem:  # libraries raise what they like
        raise UsageError(
            f"the VISA library '{chosen}' cannot be loaded: {problem}",
            expected='"@py", or the path of a maker\'s library',
            where="visa in the bench file" if library else "PYVISA_LIBRARY",
            hint='take it out, or write visa = "@py" for the library that comes with seqrun',
        ) from problem


def _is_simulated(instrument: Instrument) -> bool:
    return SIMULATED_MARK in instrument.identity.upper()


def _all_simulated(view: BenchView, instruments: Mapping[str, Instrument]) -> None:
    """A real instrument must not follow a simulated bench's clock and hands: its unit would be
    powered with nobody asked, and heated for minutes that pass in a moment.

    Raises:
        WrongInstrument: names the first one that is real.
    """
    for key, instrument in instruments.items():
        if view.bench.instrument[key].by_hand:
            continue
        if not _is_simulated(instrument):
            raise WrongInstrument(
                f"'{instrument.identity}' is a real instrument, and the bench file has a "
                "[simulator]",
                expected="real instruments alone, or those of the simulated bench alone",
                where=f"{key}, {view.bench.instrument[key].resource}",
                hint="take [simulator] out of the bench file of a real bench",
            )
