"""Instruments without a remote interface: the operator sets them, reads them and types the number.

They play the same roles as instruments that are spoken to, with the accuracy of a driver file like
any other. What a hand sets is never read back: :meth:`~seqrun.instruments.roles.Supply.enabled` and
the rest of what a supply tells of itself raise :class:`~seqrun.errors.NotMeasured`, and the safe
state says that it was said, not confirmed.

A number that was typed stands for :data:`FRESH_S` of bench time, or until a lead or a knob was
moved: a step that polls for a reading to settle has asked for one that stands still.
"""

from __future__ import annotations

import math
from typing import Any, Literal

from uncertainties import UFloat

from seqrun.errors import InstrumentRefused, NotMeasured
from seqrun.files.driver.file import AccuracyRow, Driver, SupplySettings
from seqrun.instruments.accuracy import Accuracy
from seqrun.instruments.desk import Desk, Question, Setting, Typed
from seqrun.instruments.link import MessageLog
from seqrun.instruments.roles import Capture, MeterFunction, Protection
from seqrun.quantity import render
from seqrun.values import rectangular

FRESH_S = 10.0
#: what a supply tells of itself and a hand does not
_UNTOLD = ("enabled", "protection_tripped", "constant_current")
#: half-width of a yes or no, of 1 (our own choice): a look is no measurement
SURE = 0.1
#: how a record marks what was typed
TYPED = " (typed)"

Shown = Literal["peak_to_peak", "rms", "dc", "frequency", "clipped"]
#: what a person can read off a screen, its unit, and how it is asked for
ON_SCREEN: dict[Shown, tuple[str, str]] = {
    "peak_to_peak": ("V", "peak to peak"),
    "rms": ("V", "rms without DC (AC coupled; a sine's is its peak to peak over 2.83)"),
    "dc": ("V", "mean (DC coupled)"),
    "frequency": ("Hz", "frequency"),
    "clipped": ("", "is the waveform clipped: are its tops flat?"),
}
_FUNCTION_WORDS = {
    "dc_voltage": "DC volts",
    "ac_voltage": "AC volts",
    "dc_current": "DC amperes",
    "resistance_2w": "ohms",
    "resistance_4w": "ohms by four wires",
}
_SIGNED = ("dc_voltage", "dc_current")


class ByHand:
    """What all of them share.

    Args:
        name: its key in the bench file.
        driver: its accuracy, and what it has.
        desk: where it is set and read.
        label: what the bench file says of it.
    """

    by_hand = True

    def __init__(self, name: str, driver: Driver, desk: Desk, label: str = "") -> None:
        self.name = name
        self.driver = driver
        self._desk = desk
        self._label = label
        self._accuracy = Accuracy(name, driver)

    @property
    def identity(self) -> str:
        """What the bench file or the driver file calls it: nothing here can ask."""
        return f"{self._label or self.driver.name} (by hand)"

    def make_safe(self) -> None:
        """Nothing to switch off."""

    def listen(self, log: MessageLog) -> None:
        """Nothing is exchanged."""

    def close(self) -> None:
        """Nothing to give back."""

    def _do(self, words: str, call: str, *args: Any) -> None:
        self._desk.do(Setting(self.name, words, call, args))

    def _ranges(self, function: str) -> tuple[float, ...]:
        rows = self.driver.rows.get(function, ())
        return tuple(row.range for row in rows if row.range is not None)

    def _row(self, function: str, typed: Typed) -> AccuracyRow:
        return self._accuracy.row(function, typed.range or abs(typed.value))

    def _told_by_nobody(self, what: str) -> NotMeasured:
        return NotMeasured(
            f"it is set by hand: nobody reads back {what}",
            expected="a remote interface", where=self.name,
        )  # fmt: skip


