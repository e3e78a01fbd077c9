"""A bench supply, spoken to as its driver file says."""

from __future__ import annotations

from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.files.driver.equipment import SupplySettings
from seqrun.files.driver.file import Driver
from seqrun.instruments.base import DrivenSource
from seqrun.instruments.link import Link
from seqrun.instruments.roles import Protection


class DrivenSupply(DrivenSource):
    """Plays the role :class:`~seqrun.instruments.roles.Supply`."""

    def __init__(self, name: str, driver: Driver, link: Link, label: str = "") -> None:
        assert driver.supply is not None, "the driver file was checked"
        self._settings: SupplySettings = driver.supply
        super().__init__(name, driver, link, label)
        ops = self._ops
        # Bound once: the trips ask for these thousands of times in a run.
        self._read_voltage = ops["voltage"].number
        self._read_current = ops["current"].number
        self._used: set[int] = set()
        self._one_by_one = "output" in ops["enable"].names

    def has(self, what: str) -> bool:
        """Whether it has, or can tell, what ``absent`` of a driver file may hold."""
        return what not in self._settings.absent

    def protection(self, output: int) -> Protection:
        """What switches an output off by itself."""
        self._known(output)
        voltage = self.has("over_voltage_protection")
        current = self.has("over_current_protection")
        at_limit = self._settings.over_current == "at the limit"
        return Protection(
            "level" if voltage else "none",
            ("at the limit" if at_limit else "level") if current else "none",
        )

    def set_voltage(self, output: int, volts: float) -> None:
        """Volts, positive."""
        self._used.add(self._known(output))
        self._ops["set_voltage"](output=output, volts=float(volts))

    def set_current_limit(self, output: int, amperes: float) -> None:
        """Amperes."""
        self._used.add(self._known(output))
        self._ops["set_current_limit"](output=output, amperes=float(amperes))

    def set_over_voltage_protection(self, output: int, volts: float) -> None:
        """Volts at which the supply itself switches off.

        Raises:
            NotMeasured: it has none.
        """
        self._there("over_voltage_protection")
        self._ops["set_over_voltage_protection"](output=self._known(output), volts=float(volts))

    def over_voltage_protection(self, output: int) -> float:
        """The level read back, volts.

        Raises:
            NotMeasured: it has none.
        """
        self._there("over_voltage_protection")
        return self._ops["over_voltage_protection"].number(output=self._known(output))

    def set_over_current_protection(self, output: int, amperes: float) -> None:
        """Amperes at which the supply itself switches off. One that acts at the current limit is
        switched on, and has no level.

        Raises:
            NotMeasured: it has none.
        """
        self._there("over_current_protection")
        self._ops["set_over_current_protection"](output=self._known(output), amperes=float(amperes))

    def over_current_protection(self, output: int) -> float:
        """The level read back, amperes.

        Raises:
            NotMeasured: it has none, or one without a level of its own.
        """
        self._there("over_current_protection")
        if self.protection(output).over_current != "level":
            raise NotMeasured(
                "its over-current protection has no level of its own: it acts at the current limit",
                expected="a level", where=self._link.where,
            )  # fmt: skip
        return self._ops["over_current_protection"].number(output=self._known(output))

    def over_current_on(self, output: int) -> bool:
        """Whether a protection that acts at the current limit is on, read back."""
        self._there("over_current_protection")
        return self._ops["over_current_protection"].boolean(output=self._known(output))

    def enable(self, on: bool) -> None:
        """All outputs on or off together. Where they go one by one, those on that were set up,
        and all off."""
        call = self._ops["enable"]
        if not self._one_by_one:
            call(on=bool(on))
            return
        outputs = sorted(self._used) if on and self._used else range(1, self.outputs + 1)
        for output in outputs:
            call(on=bool(on), output=output)

    def enabled(self, output: int | None = None) -> bool:
        """Whether an output is on, as the supply says; without one, whether any is.

        Raises:
            NotMeasured: it does not tell.
        """
        self._there("enabled")
        return self._says_on(output)

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
        """Whether over-voltage or over-current protection has switched the output off.

        Raises:
            NotMeasured: it does not tell.
        """
        self._there("protection_tripped")
        return self._ops["protection_tripped"].boolean(output=self._known(output))

    def constant_current(self, output: int) -> bool:
        """Whether the output is held by its current limit.

        Raises:
            NotMeasured: it does not tell.
        """
        self._there("constant_current")
        return self._ops["constant_current"].boolean(output=self._known(output))

    def _there(self, what: str) -> None:
        if not self.has(what):
            raise NotMeasured(
                f"{self.name} has no {what.replace('_', ' ')}, as its driver file says",
                expected="a supply that has one",
                where=self._link.where,
            )
