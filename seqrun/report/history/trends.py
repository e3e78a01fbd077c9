"""What all runs of a unit, or of all units of a model, say together: trends, yield and spread.

Of a unit a reading is followed by quantity, channel and what it was read under
(:mod:`seqrun.judge.condition`), across sequences, and every run counts; of a model by step, within
one sequence, and each unit counts once, by its latest reading, so that a unit that was tried ten
times does not weigh ten times.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, NamedTuple

from seqrun.errors import UsageError
from seqrun.judge.change import CHANCE, Change
from seqrun.judge.drift import Drift, drift
from seqrun.measure.proportion import wilson_interval
from seqrun.quantity import render
from seqrun.report.compare.reading import signed
from seqrun.report.shared.rows import Row
from seqrun.values import COVERAGE_FACTOR, Disposition

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from seqrun.measure.trend import StraightLine
    from seqrun.record import RunRow

    Array = NDArray[np.float64]

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Trend:
    """One reading over time. Times are seconds since 1970 (UTC), values in the row's unit.

    ``times``, ``values`` and ``expanded`` (U, k = 2) hold what was measured as a value, oldest
    first; bounds and what was not measured are only counted.
    """

    sequence: str
    row: Row  # the latest reading
    times: Array = field(repr=False, compare=False)
    values: Array = field(repr=False, compare=False)
    expanded: Array = field(repr=False, compare=False)
    others: int  # readings that are bounds, or were not made
    line: StraightLine | None
    said: Drift

    @property
    def change(self) -> Change | None:
        """None: too few readings."""
        return self.said.change

    @property
    def matters(self) -> float:
        return self.said.matters

    @property
    def slight(self) -> bool:
        """It drifts, and by less than matters."""
        return self.said.slight

    @property
    def reaches(self) -> tuple[float, float] | None:
        """The limit that the line runs into, and when (s since 1970); None: none is near."""
        return self.said.reaches

    @property
    def word(self) -> str:
        words = {
            Change.CHANGED: "drifts",
            Change.UNCHANGED: "steady",
            Change.CANNOT_TELL: "cannot tell",
        }
        if self.change is None:
            return "no value" if self.others and not len(self.values) else "too few"
        return words[self.change]

    @property
    def moved_shown(self) -> str:
        """``"+3.1 ± 0.9 mA in 40 days"``: along the line, from the first reading to the last."""
        if self.line is None:
            return ""
        moved = signed(self.line.moved, self.row.unit, self.line.expanded_moved)
        return f"{moved} in {duration(self.line.end - self.line.start)}"

    @property
    def sentence(self) -> str:
        """What it does, as one would say it across the bench."""
        n = len(self.values)
        if self.line is None:
            return f"{self.row.name}: {n} reading{'' if n == 1 else 's'}, too few for a trend."
        said = f"{self.row.name}: {self.word}, {self.moved_shown}"
        if self.slight:
            said += ", too little to matter"
        met = self.reaches
        if met is not None:
            said += f"; at this rate it meets its limit of {render(met[0], self.row.unit)}"
            said += f" about {day(met[1])}"
        return said + "."


@dataclass(frozen=True, slots=True)
class LimitHistory:
    """One limit over many units, each by its latest reading."""

    trend: Trend
    units: int
    passed: int  # latest reading is a pass
    passed_first: int  # the first one was
    mean: float | None
    spread: float | None  # standard deviation between units; None: fewer than two
    least: float | None
    most: float | None
    mean_u: float | None  # expanded uncertainty of a reading, on average
    limits: int  # how many different limits it was held against

    @property
    def row(self) -> Row:
        return self.trend.row

    @property
    def share(self) -> float:
        return self.passed / self.units

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of the share of such units that pass."""
        return wilson_interval(self.passed, self.units)

    @property
    def room(self) -> float | None:
        """Distance from the mean to the nearer limit in spreads; negative beyond it."""
        if self.mean is None or not self.spread:
            return None
        sides = []
        if self.row.limit_low is not None:
            sides.append(self.mean - self.row.limit_low)
        if self.row.limit_high is not None:
            sides.append(self.row.limit_high - self.mean)
        return min(sides) / self.spread if sides else None

    @property
    def spread_shown(self) -> str:
        """``"25.1 ± 1.9 mA"``: the mean over units and twice the spread between them."""
        if self.mean is None:
            return "no value"
        if self.spread is None:
            return render(self.mean, self.row.unit, digits=4)
        return render(self.mean, self.row.unit, uncertainty=COVERAGE_FACTOR * self.spread)


