"""A simulated bench without files: a few steps done, each reading with its truth beside it.

The steps, the engine, the drivers and the virtual instruments are those of a real run; only the
record is left out. The truth is asked of the world at the moment a reading is made.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from uncertainties import UFloat

from seqrun.errors import UsageError
from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.load import sequence_from_text
from seqrun.files.unit.sheet import Unit
from seqrun.plan.build import build
from seqrun.runner.engine import Engine
from seqrun.runner.events import Watcher
from seqrun.runner.opening import VirtualHands, open_bench, read_bench
from seqrun.steps.base import kinds
from seqrun.values import Judged, Reading

#: what no data sheet tells left out of bench and budgets: what is left are the data sheets
CLEAN = "demo:clean"
DIRTY = "demo:dirty"
HEAD = 'title = "Study"\nrevision = "A"\ndecision = "guarded"\n'
_RAMP = """
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "min(2 * supply_at_rated_power, 5.4 A)"
[[step]]
id = "load.{{channel}}"
each = "channel"
do = "load_resistance"
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "{to}"
stages = {stages}
healthy_current = "20 * supply_idle"
running_limit = "min(1.6 * supply_at_rated_power, 4.9 A)"
"""
_RELAYS = """
[[step]]
id = "relays"
do = "await_output"
"""


def bring_up(to: str = "rail_voltage", stages: int = 2, awaited: bool = True) -> str:
    """The steps that power a unit; fewer stages take less time where the ramp is not studied.

    Args:
        awaited: its output relays are waited for.
    """
    return _RAMP.format(to=to, stages=stages) + (_RELAYS if awaited else "")


@dataclass
class Seen:
    """What a truth may be worked out from.

    Attributes:
        truth: the world's truth interface.
        unit: its sheet.
        reading: the reading whose truth is asked for.
        at_capture: what the watch told when the scope was last asked for a record.
        kept: truths told earlier on this bench, by step id and channel.
    """

    truth: Any
    unit: Unit
    reading: Reading
    step: str
    at_capture: Mapping[str, float]
    kept: dict[tuple[str, str], float] = field(default_factory=dict)


TellTruth = Callable[[Seen], float]
WatchTruth = Callable[[Any], dict[str, float]]
PlayedTone = tuple[float, float]  # Hz, V rms at each input


@dataclass(frozen=True, slots=True)
class Wanted:
    """A quantity as it is studied: which readings, and how the world tells their truth."""

    name: str
    quantity: str
    step: str  # id of the step, or the beginning of it up to a dot
    tell: TellTruth

    def covers(self, judged: Judged) -> bool:
        here = judged.step == self.step or judged.step.startswith(self.step + ".")
        return here and judged.reading.quantity == self.quantity


@dataclass(frozen=True, slots=True)
class Pair:
    """One reading (None where it could not be made), and what it should have been."""

    name: str
    seed: int
    reading: Reading
    truth: float


class _Witness:
    """Stands where the record does: hears of each reading as it is made."""

    def __init__(self, seed: int, truth: Any, unit: Unit, wanted: Sequence[Wanted]) -> None:
        self.pairs: list[Pair] = []
        self.at_capture: dict[str, float] = {}
        self._seed, self._truth, self._unit, self._wanted = seed, truth, unit, wanted
        self._kept: dict[tuple[str, str], float] = {}

    def reading(self, judged: Judged, **_: object) -> None:
        for one in self._wanted:
            if one.covers(judged):
                seen = Seen(
                    self._truth,
                    self._unit,
                    judged.reading,
                    judged.step,
                    self.at_capture,
                    self._kept,
                )
                told = one.tell(seen) if judged.reading.value is not None else float("nan")
                self._kept[judged.step, judged.reading.channel] = told
                self.pairs.append(Pair(one.name, self._seed, judged.reading, told))

    def trace(self, name: str, columns: Mapping[str, Iterable[float]]) -> None:
        """Traces are not kept."""

    def sound(self, *_: object) -> None:
        """Nor is what was heard."""


@dataclass
class _Player(Watcher):
    """Whoever plays a tone while steps look at what is there: into all inputs, from the first of
    these steps on."""

    tone: PlayedTone
    first: str
    generator: Any = None

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        if step_id.partition(".")[0] != self.first.partition(".")[0]:
            return
        for output in range(1, self.generator.outputs + 1):
            self.generator.sine(output, *self.tone)
            self.generator.enable(output, True)


class _WatchedEngine(Engine):
    """Looks at the world whenever the scope is about to be asked for a record."""

    look: Callable[[], None] = staticmethod(lambda: None)

    def poll(self) -> None:
        super().poll()
        self.look()


def _watch_readings(engine: Engine, told: _Witness, watch: WatchTruth, truth: Any) -> None:
    """A meter's reading takes seconds: its truth is the mean of before and after."""
    meter: Any = engine.meter
    read = meter.read

    def watched(repeats: int = 1) -> UFloat:
        before, value, after = watch(truth), read(repeats), watch(truth)
        told.at_capture.update({k: 0.5 * (before[k] + after[k]) for k in before if k in after})
        return value

    meter.read = watched


@lru_cache(maxsize=16)
def _steps(text: str, sheet: str | None) -> Any:
    from seqrun.files.unit.sheet import load_unit
    from seqrun.runner.opening import DEMO_UNIT

    unit = load_unit(sheet or DEMO_UNIT)
    sequence = sequence_from_text(text, kinds(), unit=unit)
    return sequence, expand_all(sequence, unit)


def done(
    seed: int,
    steps: str,
    wanted: Sequence[Wanted],
    *,
    watch: WatchTruth | None = None,
    faults: Sequence[str] = (),
    unit: str | None = None,
    powering: str | None = None,
    bench: str = CLEAN,
    tone: PlayedTone | None = None,
) -> list[Pair]:
    """Power a unit on a fresh simulated bench, do some steps, and tell each reading's truth.

    Args:
        seed: of everything that differs from bench to bench.
        steps: ``[[step]]`` entries, done after the bring-up.
        wanted: which readings to tell of.
        watch: looks at the truth whenever the scope is about to be asked for a record, while the
            drive is still on.
        faults: in the unit, as ``"dc_offset@left=0.6"``.
        powering: the steps of the bring-up, when other than the usual ones; "": not powered.
        bench: the simulated bench, such as ``demo:dirty``.
        tone: what somebody has the generator play from the first of the steps on.

    Raises:
        SeqrunError: the bench cannot do these steps, or a trip ended them.
    """
    sequence, expanded = _steps(HEAD + (bring_up() if powering is None else powering) + steps, unit)
    files = read_bench(bench, unit, faults=faults, seed=seed)
    opened = open_bench(files, lambda *_: None)
    try:
        if opened.control is None:
            raise UsageError(f"'{bench}' is no simulated bench", expected=f"{CLEAN} or {DIRTY}")
        told = _Witness(seed, files.demo.truth, files.view.unit, wanted)
        watcher = Watcher()
        if tone is not None:
            watcher = _Player(tone, tomllib.loads(steps)["step"][0]["id"])
        plan = build(sequence, files.view, expanded)
        engine = _WatchedEngine(
            plan,
            opened,
            VirtualHands(opened.control),
            told,
            watcher,
            lambda: None,
        )
        if isinstance(watcher, _Player):
            watcher.generator = engine.generator
        if watch is not None:
            engine.look = lambda: told.at_capture.update(watch(files.demo.truth))
            if engine.view.has("meter"):
                _watch_readings(engine, told, watch, files.demo.truth)
        engine.do_all()
        return told.pairs
    finally:
        opened.close()
