"""A function generator, spoken to as its driver file says."""

from __future__ import annotations

import math
from typing import Any

from uncertainties import UFloat

from seqrun.errors import InstrumentRefused, NotMeasured
from seqrun.files.driver.equipment import GeneratorSettings
from seqrun.files.driver.file import Driver
from seqrun.files.driver.operations import MOST_STATES
from seqrun.instruments.accuracy import LevelOverFrequency
from seqrun.instruments.base import DrivenSource
from seqrun.instruments.link import Link

#: of the smallest sine of a generator that cannot give 0 V, Hz: below what an amplifier passes
BELOW_ALL_HZ = 1.0
NOTHING = ("zero", 0.0)  # what an output is set to that gives no signal
LEAST_DBM = -100.0  # nothing, for a generator that counts in dBm


class DrivenGenerator(DrivenSource):
    """Plays the role :class:`~seqrun.instruments.roles.Generator`."""

    def __init__(self, name: str, driver: Driver, link: Link, label: str = "") -> None:
        assert driver.generator is not None, "the driver file was checked"
        self._settings: GeneratorSettings = driver.generator
        super().__init__(name, driver, link, label)
        self._on = dict.fromkeys(range(1, self.outputs + 1), False)
        self._set: dict[int, tuple[str, float]] = {}  # the operation, and its frequency in Hz
        # Any frequency but that of the data sheet's own level.
        self._flatness = LevelOverFrequency(self._accuracy, name, driver, near=1e-9)
        self._level: dict[int, tuple[float, float]] = {}  # V rms, Hz

    def sine(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        """Set a sine; only its level when the rest is set already and the driver can. None of it
        (0 V) leaves a source that gives nothing: few generators take an amplitude of zero."""
        if volts_rms == 0.0 and "zero" in self._ops:
            if self._set.get(self._known(output)) != NOTHING:
                self._set.pop(output, None)
                self._ops["zero"](output=output)
                self._set[output], self._level[output] = NOTHING, (0.0, frequency_hz)
            return
        if volts_rms == 0.0 and self._settings.least_level is not None:
            frequency_hz, volts_rms = BELOW_ALL_HZ, self._settings.least_level
        values = told(self._settings, volts_rms, math.sqrt(2.0))
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
        values = told(self._settings, v1_rms, math.sqrt(2.0))
        second = told(self._settings, v2_rms, math.sqrt(2.0))
        values |= {f"{name}_2": value for name, value in second.items()}
        values |= {"frequency": float(f1_hz), "frequency_2": float(f2_hz)}
        self._do("two_tone", output, ("two_tone", f1_hz), math.hypot(v1_rms, v2_rms), values)

    def square(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        """A square wave; its peak is its rms value."""
        values = told(self._settings, volts_rms, 1.0) | {"frequency": float(frequency_hz)}
        self._do("square", output, ("square", frequency_hz), volts_rms, values)

    def burst(
        self, output: int, frequency_hz: float, volts_rms: float, cycles: int, period_s: float
    ) -> None:
        """Bursts of ``cycles`` of a sine of that rms value, one each ``period_s``."""
        values: dict[str, Any] = told(self._settings, volts_rms, math.sqrt(2.0))
        values |= {
            "frequency": float(frequency_hz), "cycles": int(cycles), "period": float(period_s),
        }  # fmt: skip
        self._do("burst", output, ("burst", frequency_hz), volts_rms, values)

    def enable(self, output: int, on: bool) -> None:
        """One output on or off."""
        state = {**self._on, self._known(output): bool(on)}
        # For those that are told the state of all their outputs in one write.
        all_of_them = {f"on_{n}": is_on for n, is_on in state.items() if n <= MOST_STATES}
        self._ops["enable"](output=output, on=bool(on), **all_of_them)
        self._on = state

    def enabled(self, output: int | None = None) -> bool:
        """Whether an output is on, as the generator says; without one, whether any is.

        Raises:
            NotMeasured: it does not tell.
        """
        if "enabled" not in self._ops:
            raise NotMeasured(
                f"{self.name} does not tell whether its outputs are on",
                expected="the operation 'enabled' in its driver file", where=self._link.where,
            )  # fmt: skip
        return self._says_on(output)

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
        row = self._accuracy.row("level", volts)
        level = self._accuracy.attach(volts, row, f"output {output}")
        return self._flatness.of(level, output, frequency)

    def make_safe(self) -> None:
        """All outputs off."""
        self._set.clear()
        super().make_safe()
        self._on = dict.fromkeys(self._on, False)

    def _do(
        self,
        operation: str,
        output: int,
        state: tuple[str, float],
        volts_rms: float,
        values: dict[str, Any],
    ) -> None:
        call = self._ops[operation]
        possible(self._settings, volts_rms, state[1], self._link.where)
        self._set.pop(self._known(output), None)
        call(output=output, **values)
        self._set[output], self._level[output] = state, (volts_rms, state[1])


def possible(
    settings: GeneratorSettings, volts_rms: float, frequency_hz: float, where: str
) -> None:
    """See that a generator gives a level (V rms, open circuit) at a frequency.

    Raises:
        InstrumentRefused: it is more, or less, than its driver file says.
    """
    least = settings.least_level
    if least is not None and volts_rms < least * (1.0 - 1e-9):
        raise InstrumentRefused(
            f"{volts_rms:g} V is less than it gives", expected=f"at least {least:g} V", where=where
        )
    for value, most, unit in (
        (volts_rms, settings.most_level, "V"),
        (frequency_hz, settings.most_frequency, "Hz"),
    ):
        if most is not None and value > most * (1.0 + 1e-9):
            raise InstrumentRefused(
                f"{value:g} {unit} is more than it gives", expected=f"at most {most:g} {unit}",
                where=where,
            )  # fmt: skip


def told(settings: GeneratorSettings, volts_rms: float, crest: float) -> dict[str, Any]:
    """One level in the units that generators take.

    ``volts_rms`` is what an amplifier's input, an open circuit to the source, shall get; a
    generator whose levels are meant for a matched load is told half of it (IEC 60268-3: source
    e.m.f.). dBm is the power in that load: 1 mW is 0 dBm.

    Args:
        crest: peak over rms of the waveform.
    """
    load = 50.0 if settings.levels_into == "50 Ω" else math.inf
    share = load / (load + settings.impedance) if load < math.inf else 1.0
    rms = float(volts_rms) * share
    matched = float(volts_rms) / 2.0
    power = matched * matched / settings.impedance
    peak = rms * crest
    return {
        "volts_rms": rms, "volts_peak": peak, "volts_pp": 2.0 * peak,
        "dbm": 10.0 * math.log10(power / 1e-3) if power > 0.0 else LEAST_DBM,
    }  # fmt: skip
