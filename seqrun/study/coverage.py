"""How often the stated interval holds the truth, and how wide it is against what was needed.

Coverage is counted: the share of readings whose ``value ± U`` (k = 2) holds the true value. For
"at most x" the interval has one side: it holds when the truth is not above ``x + U``.

Width: every error is divided by the U stated beside it, so that readings of different U go
together. The narrowest interval that holds 95 % of these quotients, wherever it lies, has a width
w; U is 2/w times as wide as it needed to be. 1.02 is right for a normal distribution, 1.22 for a
rectangular one (a·2/√3 against 0.95·a); more is a budget that claims errors that do not happen.
It is not worked out where bounds are in the majority: the rest were chosen by their errors.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from seqrun.errors import UsageError
from seqrun.files.unit.sheet import load_unit
from seqrun.measure.proportion import wilson_interval
from seqrun.study.benches import CLEAN, Pair, Wanted, bring_up, done
from seqrun.study.groups import Group, on_unit
from seqrun.study.quantities import GROUPS
from seqrun.study.running import each
from seqrun.values import Bound

LEAST_COVERAGE = 0.93
MOST_WIDTH = 1.3
SHARE = 0.95
TellProgress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Coverage:
    """What many benches say of one quantity.

    Attributes:
        readings: numbers with an interval; ``held`` of them held the truth.
        bounds: readings that say "at most" or "at least"; ``bounds_held`` of them are true.
        missing: readings that could not be made; ``reason`` of the first.
        width: U over half of the narrowest interval that held 95 %; NaN with too few readings.
        expanded: median U, in ``unit``. bias: mean error over mean U.
        truth: median of the true values. farthest: largest error over the U beside it.
    """

    name: str
    unit: str
    benches: int
    readings: int
    held: int
    bounds: int
    bounds_held: int
    missing: int
    reason: str
    width: float
    expanded: float
    bias: float
    truth: float
    farthest: float = math.nan

    @property
    def share(self) -> float:
        """Of all readings with a value, how many were true; NaN without any."""
        total = self.readings + self.bounds
        return (self.held + self.bounds_held) / total if total else math.nan

    @property
    def interval(self) -> tuple[float, float]:
        """The share's own 95 % interval, readings taken as independent."""
        total = self.readings + self.bounds
        return wilson_interval(self.held + self.bounds_held, total) if total else (0.0, 1.0)

    @property
    def held_enough(self) -> bool:
        """Within the aim of coverage; one that nothing was read of is not."""
        return self.share >= LEAST_COVERAGE

    @property
    def honest(self) -> bool:
        """Within the aims: coverage, and width where it could be found."""
        return self.held_enough and (math.isnan(self.width) or self.width <= MOST_WIDTH)


def cover(
    quantity: str | None = None,
    benches: int = 400,
    *,
    first_seed: int = 1,
    processes: int = 1,
    bench: str = CLEAN,
    unit: str | None = None,
    told: TellProgress = lambda group, done, of: None,
) -> list[Coverage]:
    """Run many simulated benches and count, for one quantity or for all.

    Args:
        quantity: what is studied, or the name of a group (:data:`seqrun.study.quantities.GROUPS`).
        bench: the simulated bench, such as ``demo:dirty``.
        unit: the sheet of another unit than the groups' own.
        told: called with the group's name, how many benches are done, and of how many.

    Raises:
        UsageError: no such quantity, with the nearest known one; or nothing of a group can be read
            of that unit.
    """
    found: list[Coverage] = []
    for group, wanted in chosen(quantity):
        pairs = each(
            partial(bench_of, group.name, bench=bench, unit=unit),
            range(first_seed, first_seed + benches),
            processes=processes,
            told=partial(told, group.name),
        )
        found += [coverage_of(w.name, [p for p in pairs if p.name == w.name]) for w in wanted]
    return found


