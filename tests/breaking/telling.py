"""What came of a run whose links lied: whether a wrong reading was accepted, a row is not on disk,
or something was left on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import demo_sim
import demo_sim.world
from seqrun.record import Store
from seqrun.runner.events import Watcher
from seqrun.runner.run import Outcome
from seqrun.values import Judged, Verdict

NOT_NEAR = 3.0  # expanded uncertainties off the clean run: a wrong reading
BELOW_V = 1.5  # a rail counts as discharged below this (``power_down``)


class Looking(Watcher):
    """Looks at the world when a step ends: what is left on a rail is another at another time."""

    def __init__(self, world: demo_sim.world.World | None = None) -> None:
        self.world, self.step = world, "opening"
        self.left_v: dict[str, float] = {}

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        self.step = step_id

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        if self.world is not None:
            for j in judged:
                if j.reading.quantity == "residual_voltage" and j.reading.value is not None:
                    side = "neg" if "neg" in j.reading.channel else "pos"
                    self.left_v[j.reading.channel] = abs(self.world.truth.rail(side))


def values(judged: Iterable[Judged]) -> dict[tuple[str, str, str], tuple[float, float]]:
    """Judged readings with their U, by step, quantity and channel."""
    return {
        (j.step, j.reading.quantity, j.reading.channel): (
            j.reading.value,
            j.reading.expanded_uncertainty or 0.0,
        )
        for j in judged
        if j.reading.value is not None and j.verdict is not Verdict.NONE
    }


def wrong(judged: Iterable[Judged], clean: Iterable[Judged], watcher: Looking) -> Iterator[str]:
    """Judged readings that are far from those of a clean run, one line each.

    What is left on a rail falls with time: it is at least what the world has there when the step
    has ended, and at most what the step waits for.
    """
    wanted = values(clean)
    for (step, quantity, channel), (value, u) in values(judged).items():
        if channel in watcher.left_v and quantity == "residual_voltage":
            least, most = watcher.left_v[channel] - NOT_NEAR * u, BELOW_V + NOT_NEAR * u
            if not least <= value <= most:
                yield f"{step} {channel} {value:g}, not {least:g} to {most:g}"
            continue
        if (step, quantity, channel) not in wanted:
            yield f"{step} {quantity} {channel} {value:g}, which a clean run does not read"
            continue
        usual, usual_u = wanted[step, quantity, channel]
        if not abs(value - usual) <= NOT_NEAR * max(u, usual_u, 1e-6 * abs(usual)):
            yield f"{step} {channel} {value:g}, not {usual:g}, U {u:g}"


def passed(judged: Iterable[Judged], clean: Iterable[Judged]) -> Iterator[str]:
    """Judged readings that pass and do not in a clean run, one line each."""
    usual = {(j.step, j.reading.quantity, j.reading.channel): j.verdict for j in clean}
    for j in judged:
        key = j.step, j.reading.quantity, j.reading.channel
        if j.verdict is Verdict.PASS and usual.get(key) in (Verdict.FAIL, Verdict.NOT_MEASURED):
            yield f"{' '.join(key)} {j.reading.value:g}"


def energised(bench: demo_sim.Bench) -> bool:
    """Whether a rail of the bench supply is up."""
    return any(abs(bench.world.supply_state("supply", n).volts) > 2.0 for n in (1, 2))


def rows_lost(outcome: Outcome, store: Store) -> bool:
    """Whether a reading that was shown is not on disk as it was shown."""

    def told(judged: Iterable[Judged]) -> list[tuple[object, ...]]:
        return [
            (j.step, j.reading.quantity, j.reading.channel, j.reading.value, j.verdict)
            for j in judged
        ]

    return told(store.readings(outcome.run_id)) != told(outcome.judged)