class Yield(NamedTuple):
    """How many units were accepted: by their latest run, and by their first."""

    units: int
    accepted: int
    accepted_first: int


@dataclass(frozen=True, slots=True)
class UnitHistory:
    """All runs of one unit."""

    serial: str
    models: tuple[str, ...]
    runs: tuple[RunRow, ...]  # oldest first
    trends: tuple[Trend, ...]  # what matters most first
    simulated: bool
    left_out: int = 0  # runs of the other kind, real or simulated
    lost: tuple[str, ...] = ()  # runs whose records are not whole, and what they lack

    @property
    def drifting(self) -> list[Trend]:
        return [t for t in self.trends if t.change is Change.CHANGED and not t.slight]


@dataclass(frozen=True, slots=True)
class ModelHistory:
    """All units of one model, on one sequence."""

    model: str
    sequence: str
    runs: int
    accepted: Yield
    limits: tuple[LimitHistory, ...]  # lowest yield first
    simulated: bool
    left_out: int = 0


RULE = (
    "A trend is the straight line of least squares through the readings, each weighted by its"
    " uncertainty. It drifts when the movement is greater than its expanded uncertainty (k = 2, or"
    " wider for few readings; taken from what the readings state or from their scatter about the"
    " line, whichever is larger).",
    "It is steady when a movement that would matter is excluded. What would matter is a fifth of"
    " what the limit allows (1 dB for levels, 1 K for temperatures); this is our own rule.",
    "A repair between two runs also tilts the line: look at the points before believing it.",
)


def yield_words(found: Yield) -> list[str]:
    """Yield in words, with the interval that so few units leave (95 %, Wilson 1927)."""
    n = f"{found.units} unit{'' if found.units == 1 else 's'}"
    return [
        f"{found.accepted} of {n} accepted by the latest run: "
        f"{percent(found.accepted, found.units)}"
        f" ({interval_words(found.accepted, found.units)} at 95 %)",
        f"{found.accepted_first} of {n} accepted by the first: "
        f"{percent(found.accepted_first, found.units)}",
    ]


def percent(count: int, units: int) -> str:
    """A share to a tenth of a percent; never rounded up to all, or down to none."""
    share = 100.0 * count / units
    if count < units and share >= 99.95:
        return "> 99.9 %"
    return "< 0.1 %" if count > 0 and share < 0.05 else f"{share:.1f} %"


def interval_words(count: int, units: int) -> str:
    """What the share may really be (95 %, Wilson 1927): ``"77.5 to 96.1 %"``."""
    low, high = wilson_interval(count, units)
    # the ends are rounded outwards
    return f"{math.floor(1000.0 * low) / 10.0:.1f} to {math.ceil(1000.0 * high) / 10.0:.1f} %"


def left_out_words(count: int, simulated: bool) -> str:
    """What is said of runs of the other kind; nothing when there are none."""
    if not count:
        return ""
    runs = f"{count} {'real' if simulated else 'simulated'} run{'' if count == 1 else 's'}"
    rest = "leave --simulated away for those" if simulated else "--simulated shows them instead"
    return f"{runs} left out; {rest}"


def bins(limit: LimitHistory, count: int) -> tuple[NDArray[np.intp], Array] | None:
    """How many units have a value in each of ``count`` equal bins, and the bins' edges.

    The bins cover values and limits; the outermost thousandth of very many values, which would
    squeeze all others together, is counted at the ends. None without a value.
    """
    import numpy as np

    values = limit.trend.values
    if not len(values):
        return None
    sides = [x for x in (limit.row.limit_low, limit.row.limit_high) if x is not None]
    inner = np.quantile(values, (0.0005, 0.9995)) if len(values) > 2000 else values
    low, high = min([*sides, float(inner.min())]), max([*sides, float(inner.max())])
    room = 0.06 * (high - low) or 0.1 * abs(high) or 1.0
    edges = np.linspace(low - room, high + room, count + 1)
    counts, _ = np.histogram(values.clip(edges[0], edges[-1]), edges)
    return counts, edges


