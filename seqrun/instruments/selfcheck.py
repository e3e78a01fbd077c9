"""Each operation of a driver tried on its instrument: what was sent, what came back, what it was
taken for.

First what only reads; then, with nothing connected and the operator's word, what sets.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Any

from uncertainties import UFloat

from seqrun.errors import NoResult, SeqrunError
from seqrun.files.driver.file import Driver
from seqrun.instruments.base import DrivenInstrument
from seqrun.instruments.interpreter import Operations
from seqrun.instruments.link import Link
from seqrun.instruments.switch import DrivenSwitch, words_of
from seqrun.quantity import render

SMALL_V, SMALL_A, PROTECT_V, PROTECT_A = 2.0, 0.1, 5.0, 0.5
READ_BACK = 0.05  # how far a level read back may lie from the one set
ARRIVED, RISE_S = 0.1, 3.0  # how near an output comes, and how long it may take
TONE_HZ, TONE_V = 1000.0, 0.1
#: what becomes of a command that is neither acknowledged nor looked up in an error queue
SENT_ONLY = "sent; nothing comes back that would tell"


@dataclass(frozen=True, slots=True)
class Check:
    """One operation tried. ``ok`` None: not tried, and ``taken`` says why; ``hint`` is what to do
    next about one that failed."""

    instrument: str
    operation: str
    sent: tuple[str, ...]
    came: tuple[str, ...]
    taken: str
    ok: bool | None
    hint: str = ""

    @property
    def only_sent(self) -> bool:
        """Whether the instrument said nothing to it, so that a person has to see it done."""
        return self.ok is True and self.taken == SENT_ONLY


class Tap:
    """Listens to a link, so that each check can show its messages."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, str]] = []

    def __call__(self, _instrument: str, direction: str, text: str) -> None:
        self.lines.append((direction, text))

    @property
    def heard(self) -> bool:
        """Whether anything came since the last time."""
        return any(way == "<" for way, _ in self.lines)

    def take(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """What was sent and what came since the last time."""
        lines, self.lines = self.lines, []
        return (
            tuple(text for way, text in lines if way == ">"),
            tuple(text for way, text in lines if way == "<"),
        )


class Trial:
    """Tries operations one by one and keeps what came of each."""

    def __init__(self, name: str, tap: Tap) -> None:
        self.name, self.tap = name, tap
        self.checks: list[Check] = []

    def do(
        self, operation: str, good: Callable[[Any], bool], what: Callable[..., Any], *values: Any
    ) -> Any:
        """Try one with its values; its result, or None when it failed."""
        self.tap.take()
        try:
            result = what(*values)
        except SeqrunError as problem:
            self.note(operation, problem.found, False, problem.hint or "")
            return None
        done = "done" if self.tap.heard else SENT_ONLY
        shown = done if result is None else _shown(result)
        self.note(operation, shown, bool(good(result)))
        return result

    def may_have_none(self, operation: str, what: Callable[[], Any]) -> None:
        """Try one for which "overload" or "no edge" is a right answer too."""
        self.tap.take()
        try:
            self.note(operation, _shown(what()), True)
        except NoResult as reason:
            self.note(operation, f"not measured: {reason.found}", True)
        except SeqrunError as problem:
            self.note(operation, problem.found, False, problem.hint or "")

    def left_out(self, operation: str, why: str) -> None:
        self.checks.append(Check(self.name, operation, (), (), why, None))

    def note(self, operation: str, taken: str, ok: bool, hint: str = "") -> None:
        sent, came = self.tap.take()
        self.checks.append(Check(self.name, operation, sent, came, taken, ok, hint))


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.6g}"
    return str(value)


def handshake(name: str, driver: Driver, link: Link, tap: Tap) -> list[Check]:
    """What only reads: the error queue and the state, of an instrument that was identified."""
    trial = Trial(name, tap)
    ops = Operations(driver, link)
    if "go_remote" in ops:
        trial.do("go_remote", _any, ops["go_remote"])
    if link.manners.error_check == "none":
        trial.left_out("error queue", "this instrument has none")
    else:
        trial.do("error queue", _any, lambda: "; ".join(link.errors()) or "empty")
    _state(trial, driver, ops)
    if "release" in ops:
        trial.do("release", _any, ops["release"])
    return trial.checks


