"""Supplies and generators that somebody sets."""

from __future__ import annotations

import math

from uncertainties import UFloat

from seqrun.errors import InstrumentRefused, NotMeasured
from seqrun.files.driver.file import Driver, SupplySettings
from seqrun.instruments.accuracy import LevelOverFrequency
from seqrun.instruments.by_hand.base import ByHand, Held
from seqrun.instruments.desk import Desk, Question, Setting, Typed
from seqrun.instruments.generator import possible
from seqrun.instruments.roles import Protection
from seqrun.quantity import render

#: what a supply tells of itself and a hand does not
_UNTOLD = ("enabled", "protection_tripped", "constant_current")


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
        self._typed: dict[tuple[str, int], Held] = {}

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
        if (stands := self._fresh(self._typed.get((call, output)))) is not None:
            return stands
        held = self._typed[(call, output)] = self._asked(
            Question(
                self.name,
                f"{self.name} output {output}: {call} on its own display; wait until it stands "
                "still",
                unit, self._ranges(function), signed=False, call=call, args=(output,),
            )
        )  # fmt: skip
        return held[0]


class GeneratorByHand(_SourceByHand):
    """Plays the role :class:`~seqrun.instruments.roles.Generator`: sines and square waves."""

    def __init__(self, name: str, driver: Driver, desk: Desk, label: str = "") -> None:
        super().__init__(name, driver, desk, label)
        self._flatness = LevelOverFrequency(self._accuracy, name, driver)
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
        """The amplitude that was asked for, with the level accuracy and, beside 1 kHz, the flatness
        of its driver file, V rms."""
        if output not in self._is:
            raise InstrumentRefused(
                f"no amplitude was set on output {output}", expected="sine() first", where=self.name
            )
        _, frequency, volts = self._is[output]
        row = self._accuracy.row("level", volts)
        level = self._accuracy.attach(volts, row, f"output {output}")
        return self._flatness.of(level, output, frequency)

    def _wave(self, form: str, output: int, hertz: float, volts_rms: float, crest: float) -> None:
        if self._is.get(output) == (form, hertz, volts_rms):
            return
        settings = self.driver.generator
        assert settings is not None, "the driver file was checked"
        possible(settings, volts_rms, hertz, self.name)
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