def nothing_drifts(trends: Sequence[Trend]) -> str:
    """What is said when no drift is certain: that none is, how much is open, or that it is early.

    Empty when something drifts by more than too little to matter.
    """
    followed = [t for t in trends if t.change is not None]
    if any(t.change is Change.CHANGED and not t.slight for t in followed):
        return ""
    if not followed:
        return "Too few runs for a trend: it takes three, at different times."
    unclear = sum(1 for t in followed if t.change is Change.CANNOT_TELL)
    said = "No reading is shown to drift by enough to matter"
    return f"{said}; of {unclear} it cannot be told." if unclear else f"{said}."


def chance_words(trends: Sequence[Trend]) -> str:
    """How many drifts chance alone would show; nothing when there is no trend."""
    followed = sum(1 for t in trends if t.change is not None)
    if not followed:
        return ""
    return (
        f"Chance alone may show a drift where there is none: in {followed} trends,"
        f" {followed * CHANCE:.1f} times on average or less."
    )


def day(time_s: float) -> str:
    """A date, UTC."""
    try:
        return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d")
    except (OverflowError, ValueError, OSError):
        return "far in the future"


def duration(seconds: float) -> str:
    """A length of time in its usual unit: ``"40 days"``, ``"3.5 h"``."""
    if seconds >= 2.0 * DAY_S:
        return f"{seconds / DAY_S:.0f} days"
    if seconds >= 3600.0:
        return f"{seconds / 3600.0:.1f} h"
    return f"{seconds / 60.0:.0f} min" if seconds >= 60.0 else f"{seconds:.0f} s"


def trend_of(
    sequence: str,
    row: Row,
    times: Array,
    values: Array,
    expanded: Array,
    others: int,
    line: StraightLine,
) -> Trend:
    """A trend and what the judge says of its line."""
    largest = (float(values.max()), float(values.min())) if len(values) else ()
    said = drift(line, row.limit, row.unit, largest)
    found = line if said.change is not None else None
    return Trend(sequence, row, times, values, expanded, others, found, said)


def ranked(trends: Sequence[Trend]) -> tuple[Trend, ...]:
    """What drifts first, by how far in terms of what matters; then what is open; then the rest.
    Readings with a limit lead."""

    def rank(trend: Trend) -> tuple[int, int, float]:
        order = {Change.CHANGED: 0, Change.CANNOT_TELL: 1, Change.UNCHANGED: 2, None: 3}
        size = abs(trend.line.moved) / trend.matters if trend.line and trend.matters else 0.0
        place = 2 if trend.slight else order[trend.change]
        return place, 0 if trend.row.has_limit else 1, -size

    return tuple(sorted(trends, key=rank))


def accepted(runs: Sequence[RunRow]) -> Yield:
    """Yield over units, from runs in order of time."""
    first: dict[str, bool] = {}
    last: dict[str, bool] = {}
    for run in runs:
        good = run.disposition is Disposition.ACCEPT
        first.setdefault(run.serial, good)
        last[run.serial] = good
    return Yield(len(last), sum(last.values()), sum(first.values()))


def of_one_kind(runs: Sequence[RunRow], simulated: bool | None) -> tuple[list[RunRow], bool, int]:
    """Real runs, or simulated ones, never both: what is left, which kind, how many were left out.

    Args:
        simulated: None takes the real ones where there are any.

    Raises:
        UsageError: none is left.
    """
    kind = all(run.simulated for run in runs) if simulated is None else simulated
    kept = [run for run in runs if run.simulated is kind]
    if not kept:
        raise UsageError(
            f"all {len(runs)} runs are {'real' if kind else 'simulated'} ones",
            hint="leave --simulated away" if kind else "--simulated shows them",
        )
    return kept, kind, len(runs) - len(kept)