def _state(trial: Trial, driver: Driver, ops: Operations) -> None:
    outputs = range(1, driver.outputs + 1)
    if driver.role == "supply":
        for n in outputs:
            trial.do(f"voltage {n}", _finite, partial(ops["voltage"].number, output=n))
            trial.do(f"current {n}", _finite, partial(ops["current"].number, output=n))
    for what in ("enabled", "protection_tripped", "constant_current"):
        if what not in ops:
            continue
        call = ops[what]
        if "output" not in call.names:
            trial.do(what, _any, call.boolean)
            continue
        for n in outputs:
            trial.do(f"{what} {n}", _any, partial(call.boolean, output=n))


def self_check(instrument: DrivenInstrument, tap: Tap) -> list[Check]:
    """Each operation that the driver claims, with nothing connected. Ends with outputs off."""
    trial = Trial(instrument.name, tap)
    with safe_afterwards(instrument, trial):
        _BY_ROLE[instrument.driver.role](trial, instrument)
    return trial.checks


@contextmanager
def safe_afterwards(instrument: DrivenInstrument, trial: Trial) -> Iterator[None]:
    """Outputs off, whatever happened."""
    try:
        yield
    finally:
        if "make_safe" in instrument.driver.operation:
            trial.do("make_safe", _any, instrument.make_safe)


def _any(_result: Any) -> bool:
    return True


def _done(result: Any) -> bool:
    return result is None


def _off(state: Any) -> bool:
    return state is False


def _finite(value: Any) -> bool:
    return isinstance(value, float) and math.isfinite(value)


def _near(wanted: float, share: float = READ_BACK) -> Callable[[Any], bool]:
    return lambda found: abs(_plain(found) - wanted) <= share * wanted


def _plain(value: Any) -> float:
    """A measured number without its uncertainty."""
    return float(value.nominal_value if isinstance(value, UFloat) else value)


def _little(amperes: Any) -> bool:
    return abs(_plain(amperes)) < SMALL_A


def _risen(supply: Any, output: int) -> Any:
    """The voltage of an output that was just switched on: some take a moment."""
    near, pause = _near(SMALL_V, ARRIVED), threading.Event()
    give_up = time.monotonic() + RISE_S
    while not near(found := supply.voltage(output)) and time.monotonic() < give_up:
        pause.wait(0.05)
    return found


_ABSENT = "absent, as the driver file says"


def _supply(trial: Trial, supply: Any) -> None:
    outputs = range(1, supply.outputs + 1)
    for n in outputs:
        trial.do(f"set_current_limit {n}", _done, supply.set_current_limit, n, SMALL_A)
        _protection(trial, supply, n)
        trial.do(f"set_voltage {n}", _done, supply.set_voltage, n, SMALL_V)
    trial.do("enable on", _done, supply.enable, True)
    if not supply.has("enabled"):
        trial.left_out("enabled", _ABSENT)
    for n in outputs:
        if supply.has("enabled"):
            trial.do(f"enabled {n}", bool, supply.enabled, n)
        trial.do(f"voltage {n}", _near(SMALL_V, ARRIVED), _risen, supply, n)
        trial.do(f"current {n}", _little, supply.current, n)
        for what in ("constant_current", "protection_tripped"):
            if supply.has(what):
                trial.do(f"{what} {n}", _off, getattr(supply, what), n)
            else:
                trial.left_out(f"{what} {n}", _ABSENT)
    trial.do("enable off", _done, supply.enable, False)
    if supply.has("enabled"):
        trial.do("enabled", _off, supply.enabled)


def _protection(trial: Trial, supply: Any, n: int) -> None:
    guard = supply.protection(n)
    voltage, current = f"over_voltage_protection {n}", f"over_current_protection {n}"
    if guard.over_voltage == "level":
        trial.do(f"set_{voltage}", _done, supply.set_over_voltage_protection, n, PROTECT_V)
        trial.do(voltage, _near(PROTECT_V), supply.over_voltage_protection, n)
    else:
        trial.left_out(voltage, _ABSENT)
    if guard.over_current == "none":
        trial.left_out(current, _ABSENT)
        return
    trial.do(f"set_{current}", _done, supply.set_over_current_protection, n, PROTECT_A)
    if guard.over_current == "level":
        trial.do(current, _near(PROTECT_A), supply.over_current_protection, n)
    else:
        trial.do(f"{current}, at the limit", bool, supply.over_current_on, n)