class MeterByHand(ByHand):
    """Plays the role :class:`~seqrun.instruments.roles.Meter`."""

    def __init__(self, name: str, driver: Driver, desk: Desk, label: str = "") -> None:
        super().__init__(name, driver, desk, label)
        self._function: MeterFunction | None = None
        self._wanted: float | None = None
        self._typed: tuple[Typed, float, int] | None = None  # with when, and after which turn

    def has(self, function: str) -> bool:
        """Whether its driver file states an accuracy for a function."""
        return function in self.driver.rows

    def configure(
        self, function: MeterFunction, value: float | None = None, nplc: float = 10.0
    ) -> None:
        """The function and the range are told with the next question.

        Raises:
            InstrumentRefused: it has no such function or no range for the value.
        """
        if not self.has(function):
            raise InstrumentRefused(
                f"has no {function}", expected=f"[[accuracy]] of {function} in its driver file",
                where=self.name,
            )  # fmt: skip
        ranges = self._ranges(function)
        if value is not None and ranges and abs(value) > max(ranges):
            raise InstrumentRefused(
                f"has no {function} range that holds {value:g}",
                expected=f"at most {max(ranges):g}", where=self.name,
            )  # fmt: skip
        self._function, self._wanted, self._typed = function, value, None

    def read_raw(self) -> float:
        """What was typed, base unit.

        Raises:
            NotMeasured: overload, or nobody could read it.
        """
        return self._read().value

    def read(self, repeats: int = 1) -> UFloat:
        """What was typed, with the accuracy table; a person reads once."""
        return self.accuracy(self._read().value)

    def accuracy(self, reading: float) -> UFloat:
        """A reading with the accuracy table of its range attached."""
        function = self._set_up()
        on = self._typed[0].range if self._typed is not None else None
        row = self._row(function, Typed(reading, on))
        value = self._accuracy.measured((reading,), row)
        ohms = self.driver.meter.lead_resistance if self.driver.meter is not None else 0.0
        if function == "resistance_2w" and ohms:
            value = value + rectangular(0.0, ohms, f"{self.name}, leads and contacts, not nulled")
        return value

    def _read(self) -> Typed:
        function = self._set_up()
        if self._typed is not None:
            typed, at, turn = self._typed
            if turn == self._desk.turns and self._desk.now() - at <= FRESH_S:
                return typed
        unit = "°C" if function.startswith("temperature_") else _unit(function)
        ranges = self._ranges(function)
        words = f"{self.name}: {_FUNCTION_WORDS.get(function, function.replace('_', ' '))}"
        if self._wanted is not None and ranges:
            holding = next((r for r in ranges if r >= abs(self._wanted)), ranges[-1])
            words += f", range {render(holding, unit)}"
        typed = self._desk.read(
            Question(
                self.name, f"{words}; wait until it stands still", unit, ranges,
                function in _SIGNED or unit == "°C",
                likely=self._desk.likely_v if unit == "V" else None,
                call="read_raw", before=(("configure", (function, self._wanted, 10.0)),),
            )
        )  # fmt: skip
        self._typed = (typed, self._desk.now(), self._desk.turns)
        return typed

    def _set_up(self) -> MeterFunction:
        if self._function is None:
            raise InstrumentRefused(
                "was read before it was configured", expected="configure() first", where=self.name
            )
        return self._function


def _unit(function: str) -> str:
    from seqrun.files.driver.operations import ACCURACY

    return ACCURACY["meter"][function]


class _SourceByHand(ByHand):
    """One with outputs, counted from 1."""

    @property
    def outputs(self) -> int:
        """How many outputs there are."""
        return self.driver.outputs

    def enabled(self, output: int | None = None) -> bool:
        """Nobody can tell.

        Raises:
            NotMeasured: always.
        """
        raise self._told_by_nobody("whether its output is on")

    def make_safe(self) -> None:
        """Said at once, and waited for by nobody."""
        self._desk.urge(Setting(self.name, f"{self.name}: ALL OUTPUTS OFF NOW", "make_safe"))

    def switch_off_first(self) -> None:
        """Before a run, with time to be asked: all outputs off.

        Raises:
            NotMeasured: nobody is there to do it.
        """
        self._do(f"{self.name}: all outputs off", "make_safe")


