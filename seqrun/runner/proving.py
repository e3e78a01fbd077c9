"""``seqrun bench test``: is each instrument the one named, and does its driver say what it does?"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from seqrun.errors import SeqrunError, UsageError
from seqrun.files.bench.file import Bench
from seqrun.files.bench.load import driver_path, load_bench
from seqrun.files.driver.file import Driver
from seqrun.files.driver.load import load_driver
from seqrun.files.writing import quoted, remark
from seqrun.instruments.base import DrivenInstrument
from seqrun.instruments.link import Link
from seqrun.instruments.opening import identify, open_instrument, open_link
from seqrun.instruments.selfcheck import (
    SMALL_A,
    SMALL_V,
    TONE_HZ,
    TONE_V,
    Check,
    Tap,
    Trial,
    handshake,
    safe_afterwards,
    self_check,
)
from seqrun.instruments.sound_stream import is_sound
from seqrun.measure.sinefit import fit_sine_4
from seqrun.quantity import render
from seqrun.runner.marker import unused
from seqrun.runner.opening import DEMO, visa_manager
from seqrun.values import COVERAGE_FACTOR

#: two readings this near each other are of something that holds still
STILL, STILL_WITHIN_S = 1e-3, 10.0
#: readings that scatter more than this share of themselves agree with anything
USEFUL = 0.1

NOTHING_CONNECTED = (
    "The self-check sets each thing that the drivers claim, outputs too: up to 2 V, 0.1 A and "
    "0.2 V of tone. Nothing may be connected to any output or input."
)


BY_HAND = "nothing is sent to it: you set it and read it, and {figures}"


@dataclass
class Proof:
    """What a test of a bench came to."""

    checks: list[Check] = field(default_factory=list)
    declined: bool = False  # the self-check was not done

    @property
    def tried(self) -> int:
        """How many checks were made; what was left out is none."""
        return sum(check.ok is not None for check in self.checks)

    @property
    def good(self) -> bool:
        """All that was to be tried was tried, and nothing failed."""
        return not self.declined and all(check.ok is not False for check in self.checks)


def prove(
    path: str,
    tell: Callable[[Check], None],
    allowed: Callable[[str], bool],
    connected: Callable[[str], bool],
) -> Proof:
    """Handshake with every instrument, then the self-check, then those that check each other.

    Args:
        path: of the bench file.
        tell: gets each check as it is done.
        allowed: asked once before anything is set; without it the handshake is all.
        connected: asked to make a connection between two instruments; False leaves it out.

    Raises:
        FileError, UsageError: the bench file, or a driver file, is wrong; a run is using one of the
            instruments, or has left it on.
    """
    if path == DEMO:
        raise UsageError(
            "the demo bench needs no proof",
            expected="a bench file; 'seqrun bench serve --file bench.toml' writes one to try",
        )
    bench = load_bench(path)
    drivers = {key: load_driver(driver_path(bench, key)) for key in bench.instrument}
    with unused(bench, path):
        return _proof(bench, drivers, tell, allowed, connected)


def _proof(
    bench: Bench,
    drivers: dict[str, Driver],
    tell: Callable[[Check], None],
    allowed: Callable[[str], bool],
    connected: Callable[[str], bool],
) -> Proof:
    proof, taps = Proof(), {key: Tap() for key in bench.instrument}
    manager = visa_manager(bench.visa)
    try:
        for key, entry in bench.instrument.items():
            if entry.by_hand:
                _keep(proof, [Check(key, "by hand", (), (), _by_hand(drivers[key]), None)], tell)
            else:
                _keep(proof, _greet(key, bench, drivers[key], manager, taps[key]), tell)
        if all(entry.by_hand for entry in bench.instrument.values()):
            return proof
        if any(check.ok is False for check in proof.checks):
            return proof
        if not allowed(NOTHING_CONNECTED):
            proof.declined = True
            return proof
        with _opened(bench, drivers, manager, taps) as instruments:
            for key, instrument in instruments.items():
                _keep(proof, self_check(instrument, taps[key]), tell)
            for check in _each_other(instruments, taps, connected):
                _keep(proof, check, tell)
    finally:
        manager.close()
    return proof


def _by_hand(driver: Driver) -> str:
    figures = "its figures were read in a data sheet" if driver.verified else (
        "its figures are unverified until you have compared them with its data sheet"
    )  # fmt: skip
    return BY_HAND.format(figures=figures)


def _keep(proof: Proof, checks: list[Check], tell: Callable[[Check], None]) -> None:
    for check in checks:
        proof.checks.append(check)
        tell(check)


def _greet(key: str, bench: Bench, driver: Driver, manager: Any, tap: Tap) -> list[Check]:
    """Identity, error queue and state: nothing is set, not even what ``prepare`` sets."""
    trial = Trial(key, tap)
    entry = bench.instrument[key]

    def who() -> str:
        link = open_link(key, entry, driver, manager, tap)
        links.append(link)
        identify(link, entry, driver)
        return link.identity or f"{entry.label} (by its label; it answers nothing)"

    links: list[Link] = []
    try:
        trial.do("identity", bool, who)
        if trial.checks[-1].ok:
            trial.checks += handshake(key, driver, links[0], tap)
    finally:
        for link in links:
            link.close()
    return trial.checks


@contextmanager
def _opened(
    bench: Bench, drivers: dict[str, Driver], manager: Any, taps: dict[str, Tap]
) -> Iterator[dict[str, DrivenInstrument]]:
    found: dict[str, DrivenInstrument] = {}
    links: dict[str, Link] = {}
    try:
        for key, entry in bench.instrument.items():
            if entry.by_hand or is_sound(entry.resource):
                continue
            where = entry.resource.upper()
            found[key] = open_instrument(
                key, entry, drivers[key], manager, taps[key], links.get(where)
            )
            links[where] = found[key].link
        yield found
    finally:
        for instrument in reversed(found.values()):
            instrument.close()


# --- two that check each other -------------------------------------------------------------------


def _each_other(
    instruments: dict[str, DrivenInstrument],
    taps: dict[str, Tap],
    connected: Callable[[str], bool],
) -> Iterator[list[Check]]:
    """Supplies into a meter, generators into a scope: each output by itself."""
    roles: dict[str, list[Any]] = {}
    for instrument in instruments.values():
        roles.setdefault(instrument.driver.role, []).append(instrument)
    for supply in roles.get("supply", ()):
        for meter in roles.get("meter", ())[:1]:
            if not meter.driver.can("configure_dc_voltage"):
                continue
            for n in range(1, supply.outputs + 1):
                words = f"{meter.name}: HI to {supply.name} output {n} +, LO to its -"
                do = partial(supply_into_meter, supply, n, meter, taps[supply.name])
                yield _pair(connected, words, supply.name, do)
    for generator in roles.get("generator", ()):
        for scope in roles.get("scope", ())[:1]:
            for n in range(1, generator.outputs + 1):
                words = f"{scope.name}: probe 1 on {generator.name} output {n}, clip on its shell"
                do = partial(generator_into_scope, generator, n, scope, 1, taps[generator.name])
                yield _pair(connected, words, generator.name, do)


def _pair(
    connected: Callable[[str], bool], words: str, name: str, do: Callable[[], list[Check]]
) -> list[Check]:
    if not connected(words):
        return [Check(name, words, (), (), "left out: not connected", None)]
    return do()


def _agree(trial: Trial, label: str, compare: Callable[[], tuple[Any, Any]], unit: str) -> None:
    """The difference of two instruments' readings of one thing, in units of U."""
    trial.tap.take()
    try:
        mine, its = compare()
    except SeqrunError as problem:
        trial.note(label, problem.found, False)
        return
    difference = mine - its
    expanded = COVERAGE_FACTOR * difference.std_dev
    ratio = abs(difference.nominal_value) / expanded if expanded > 0.0 else math.inf
    values = " and ".join(render(v.nominal_value, unit, digits=6) for v in (mine, its))
    if expanded > USEFUL * max(abs(mine.nominal_value), abs(its.nominal_value)):
        within = render(expanded, unit, digits=2)
        trial.note(label, f"{values}: with U = {within} neither can check the other", False)
        return
    trial.note(label, f"{values}, apart by {ratio:.2f} U", ratio <= 1.0)