def _meter(trial: Trial, meter: Any) -> None:
    for name in meter.driver.operation:
        if not name.startswith("configure_"):
            continue
        function = name.removeprefix("configure_")
        row = meter.driver.rows[function][0]
        if row.unknown:
            trial.left_out(name, "its accuracy is not known, so that no step uses it")
            continue
        trial.do(name, _done, meter.configure, function, row.range, 1.0)
        if not trial.checks[-1].ok:
            continue  # what it would read now is of the function before
        trial.may_have_none(f"read, {function}", lambda: meter.read(1))
        if "read_many" in meter.driver.operation:
            trial.may_have_none(f"read_many, {function}", lambda: meter.read(3))
            trial.may_have_none(f"read after read_many, {function}", meter.read_raw)


def _generator(trial: Trial, generator: Any) -> None:
    has = generator.driver.operation
    for n in range(1, generator.outputs + 1):
        trial.do(f"sine {n}", _done, generator.sine, n, TONE_HZ, TONE_V)
        trial.do(f"enable {n} on", _done, generator.enable, n, True)
        if "enabled" in has:
            trial.do(f"enabled {n}", bool, generator.enabled, n)
        if "level" in has:
            trial.do(f"level {n}", _done, generator.sine, n, TONE_HZ, 2.0 * TONE_V)
        trial.do(f"no signal {n}", _done, generator.sine, n, TONE_HZ, 0.0)
        if "square" in has:
            trial.do(f"square {n}", _done, generator.square, n, TONE_HZ, TONE_V)
        if "two_tone" in has:
            tones = (60.0, TONE_V, 7000.0, TONE_V / 4.0)
            trial.do(f"two_tone {n}", _done, generator.two_tone, n, *tones)
        if "burst" in has:
            trial.do(f"burst {n}", _done, generator.burst, n, TONE_HZ, TONE_V, 10, 0.1)
        trial.do(f"enable {n} off", _done, generator.enable, n, False)
        if "enabled" in has:
            trial.do(f"enabled {n}", _off, generator.enabled, n)


def _scope(trial: Trial, scope: Any) -> None:
    points = min(1000, scope.max_points)
    rate = scope.sample_rate_near(1e6)

    def shot(channel: int, **how: Any) -> str:
        got = scope.acquire({channel: 0.5}, sample_rate_hz=rate, points=points, **how)
        volts = got.volts[channel]
        return (
            f"{len(volts)} samples every {render(got.dt_s, 's')}, "
            f"{volts.min():.3g} V to {volts.max():.3g} V"
        )

    for n in range(1, scope.channels + 1):
        trial.do(f"acquire, channel {n}", bool, shot, n)
    trial.do("acquire, AC", bool, partial(shot, 1, coupling="AC"))
    if "average" in scope.driver.operation:
        trial.do("average", bool, partial(shot, 1, averages=4))
    if "high_resolution" in scope.driver.operation:
        trial.do("high_resolution", bool, partial(shot, 1, high_resolution=True))
    trial.may_have_none("trigger", partial(shot, 1, trigger=1, time_out_s=1.0))


def _switch(trial: Trial, switch: Any) -> None:
    paths = _paths(switch)
    if not paths:
        trial.left_out("connect", "[words] of its driver file names no relay")
    for path in paths:
        trial.do(f"connect {' to '.join(path)}", _done, switch.connect, *path)
        trial.do(f"disconnect {path[0]}", _done, switch.disconnect, path[0])


def _paths(switch: DrivenSwitch) -> list[tuple[str, str]]:
    """Each relay that has words of its own; of a matrix, each row and each column once."""
    paths = words_of(switch.driver, "path")
    if paths:
        split = [path.partition(" ") for path in paths]
        return [(terminal, node) for terminal, _, node in split]
    terminals, nodes = (list(words_of(switch.driver, w) or ()) for w in ("terminal", "node"))
    if not (terminals and nodes):
        return []
    count = max(len(terminals), len(nodes))
    return [(terminals[n % len(terminals)], nodes[n % len(nodes)]) for n in range(count)]


_BY_ROLE: dict[str, Callable[[Trial, Any], None]] = {
    "supply": _supply, "meter": _meter, "generator": _generator, "scope": _scope,
    "switch": _switch,
}  # fmt: skip