class SupplyByHand(_SourceByHand):
    """Plays the role :class:`~seqrun.instruments.roles.Supply`."""

    def __init__(self, name: str, driver: Driver, desk: Desk, label: str = "") -> None:
        assert driver.supply is not None, "the driver file was checked"
        super().__init__(name, driver, desk, label)
        self._settings: SupplySettings = driver.supply
        self._typed: dict[tuple[str, int], tuple[Typed, float, int]] = {}

    def has(self, what: str) -> bool:
        """A hand tells nothing of what the supply is doing; its protection it may have."""
        return what not in _UNTOLD and what not in self._settings.absent

    def protection(self, output: int) -> Protection:
        """What switches an output off by itself."""
        at_limit = self._settings.over_current == "at the limit"
        return Protection(
            "level" if self.has("over_voltage_protection") else "none",
            ("at the limit" if at_limit else "level")
            if self.has("over_current_protection")
            else "none",
        )

    def set_voltage(self, output: int, volts: float) -> None:
        self._set(output, "voltage", volts, "V", "set_voltage")

    def set_current_limit(self, output: int, amperes: float) -> None:
        self._set(output, "current limit", amperes, "A", "set_current_limit")

    def set_over_voltage_protection(self, output: int, volts: float) -> None:
        self._set(output, "over-voltage protection", volts, "V", "set_over_voltage_protection")

    def over_voltage_protection(self, output: int) -> float:
        raise self._told_by_nobody("its over-voltage protection")

    def set_over_current_protection(self, output: int, amperes: float) -> None:
        self._set(output, "over-current protection", amperes, "A", "set_over_current_protection")

    def over_current_protection(self, output: int) -> float:
        raise self._told_by_nobody("its over-current protection")

    def over_current_on(self, output: int) -> bool:
        raise self._told_by_nobody("its over-current protection")

    def enable(self, on: bool) -> None:
        """All outputs that were set up on, or all off."""
        self._do(f"{self.name}: all outputs {'on' if on else 'off'}", "enable", on)

    def voltage(self, output: int) -> UFloat:
        return self._value(output, "readback_voltage", "V", "voltage")

    def current(self, output: int, repeats: int = 1) -> UFloat:
        return self._value(output, "readback_current", "A", "current")

    def current_raw(self, output: int) -> float:
        return self._read(output, "readback_current", "A", "current").value

    def protection_tripped(self, output: int) -> bool:
        raise self._told_by_nobody("whether its protection has acted")

    def constant_current(self, output: int) -> bool:
        raise self._told_by_nobody("whether its current limit holds")

    def _set(self, output: int, what: str, value: float, unit: str, call: str) -> None:
        shown = render(value, unit, digits=4)
        self._do(f"{self.name} output {output}: {what} to {shown}", call, output, value)

    def _value(self, output: int, function: str, unit: str, call: str) -> UFloat:
        typed = self._read(output, function, unit, call)
        row = self._row(function, typed)
        return self._accuracy.measured((typed.value,), row, f"output {output}")

    def _read(self, output: int, function: str, unit: str, call: str) -> Typed:
        held = self._typed.get((call, output))
        if held is not None:
            typed, at, turn = held
            if turn == self._desk.turns and self._desk.now() - at <= FRESH_S:
                return typed
        typed = self._desk.read(
            Question(
                self.name,
                f"{self.name} output {output}: {call} on its own display; wait until it stands "
                "still",
                unit, self._ranges(function), signed=False, call=call, args=(output,),
            )
        )  # fmt: skip
        self._typed[(call, output)] = (typed, self._desk.now(), self._desk.turns)
        return typed


