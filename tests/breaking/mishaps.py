"""What hands and sockets do to a bench in the middle of a step: a lead comes off; an instrument
loses its power for a moment and wakes up with the settings that it has then."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from forked import Tap

from seqrun.values import Judged

Act = Callable[[Any], None]


@dataclass
class Mended(Tap):
    """The leads are as they were when the step is over: nobody who looks at the next one sees that
    anything happened.

    Args:
        stays: what was done stays so.
    """

    stays: bool = False
    before: dict[str, str | None] = field(default_factory=dict)

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        super().step_started(index, step_id, what, seconds)
        if self.child is None:
            self.before.clear()

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        if self.child is not None and not self.stays:
            for terminal, node in self.before.items():
                if node is not None and self.world.node_of(terminal) is None:
                    self.world.connect(terminal, node)
            self.before.clear()
        super().step_ended(step_id, judged, bench_s)


def acts(tap: Mended, terminals: Iterable[str]) -> dict[str, Act]:
    """``"off scope.1"`` and the like, for leads that a tap puts back when the step ends."""

    def made(terminal: str) -> Act:
        def act(world: Any) -> None:
            tap.before[terminal] = world.node_of(terminal)
            world.disconnect(terminal)

        return act

    return {f"off {terminal}": made(terminal) for terminal in terminals}


def woken(tap: Tap, keys: Iterable[str]) -> dict[str, Act]:
    """``"power meter"`` and the like: the instrument was without power for a moment, and is as it
    wakes up; the link did not notice."""

    def made(key: str) -> Act:
        def act(world: Any) -> None:
            tap.devices[key].reset()

        return act

    return {f"power {key}": made(key) for key in keys}
