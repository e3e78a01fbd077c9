"""Several supplies, or several generators, that together play one role.

Two single-output supplies on two rails are one supply of two outputs to everybody above: outputs
count through the instruments in the order of the bench file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Generic, TypeVar

from uncertainties import UFloat

from seqrun.errors import InstrumentRefused, SeqrunError
from seqrun.instruments.roles import Generator, Instrument, Protection, Supply

SEPARATOR = "; "  # as the column of a reading's instruments has it
T = TypeVar("T", Supply, Generator)


class _Combined(Generic[T]):
    def __init__(self, parts: Sequence[T]) -> None:
        self.parts: tuple[T, ...] = tuple(parts)
        self.name = SEPARATOR.join(part.name for part in self.parts)
        self._at: list[tuple[T, int]] = [
            (part, n) for part in self.parts for n in range(1, part.outputs + 1)
        ]

    @property
    def by_hand(self) -> bool:
        """Whether a hand sets any of them."""
        return any(part.by_hand for part in self.parts)

    @property
    def identity(self) -> str:
        """Those of all."""
        return "; ".join(part.identity for part in self.parts)

    @property
    def outputs(self) -> int:
        """Of all together."""
        return len(self._at)

    def part(self, output: int) -> tuple[T, int]:
        """The instrument that has an output, and the output's number there.

        Raises:
            InstrumentRefused: there is no such output.
        """
        if not 1 <= output <= len(self._at):
            raise InstrumentRefused(
                f"there is no output {output}", expected=f"1 to {self.outputs}", where=self.name
            )
        return self._at[output - 1]

    def make_safe(self) -> None:
        """All of them, also when one fails, in whatever way.

        Raises:
            Exception: the first that failed.
        """
        first: Exception | None = None
        for part in self.parts:
            try:
                part.make_safe()
            except Exception as problem:
                first = first or problem
        if first is not None:
            raise first


class CombinedSupply(_Combined[Supply]):
    """Plays the role :class:`~seqrun.instruments.roles.Supply` with several."""

    def has(self, what: str) -> bool:
        """Whether all of them have it."""
        return all(part.has(what) for part in self.parts)

    def protection(self, output: int) -> Protection:
        part, n = self.part(output)
        return part.protection(n)

    def set_voltage(self, output: int, volts: float) -> None:
        part, n = self.part(output)
        part.set_voltage(n, volts)

    def set_current_limit(self, output: int, amperes: float) -> None:
        part, n = self.part(output)
        part.set_current_limit(n, amperes)

    def set_over_voltage_protection(self, output: int, volts: float) -> None:
        part, n = self.part(output)
        part.set_over_voltage_protection(n, volts)

    def over_voltage_protection(self, output: int) -> float:
        part, n = self.part(output)
        return part.over_voltage_protection(n)

    def set_over_current_protection(self, output: int, amperes: float) -> None:
        part, n = self.part(output)
        part.set_over_current_protection(n, amperes)

    def over_current_protection(self, output: int) -> float:
        part, n = self.part(output)
        return part.over_current_protection(n)

    def over_current_on(self, output: int) -> bool:
        part, n = self.part(output)
        return part.over_current_on(n)

    def enable(self, on: bool) -> None:
        """All on or off, one after the other; when one fails to go on, all go off."""
        if not on:
            self._all_off()
            return
        try:
            for part in self.parts:
                part.enable(True)
        except BaseException:
            with suppress(SeqrunError):  # the failure to go on is what is told
                self._all_off()
            raise

    def _all_off(self) -> None:
        first: SeqrunError | None = None
        for part in self.parts:
            try:
                part.enable(False)
            except SeqrunError as problem:
                first = first or problem
        if first is not None:
            raise first

    def enabled(self, output: int | None = None) -> bool:
        """One output, or any of all; every one is asked."""
        if output is not None:
            part, n = self.part(output)
            return part.enabled(n)
        return any(part.enabled() for part in self.parts)

    def voltage(self, output: int) -> UFloat:
        part, n = self.part(output)
        return part.voltage(n)

    def current(self, output: int, repeats: int = 1) -> UFloat:
        part, n = self.part(output)
        return part.current(n, repeats)

    def current_raw(self, output: int) -> float:
        part, n = self.part(output)
        return part.current_raw(n)

    def protection_tripped(self, output: int) -> bool:
        part, n = self.part(output)
        return part.protection_tripped(n)

    def constant_current(self, output: int) -> bool:
        part, n = self.part(output)
        return part.constant_current(n)


class CombinedGenerator(_Combined[Generator]):
    """Plays the role :class:`~seqrun.instruments.roles.Generator` with several."""

    def sine(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        part, n = self.part(output)
        part.sine(n, frequency_hz, volts_rms)

    def two_tone(
        self, output: int, f1_hz: float, v1_rms: float, f2_hz: float, v2_rms: float
    ) -> None:
        part, n = self.part(output)
        part.two_tone(n, f1_hz, v1_rms, f2_hz, v2_rms)

    def square(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        part, n = self.part(output)
        part.square(n, frequency_hz, volts_rms)

    def burst(
        self, output: int, frequency_hz: float, volts_rms: float, cycles: int, period_s: float
    ) -> None:
        part, n = self.part(output)
        part.burst(n, frequency_hz, volts_rms, cycles, period_s)

    def enable(self, output: int, on: bool) -> None:
        part, n = self.part(output)
        part.enable(n, on)

    def enabled(self, output: int | None = None) -> bool:
        """One output, or any of all; every one is asked."""
        if output is not None:
            part, n = self.part(output)
            return part.enabled(n)
        return any(part.enabled() for part in self.parts)

    def amplitude(self, output: int) -> UFloat:
        part, n = self.part(output)
        return part.amplitude(n)


def together(instruments: Mapping[str, Instrument]) -> dict[str, Instrument]:
    """The instruments as roles are played: several supplies as one, several generators as one,
    under the key of the first."""
    found: dict[str, Instrument] = dict(instruments)
    supplies = {key: item for key, item in instruments.items() if isinstance(item, Supply)}
    generators = {key: item for key, item in instruments.items() if isinstance(item, Generator)}
    if len(supplies) > 1:
        found = {k: v for k, v in found.items() if k not in supplies}
        found[next(iter(supplies))] = CombinedSupply(tuple(supplies.values()))
    if len(generators) > 1:
        found = {k: v for k, v in found.items() if k not in generators}
        found[next(iter(generators))] = CombinedGenerator(tuple(generators.values()))
    return found
