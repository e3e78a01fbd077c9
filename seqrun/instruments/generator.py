"""A function generator, spoken to as its driver file says."""

from __future__ import annotations

import math
from typing import Any

from uncertainties import UFloat

from seqrun.errors import InstrumentRefused
from seqrun.files.driver import Driver
from seqrun.instruments.base import DrivenSource
from seqrun.instruments.link import Link
from seqrun.values import rectangular

REFERENCE_HZ = 1000.0  # where a level specification without frequency holds


class DrivenGenerator(DrivenSource):
    """Plays the role :class:`~seqrun.instruments.roles.Generator`."""

    def __init__(self, name: str, driver: Driver, link: Link) -> None:
        super().__init__(name, driver, link)
        self._set: dict[int, tuple[object, ...]] = {}
        self._departures: dict[tuple[int, bool], UFloat] = {}
        self._level: dict[int, tuple[float, float]] = {}  # V rms, Hz

    def sine(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        """Set a sine; only its level when the rest is set already and the driver can."""
        values = _level(volts_rms, math.sqrt(2.0))
        if "level" in self._ops and self._set.get(output) == ("sine", frequency_hz):
            if self._level[output][0] != volts_rms:
                self._do("level", output, ("sine", frequency_hz), volts_rms, values)
            return
        values["frequency"] = float(frequency_hz)
        self._do("sine", output, ("sine", frequency_hz), volts_rms, values)

    def two_tone(
        self, output: int, f1_hz: float, v1_rms: float, f2_hz: float, v2_rms: float
    ) -> None:
        """Two sines at once."""
        values = _level(v1_rms, math.sqrt(2.0)) | {
            f"{name}_2": value for name, value in _level(v2_rms, math.sqrt(2.0)).items()
        }
        values |= {"frequency": float(f1_hz), "frequency_2": float(f2_hz)}
        self._do("two_tone", output, ("two_tone", f1_hz), math.hypot(v1_rms, v2_rms), values)

    def square(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        """A square wave; its peak is its rms value."""
        values = _level(volts_rms, 1.0) | {"frequency": float(frequency_hz)}
        self._do("square", output, ("square", frequency_hz), volts_rms, values)

    def burst(
        self, output: int, frequency_hz: float, volts_rms: float, cycles: int, period_s: float
    ) -> None:
        """Bursts of ``cycles`` of a sine of that rms value, one each ``period_s``."""
        values: dict[str, Any] = _level(volts_rms, math.sqrt(2.0))
        values |= {
            "frequency": float(frequency_hz), "cycles": int(cycles), "period": float(period_s),
        }  # fmt: skip
        self._do("burst", output, ("burst", frequency_hz), volts_rms, values)

    def enable(self, output: int, on: bool) -> None:
        """One output on or off."""
        self._ops["enable"](output=self._known(output), on=bool(on))

    def amplitude(self, output: int) -> UFloat:
        """The set amplitude with the generator's level accuracy, V rms.

        Raises:
            InstrumentRefused: nothing was set on this output.
        """
        if output not in self._level:
            raise InstrumentRefused(
                f"no amplitude was set on output {output}", expected="sine() or another first",
                where=self._link.where,
            )  # fmt: skip
        volts, frequency = self._level[output]
        place = f"output {output}"
        value = self._accuracy.attach(volts, self._accuracy.row("level", volts), place)
        if "flatness" in self.driver.rows and not math.isclose(frequency, REFERENCE_HZ):
            value = value * (1.0 + self._flatness(output, frequency < REFERENCE_HZ))
        return value

    def _flatness(self, output: int, below: bool) -> UFloat:
        """Departure from the level at 1 kHz, mean 0. A response has no jumps: what it does wrong
        on one side of 1 kHz it does at all frequencies there."""
        key = (output, below)
        if key not in self._departures:
            side = "below" if below else "above"
            row = self._accuracy.row("flatness", 0.0)
            name = f"{self.name} output {output} flatness {side} 1 kHz"
            self._departures[key] = rectangular(0.0, row.gain, name, f"instrument {self.name}")
        return self._departures[key]

    def make_safe(self) -> None:
        """All outputs off."""
        self._set.clear()
        super().make_safe()

    def _do(
        self,
        operation: str,
        output: int,
        state: tuple[object, ...],
        volts_rms: float,
        values: dict[str, Any],
    ) -> None:
        call = self._ops[operation]
        self._set.pop(self._known(output), None)
        call(output=output, **values)
        self._set[output], self._level[output] = state, (volts_rms, float(state[1]))  # type: ignore[arg-type]


def _level(volts_rms: float, crest: float) -> dict[str, Any]:
    """One level in the units that generators take."""
    peak = float(volts_rms) * crest
    return {"volts_rms": float(volts_rms), "volts_peak": peak, "volts_pp": 2.0 * peak}
