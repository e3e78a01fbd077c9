"""What somebody looks at: a scope's screen, a thermometer."""

from __future__ import annotations

from typing import Any, Literal

from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.files.driver.file import Driver
from seqrun.instruments.by_hand.base import SURE, ByHand
from seqrun.instruments.desk import Desk, Question
from seqrun.instruments.roles import Capture
from seqrun.quantity import render
from seqrun.values import rectangular

Shown = Literal["peak_to_peak", "rms", "dc", "frequency", "clipped"]
#: what a person can read off a screen, its unit, and how it is asked for
ON_SCREEN: dict[Shown, tuple[str, str]] = {
    "peak_to_peak": ("V", "peak to peak"),
    "rms": ("V", "rms without DC (AC coupled; a sine's is its peak to peak over 2.83)"),
    "dc": ("V", "mean (DC coupled)"),
    "frequency": ("Hz", "frequency"),
    "clipped": ("", "is the waveform clipped: are its tops flat?"),
}


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

    def acquire(self, peak_v: dict[int, float], **how: Any) -> Capture:
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