def bench_of(group: str, seed: int, *, bench: str = CLEAN, unit: str | None = None) -> list[Pair]:
    """What one bench says of a group of quantities.

    Args:
        unit: the sheet of another unit than the group's own.
    """
    one = next(g for g in GROUPS if g.name == group)
    if unit is not None:
        one = on_unit(one, load_unit(unit))
    return done(
        seed,
        one.steps,
        one.wanted,
        watch=one.watch,
        faults=one.faults,
        unit=unit or one.unit,
        powering=bring_up(stages=one.stages, awaited=one.awaited) if one.powered else "",
        bench=",".join((bench, *one.variants)),
        tone=one.tone,
    )


def chosen(quantity: str | None) -> list[tuple[Group, tuple[Wanted, ...]]]:
    """The groups to run, and what is wanted of each."""
    if quantity is None:
        return [(group, group.wanted) for group in GROUPS]
    for group in GROUPS:
        if group.name == quantity:
            return [(group, group.wanted)]
        for one in group.wanted:
            if one.name == quantity:
                return [(group, (one,))]
    known = [one.name for group in GROUPS for one in group.wanted]
    near = difflib.get_close_matches(quantity, known, 1)
    raise UsageError(
        f"'{quantity}' is not studied",
        expected=f"did you mean '{near[0]}'?" if near else f"one of {', '.join(known)}",
        where="--quantity",
    )


def groups_of(quantity: str | None) -> list[str]:
    """What :func:`cover` takes one after another: the quantity that is asked for, else each group.

    Raises:
        UsageError: no such quantity.
    """
    found = chosen(quantity)
    return [quantity] if quantity is not None else [group.name for group, _ in found]


def holds(pair: Pair) -> bool:
    """Whether what a reading states is true."""
    reading = pair.reading
    assert reading.value is not None, "a reading with a value"
    error, expanded = reading.value - pair.truth, reading.expanded_uncertainty
    if reading.bound is Bound.AT_MOST:
        return error >= -expanded
    if reading.bound is Bound.AT_LEAST:
        return error <= expanded
    return abs(error) <= expanded


def narrowest(errors: Sequence[float], share: float = SHARE) -> float:
    """Half the width of the narrowest interval that holds a share of the errors.

    NaN with fewer than twenty: then 95 % is all of them.
    """
    count = len(errors)
    if count < 20:
        return math.nan
    ordered = sorted(errors)
    inside = math.ceil(share * count - 1e-9)
    return min(0.5 * (ordered[i + inside - 1] - ordered[i]) for i in range(count - inside + 1))


def coverage_of(name: str, pairs: Sequence[Pair]) -> Coverage:
    """Count what many benches said of one quantity."""
    made = [p for p in pairs if p.reading.value is not None]
    exact = [p for p in made if p.reading.bound is Bound.EXACT]
    bounds = [p for p in made if p.reading.bound is not Bound.EXACT]
    missing = [p for p in pairs if p.reading.value is None]
    errors = [_error(p) for p in exact]
    stated = [p.reading.expanded_uncertainty for p in exact]
    quotients = [e / u for e, u in zip(errors, stated, strict=True) if u > 0.0]
    # Where most readings are bounds, the others are those that chance has carried off the floor.
    half = narrowest(quotients) if len(exact) > len(bounds) else math.nan
    return Coverage(
        name,
        pairs[0].reading.unit if pairs else "",
        len({p.seed for p in pairs}),
        len(exact),
        sum(map(holds, exact)),
        len(bounds),
        sum(map(holds, bounds)),
        len(missing),
        missing[0].reading.note if missing else "",
        1.0 / half if half > 0.0 else math.nan,
        _median(stated),
        math.fsum(errors) / math.fsum(stated) if math.fsum(stated) > 0.0 else math.nan,
        _median([p.truth for p in made]),
        max(map(abs, quotients), default=math.nan),
    )


def _error(pair: Pair) -> float:
    assert pair.reading.value is not None, "a reading with a value"
    return pair.reading.value - pair.truth


def _median(values: Sequence[float]) -> float:
    if not values:
        return math.nan
    ordered, middle = sorted(values), len(values) // 2
    return ordered[middle] if len(values) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle])
