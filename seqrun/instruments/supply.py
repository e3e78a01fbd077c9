"""A bench supply, spoken to as its driver file says."""

from __future__ import annotations

from uncertainties import UFloat

from seqrun.files.driver import Driver
from seqrun.instruments.base import DrivenSource
from seqrun.instruments.link import Link


class DrivenSupply(DrivenSource):
    """Plays the role :class:`~seqrun.instruments.roles.Supply`."""

    def __init__(self, name: str, driver: Driver, link: Link) -> None:
        super().__init__(name, driver, link)
        ops = self._ops
        # Bound once: the trips ask for these thousands of times in a run.
        self._read_voltage = ops["voltage"].number
        self._read_current = ops["current"].number

    def set_voltage(self, output: int, volts: float) -> None:
        """Volts, positive."""
        self._ops["set_voltage"](output=self._known(output), volts=float(volts))

    def set_current_limit(self, output: int, amperes: float) -> None:
        """Amperes."""
        self._ops["set_current_limit"](output=self._known(output), amperes=float(amperes))

    def set_over_voltage_protection(self, output: int, volts: float) -> None:
        """Volts at which the supply itself switches off."""
        self._ops["set_over_voltage_protection"](output=self._known(output), volts=float(volts))

    def over_voltage_protection(self, output: int) -> float:
        """The level read back, volts."""
        return self._ops["over_voltage_protection"].number(output=self._known(output))

    def set_over_current_protection(self, output: int, amperes: float) -> None:
        """Amperes at which the supply itself switches off."""
        self._ops["set_over_current_protection"](output=self._known(output), amperes=float(amperes))

    def over_current_protection(self, output: int) -> float:
        """The level read back, amperes."""
        return self._ops["over_current_protection"].number(output=self._known(output))

    def enable(self, on: bool) -> None:
        """All outputs on or off together."""
        self._ops["enable"](on=bool(on))

    def enabled(self) -> bool:
        """Whether the outputs are on, as the supply says."""
        return self._ops["enabled"].boolean()

    def voltage(self, output: int) -> UFloat:
        """Read-back voltage with its accuracy, volts."""
        volts = self._read_voltage(output=self._known(output))
        row = self._accuracy.row("readback_voltage", volts)
        return self._accuracy.measured((volts,), row, f"output {output}")

    def current(self, output: int, repeats: int = 1) -> UFloat:
        """Read-back current with its accuracy and the scatter of the repeats, amperes."""
        self._known(output)
        amperes = [self._read_current(output=output) for _ in range(max(1, repeats))]
        row = self._accuracy.row("readback_current", max(amperes, key=abs))
        return self._accuracy.measured(amperes, row, f"output {output}")

    def current_raw(self, output: int) -> float:
        """Read-back current for trips, amperes."""
        return self._read_current(output=output)

    def protection_tripped(self, output: int) -> bool:
        """Whether over-voltage or over-current protection has switched the output off."""
        return self._ops["protection_tripped"].boolean(output=self._known(output))

    def constant_current(self, output: int) -> bool:
        """Whether the output is held by its current limit."""
        return self._ops["constant_current"].boolean(output=self._known(output))
