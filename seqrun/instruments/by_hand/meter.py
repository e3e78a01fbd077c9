"""A meter that somebody reads."""

from __future__ import annotations

from uncertainties import UFloat

from seqrun.errors import InstrumentRefused
from seqrun.files.driver.file import Driver, MeterSettings
from seqrun.files.driver.operations import ACCURACY
from seqrun.instruments.by_hand.base import ByHand, Held
from seqrun.instruments.desk import Desk, Question, Typed
from seqrun.instruments.roles import MeterFunction
from seqrun.quantity import render
from seqrun.values import rectangular

_FUNCTION_WORDS = {
    "dc_voltage": "DC volts",
    "ac_voltage": "AC volts",
    "dc_current": "DC amperes",
    "resistance_2w": "ohms",
    "resistance_4w": "ohms by four wires",
}
_SIGNED = ("dc_voltage", "dc_current")


class MeterByHand(ByHand):
    """Plays the role :class:`~seqrun.instruments.roles.Meter`."""

    def __init__(self, name: str, driver: Driver, desk: Desk, label: str = "") -> None:
        super().__init__(name, driver, desk, label)
        self._function: MeterFunction | None = None
        self._wanted: float | None = None
        self._typed: Held | None = None

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
        ohms = (self.driver.meter or MeterSettings()).lead_resistance
        if function == "resistance_2w" and ohms:
            value = value + rectangular(0.0, ohms, f"{self.name}, leads and contacts, not nulled")
        return value

    def _read(self) -> Typed:
        function = self._set_up()
        if (stands := self._fresh(self._typed)) is not None:
            return stands
        unit = "°C" if function.startswith("temperature_") else ACCURACY["meter"][function]
        ranges = self._ranges(function)
        words = f"{self.name}: {_FUNCTION_WORDS.get(function, function.replace('_', ' '))}"
        if self._wanted is not None and ranges:
            holding = next((r for r in ranges if r >= abs(self._wanted)), ranges[-1])
            words += f", range {render(holding, unit)}"
        self._typed = self._asked(
            Question(
                self.name, f"{words}; wait until it stands still", unit, ranges,
                function in _SIGNED or unit == "°C",
                likely=self._desk.likely_v if unit == "V" else None,
                call="read_raw", before=(("configure", (function, self._wanted, 10.0)),),
            )
        )  # fmt: skip
        return self._typed[0]

    def _set_up(self) -> MeterFunction:
        if self._function is None:
            raise InstrumentRefused(
                "was read before it was configured", expected="configure() first", where=self.name
            )
        return self._function