def _still(read: Callable[[], float]) -> None:
    """Wait until a reading no longer moves: what hangs on a supply has to be charged first."""
    give_up = time.monotonic() + STILL_WITHIN_S
    last = read()
    while time.monotonic() < give_up:
        now = read()
        if abs(now - last) <= STILL * abs(now):
            return
        last = now


def supply_into_meter(supply: Any, output: int, meter: Any, tap: Tap) -> list[Check]:
    """The meter across an output of the supply: both read its voltage."""
    trial = Trial(supply.name, tap)

    def compare() -> tuple[Any, Any]:
        supply.set_current_limit(output, SMALL_A)
        supply.set_voltage(output, SMALL_V)
        supply.enable(True)
        meter.configure("dc_voltage", 1.2 * SMALL_V, 10.0)
        _still(meter.read_raw)
        value = meter.read(3)
        return supply.voltage(output), value if value.nominal_value >= 0.0 else -value

    with safe_afterwards(supply, trial):
        _agree(trial, f"output {output} into {meter.name}", compare, "V")
    return trial.checks


def generator_into_scope(
    generator: Any, output: int, scope: Any, channel: int, tap: Tap
) -> list[Check]:
    """A scope probe on an output of the generator: the set amplitude against the captured one."""
    trial = Trial(generator.name, tap)

    def compare() -> tuple[Any, Any]:
        generator.sine(output, TONE_HZ, TONE_V)
        generator.enable(output, True)
        got = scope.acquire(
            {channel: 2.0 * TONE_V},
            sample_rate_hz=scope.sample_rate_near(100.0 * TONE_HZ),
            points=min(10_000, scope.max_points),
            coupling="AC",
        )
        fit = fit_sine_4(
            got.volts[channel], 1.0 / got.dt_s, TONE_HZ,
            gain=got.gain[channel], offset=got.offset_v[channel], clipped=got.clipped[channel],
        )  # fmt: skip
        return generator.amplitude(output), fit.rms

    with safe_afterwards(generator, trial):
        _agree(trial, f"output {output} into {scope.name} channel {channel}", compare, "V")
    return trial.checks