class GeneratorByHand(_SourceByHand):
    """Plays the role :class:`~seqrun.instruments.roles.Generator`: sines and square waves."""

    def __init__(self, name: str, driver: Driver, desk: Desk, label: str = "") -> None:
        super().__init__(name, driver, desk, label)
        self._is: dict[int, tuple[str, float, float]] = {}

    def sine(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        self._wave("sine", output, frequency_hz, volts_rms, math.sqrt(2.0))

    def square(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        self._wave("square", output, frequency_hz, volts_rms, 1.0)

    def two_tone(
        self, output: int, f1_hz: float, v1_rms: float, f2_hz: float, v2_rms: float
    ) -> None:
        raise self._not_by_hand("two tones")

    def burst(
        self, output: int, frequency_hz: float, volts_rms: float, cycles: int, period_s: float
    ) -> None:
        raise self._not_by_hand("bursts")

    def enable(self, output: int, on: bool) -> None:
        """One output on or off."""
        self._do(f"{self.name} output {output}: {'on' if on else 'off'}", "enable", output, on)

    def amplitude(self, output: int) -> UFloat:
        """The amplitude that was asked for, with the level accuracy, V rms."""
        if output not in self._is:
            raise InstrumentRefused(
                f"no amplitude was set on output {output}", expected="sine() first", where=self.name
            )
        volts = self._is[output][2]
        return self._accuracy.attach(volts, self._accuracy.row("level", volts), f"output {output}")

    def _wave(self, form: str, output: int, hertz: float, volts_rms: float, crest: float) -> None:
        if self._is.get(output) == (form, hertz, volts_rms):
            return
        settings = self.driver.generator
        assert settings is not None, "the driver file was checked"
        for value, most, unit in (
            (volts_rms, settings.most_level, "V"),
            (hertz, settings.most_frequency, "Hz"),
        ):
            if most is not None and value > most * (1.0 + 1e-9):
                raise InstrumentRefused(
                    f"{value:g} {unit} is more than it gives", expected=f"at most {most:g} {unit}",
                    where=self.name,
                )  # fmt: skip
        rms, peaks = render(volts_rms, "V"), render(2.0 * crest * volts_rms, "V")
        self._do(
            f"{self.name} output {output}: {form} of {render(hertz, 'Hz')}, {rms} rms ({peaks} peak"
            " to peak) into an open circuit, no DC",
            form, output, hertz, volts_rms,
        )  # fmt: skip
        self._is[output] = (form, hertz, volts_rms)

    def _not_by_hand(self, what: str) -> NotMeasured:
        return NotMeasured(
            f"{what} from a generator by hand", expected="a remote interface", where=self.name
        )


class ScopeByHand(ByHand):
    """Plays the role :class:`~seqrun.instruments.roles.Scope` as far as a person can read a screen:
    no record ever leaves it."""

    def __init__(self, name: str, driver: Driver, desk: Desk, label: str = "") -> None:
        assert driver.scope is not None, "the driver file was checked"
        super().__init__(name, driver, desk, label)
        self._scope = driver.scope

    @property
    def channels(self) -> int:
        return self._scope.channels

    @property
    def bits(self) -> int:
        return self._scope.bits

    @property
    def max_points(self) -> int:
        return self._scope.max_points

    def sample_rate_near(self, wanted_hz: float) -> float:
        return min(wanted_hz, self._scope.max_rate)

    def acquire(
        self,
        peak_v: dict[int, float],
        *,
        sample_rate_hz: float,
        points: int,
        coupling: Literal["DC", "AC"] = "DC",
        trigger: int | None = None,
        averages: int = 1,
        high_resolution: bool = False,
        time_out_s: float = 10.0,
    ) -> Capture:
        """No record.

        Raises:
            NotMeasured: always.
        """
        raise NotMeasured(
            "no record leaves a scope that is read by hand",
            expected="a scope with a remote interface", where=self.name,
        )  # fmt: skip

    def on_screen(self, what: Shown, channel: int, peak_v: float) -> UFloat:
        """What a person reads off the screen, base unit; 1 or 0 for clipped.

        Args:
            peak_v: largest |volts| expected at the probe tip.
        """
        unit, words = ON_SCREEN[what]
        function = "frequency" if what == "frequency" else "voltage"
        typed = self._desk.read(
            Question(
                self.name,
                f"{self.name} channel {channel}, at the probe tip: {words} (some "
                f"{render(peak_v, 'V', digits=2)} peak are expected: fill the screen with it)",
                unit, (), what == "dc", call="on_screen", args=(what, channel, peak_v),
            )
        )  # fmt: skip
        if what == "clipped":
            return rectangular(typed.value, SURE, f"{self.name}, how sure a look is")
        row = self._accuracy.row(function, typed.range or abs(typed.value))
        return self._accuracy.measured(
            (typed.value,), row, f"channel {channel}", full_scale=2.0 * abs(peak_v)
        )


class ThermometerByHand(ByHand):
    """Plays the role :class:`~seqrun.instruments.roles.Thermometer`."""

    def read(self, place: str, words: str) -> UFloat:
        """What was typed, °C."""
        typed = self._desk.read(
            Question(
                self.name,
                f"{self.name} at {place} - {words}; wait until it stands still",
                "°C", self._ranges("temperature"), call="read", args=(place, words),
            )
        )  # fmt: skip
        return self._accuracy.measured((typed.value,), self._row("temperature", typed))


Hand = MeterByHand | SupplyByHand | GeneratorByHand | ScopeByHand | ThermometerByHand
_OF_ROLE: dict[str, type[Hand]] = {
    "meter": MeterByHand,
    "supply": SupplyByHand,
    "generator": GeneratorByHand,
    "scope": ScopeByHand,
    "thermometer": ThermometerByHand,
}


def by_hand(name: str, driver: Driver, desk: Desk, label: str = "") -> Hand:
    """The instrument of a bench whose resource is "by hand".

    Raises:
        InstrumentRefused: hands cannot play its role.
    """
    kind = _OF_ROLE.get(driver.role)
    if kind is None:
        raise InstrumentRefused(
            f"a {driver.role} by hand", expected=", ".join(_OF_ROLE), where=name
        )
    return kind(name, driver, desk, label)
