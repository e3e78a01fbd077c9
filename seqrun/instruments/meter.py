"""A digital multimeter, spoken to as its driver file says."""

from __future__ import annotations

import math

from uncertainties import UFloat

from seqrun.errors import InstrumentRefused, NoResult, NotMeasured
from seqrun.files.bench.parts import TestLeads
from seqrun.files.driver.file import AccuracyRow, Driver, MeterSettings
from seqrun.instruments.base import DrivenInstrument
from seqrun.instruments.link import Link
from seqrun.instruments.roles import MeterFunction
from seqrun.values import rectangular

AUTO = "auto"  # the word under [words.range] for ranging by itself


class DrivenMeter(DrivenInstrument):
    """Plays the role :class:`~seqrun.instruments.roles.Meter`."""

    def __init__(
        self,
        name: str,
        driver: Driver,
        link: Link,
        label: str = "",
        leads: TestLeads | None = None,
    ) -> None:
        super().__init__(name, driver, link, label)
        self._settings = driver.meter or MeterSettings()
        self._leads = leads
        self._read = self._ops["read"].number
        self._function: MeterFunction | None = None
        self._row: AccuracyRow | None = None  # None: the meter ranges by itself
        self._configured: tuple[object, ...] = ()
        self._nplc = 1.0
        self._reading_s = 0.0
        self._values: dict[str, object] = {}  # for meters whose read command holds them

    def has(self, function: str) -> bool:
        """Whether it can be configured for a function."""
        return f"configure_{function}" in self._ops

    def configure(
        self, function: MeterFunction, value: float | None = None, nplc: float = 10.0
    ) -> None:
        """Choose function, the range that holds ``value`` and the integration time.

        Nothing is sent when the meter is set so already.

        Raises:
            InstrumentRefused: the meter has no such function or no range for the value.
        """
        operation = f"configure_{function}"
        if operation not in self._ops:
            raise InstrumentRefused(
                f"has no {function}", expected=f"[operation] {operation} in its driver file",
                where=self._link.where,
            )  # fmt: skip
        row = None if value is None else self._holding(function, value)
        cycles = self._cycles(nplc)
        wanted = (function, row and row.range, cycles)
        if wanted == self._configured:
            return
        self._configured = ()
        full_scale: object = AUTO if row is None else row.range
        values: dict[str, object] = {"function": function, "range": full_scale, "nplc": cycles}
        self._ops[operation](**values)
        self._values = values
        self._function, self._row, self._configured = function, row, wanted
        # A function that no integration time is sent for (AC) keeps the noise of one reading.
        sent = self.driver.operation[operation].send
        self._nplc = cycles if any("{nplc" in text for text in sent) else 1.0
        self._reading_s = cycles * self._settings.seconds_per_cycle

    def read_raw(self) -> float:
        """One reading, base unit.

        Raises:
            NotMeasured: overload.
        """
        self._set_up()
        return self._held(self._read(self._time_out(1), **self._values))

    def read(self, repeats: int = 1) -> UFloat:
        """Mean of the repeats with accuracy table and scatter combined.

        Raises:
            NotMeasured: overload in one of them.
        """
        if repeats > 1 and "read_many" in self._ops:
            self._set_up()
            many = self._ops["read_many"].numbers(
                self._time_out(repeats), count=repeats, **self._values
            )
            readings = [self._held(value) for value in many]
            if len(readings) != repeats:
                raise NotMeasured(
                    f"{len(readings)} readings came", expected=f"{repeats}", where=self._link.where
                )
        else:
            readings = [self.read_raw() for _ in range(max(1, repeats))]
        row = self._present(max(readings, key=abs))
        # The data sheet's noise is that of one line cycle, and it averages out (white noise).
        noise = row.noise / math.sqrt(max(self._nplc, 1e-3))
        return self._with_leads(self._accuracy.measured(readings, row, noise=noise))

    def accuracy(self, reading: float) -> UFloat:
        """The reading with the accuracy table of the present function and range attached."""
        return self._with_leads(self._accuracy.attach(reading, self._present(reading)))

    def _with_leads(self, value: UFloat) -> UFloat:
        """Two-wire ohms hold the resistance of leads and contacts, which is another at every
        hookup."""
        if self._function != "resistance_2w":
            return value
        if self._leads is not None:
            its, within = self._leads.resistance, self._leads.tolerance
            return value - rectangular(its, within, f"{self.name}, leads as measured, contacts")
        ohms = self._settings.lead_resistance
        if not ohms:
            return value
        return value + rectangular(0.0, ohms, f"{self.name}, leads and contacts, not nulled")

    def _held(self, value: float) -> float:
        if abs(value) >= self._settings.overload:
            raise NoResult(
                "the meter reports overload", expected="a reading within its range",
                where=self._link.where,
            )  # fmt: skip
        return value

    def _set_up(self) -> MeterFunction:
        """The function that it is configured for.

        Raises:
            InstrumentRefused: none yet.
        """
        if self._function is None:
            raise InstrumentRefused(
                "was read before it was configured", expected="configure() first",
                where=self._link.where,
            )  # fmt: skip
        return self._function

    def _present(self, reading: float) -> AccuracyRow:
        """The row of the range that the meter is on."""
        function = self._set_up()
        if self._row is not None:
            return self._row
        scale = abs(reading)
        if "present_range" in self._ops and not function.startswith("temperature_"):
            # Just above its full scale a meter may or may not have changed up: ask.
            scale = self._ops["present_range"].number(function=function)
        return self._accuracy.row(function, scale * (1.0 - 1e-9))

    def _holding(self, function: str, value: float) -> AccuracyRow:
        row = self._accuracy.row(function, value)
        if row.range is not None and abs(value) > row.range:
            raise InstrumentRefused(
                f"has no {function} range that holds {value:g}",
                expected=f"at most {row.range:g}",
                where=self._link.where,
            )
        return row

    def _cycles(self, nplc: float) -> float:
        """The shortest integration time that is as long as wanted; else the longest."""
        steps = sorted(self._settings.nplc)
        return float(next((s for s in steps if s >= nplc), steps[-1]) if steps else nplc)

    def _time_out(self, count: int) -> float:
        return self.driver.link.time_out + count * self._reading_s
