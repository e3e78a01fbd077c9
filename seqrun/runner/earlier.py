"""The readings made so far, by the ids of their steps: what later steps and limits lean on."""

from __future__ import annotations

from collections.abc import Iterable

from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.files.sequence.leaning import EarlierReading
from seqrun.quantity import render
from seqrun.values import Bound, Reading

WithVariables = tuple[Reading, UFloat]


class Earlier:
    """Readings that were held against their limits, with their variables, and what is missing."""

    def __init__(self) -> None:
        self._values: dict[str, list[WithVariables]] = {}
        self._missing: dict[str, str] = {}

    def add(self, step_id: str, reading: Reading, value: UFloat) -> None:
        self._values.setdefault(step_id, []).append((reading, value))

    def lost(self, step_id: str, why: str) -> None:
        """A reading of that step could not be made; the first reason counts."""
        self._missing.setdefault(step_id, why)

    def forget(self, step_id: str) -> None:
        """A step is to be read again."""
        self._values.pop(step_id, None)
        self._missing.pop(step_id, None)

    def measured(self, step_id: str) -> list[WithVariables]:
        """All readings of a step, or of all steps whose ids begin so.

        Raises:
            NotMeasured: there is none, or one is missing, with the reason that was given then.
        """
        found = [
            pair
            for key, pairs in self._values.items()
            if key == step_id or key.startswith(step_id + ".")
            for pair in pairs
        ]
        missing = {
            key: why
            for key, why in self._missing.items()
            if key == step_id or key.startswith(step_id + ".")
        }
        if missing or not found:
            why = "; ".join(missing.values()) or "it was not reached"
            raise NotMeasured(f"'{step_id}' has no reading: {why}", where=step_id)
        return found

    def known(self, names: Iterable[str]) -> dict[str, EarlierReading]:
        """The readings that names in arithmetic stand for.

        A name is the id of a step that made one reading, or id and channel, ``gain.left``.

        Raises:
            NotMeasured: a name stands for no reading, for several, or for a bound.
        """
        return {name: self._known(name) for name in names}

    def _known(self, name: str) -> EarlierReading:
        step_id, channel, pairs = self._of(name)
        if not pairs or (not channel and step_id in self._missing):
            why = self._missing.get(step_id, "it was not reached")
            raise NotMeasured(f"'{name}' has no reading: {why}", where=name)
        if len(pairs) > 1:
            told = ", ".join(reading.channel or reading.quantity for reading, _ in pairs)
            raise NotMeasured(
                f"'{name}' stands for {len(pairs)} readings: {told}",
                expected=f"one of them, by its channel, such as '{step_id}.{pairs[0][0].channel}'",
                where=name,
            )
        reading, value = pairs[0]
        if reading.bound is not Bound.EXACT:
            words = "at most" if reading.bound is Bound.AT_MOST else "at least"
            shown = render(float(value.nominal_value), reading.unit, digits=3)
            raise NotMeasured(f"'{name}' is only known as {words} {shown}", where=name)
        return EarlierReading(value, reading.unit)

    def _of(self, name: str) -> tuple[str, str, list[WithVariables]]:
        """Step, channel and readings that a name is about; an id goes before id and channel."""
        steps = self._values.keys() | self._missing.keys()
        if name in steps:
            return name, "", self._values.get(name, [])
        # the longest id that the name begins with
        for step_id in sorted(steps, key=len, reverse=True):
            if name.startswith(step_id + "."):
                channel = name[len(step_id) + 1 :]
                pairs = [p for p in self._values.get(step_id, []) if p[0].channel == channel]
                return step_id, channel, pairs
        return name, "", []