def bench_file(
    found: list[tuple[str, str, str, str]], unnamed: frozenset[str] = frozenset()
) -> str:
    """The text of a bench file from what a search found.

    Args:
        found: key, resource, driver and identity of each instrument.
        unnamed: keys of those whose answer only fits the type.
    """
    lines = [
        "# Written by 'seqrun bench find'. What only a person knows is marked FILL IN.",
        'name = "My bench"               # FILL IN',
        '# unit = "my-unit.toml"         # FILL IN: the sheet of the unit on this bench',
        "",
    ]
    for key, resource, driver, identity in found:
        lines += [
            f"# answers: {remark(identity)}",
            f"[instrument.{key}]",
            f"resource = {quoted(resource)}",
            f"driver = {quoted(driver)}"
            if driver
            else 'driver = "FILL-IN.toml"    # FILL IN: no driver here fits; see drivers/README.md',
            *(
                ['# label = "model, serial"       # FILL IN: its answer names no one']
                if key in unnamed
                else []
            ),
            "# calibrated = 2026-01-31       # FILL IN, or accepts do not release",
            "# calibration_due = 2027-01-31  # FILL IN",
            "",
        ]
    lines += [
        "# An instrument without an interface is set and read by you:",
        "# [instrument.meter]",
        '# resource = "by hand"',
        '# driver = "handheld-meter"     # FILL IN: its template, or a copy with your own figures',
        "",
        "# FILL IN: each lead that stays where it is, each load as measured, each sensor.",
        "# [[lead]]",
        '# from = "supply.1.pos"',
        '# to = "rail.pos"',
        "# [[load]]",
        '# name = "left"',
        '# point = "out.left"',
        '# resistance = "8.02 Ω"',
        '# tolerance = "0.5 %"',
        '# power = "100 W"',
        "# [[sensor]]",
        '# name = "sink"',
        '# point = "sensor.sink"',
        '# kind = "Pt100"',
        "",
    ]
    return "\n".join(lines)
