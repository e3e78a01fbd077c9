"""How often a decision errs: units drawn across a limit, each measured on a bench of its own.

The limit stays; the units differ, by physics: an input pair more or less out of balance, a bias
trimmer further up, rails that are higher or lower. The verdict is the judge's, on the reading as it
is; whether the unit conforms is the world's to tell.

False acceptance is counted among the units that do not conform, false rejection among those that
do (the conditional probabilities of JCGM 106:2012, 9.3.2 and 9.3.3; it calls them specific risks
where the true value is known). Guarded acceptance (ILAC-G8:09/2019, w = U) aims at no more than
2.5 % of the former.
"""

from __future__ import annotations

import difflib
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from seqrun.errors import UsageError
from seqrun.judge import decide
from seqrun.judge.verdict import GUARDED, SIMPLE, Decision
from seqrun.measure.proportion import wilson_interval
from seqrun.study import truths
from seqrun.study.benches import Pair, Wanted, bring_up, done
from seqrun.study.power import POWER
from seqrun.study.running import each
from seqrun.values import Limit, Verdict

MOST_FALSE_ACCEPTS = 0.025
TellProgress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Population:
    """Units across one limit.

    Args:
        unit: what is studied, and the unit of the limit.
        measure: makes one unit from a seed and measures it.
    """

    name: str
    unit: str
    limit: Limit
    measure: Callable[[int], list[Pair]]


@dataclass(frozen=True, slots=True)
class Rates:
    """What became of the units under one decision rule."""

    name: str
    unit: str
    limit: Limit
    decision: Decision
    conforming: dict[Verdict, int]
    others: dict[Verdict, int]  # units that do not conform

    @property
    def false_accepts(self) -> int:
        return self.others[Verdict.PASS]

    @property
    def false_rejects(self) -> int:
        return self.conforming[Verdict.FAIL]

    @property
    def of_others(self) -> int:
        return sum(self.others.values())

    @property
    def of_conforming(self) -> int:
        return sum(self.conforming.values())

    @property
    def honest(self) -> bool:
        """Guarded acceptance takes no more than it may of what does not conform."""
        few = self.false_accepts <= MOST_FALSE_ACCEPTS * self.of_others
        return few or self.decision != GUARDED

    @property
    def false_accept_interval(self) -> tuple[float, float]:
        """95 % interval of the false accepts' share of what does not conform."""
        total = self.of_others
        return wilson_interval(self.false_accepts, total) if total else (0.0, 1.0)


def _place(seed: int, name: str) -> float:
    """Where across the limit this unit is to lie, −1 … 1."""
    return random.Random(f"{name} {seed}").uniform(-1.0, 1.0)


# --- populations ----------------------------------------------------------------------------------

OFFSET_LIMIT_V = 0.05
OFFSET_SPREAD_V = 30e-6  # about twice U
_OFFSET = """
[[step]]
id = "offset"
do = "dc_voltage"
at = "out.left"
"""
_LEFT = Wanted("dc_offset", "dc_offset", "offset", lambda seen: float(seen.truth.offset("left")))


def _offset(seed: int) -> list[Pair]:
    wanted = OFFSET_LIMIT_V + OFFSET_SPREAD_V * _place(seed, "dc_offset")
    # What this unit has of its own is known once it was powered.
    fault = "dc_offset@left={:.9f}"
    (first,) = done(seed, _OFFSET, [_LEFT], faults=[fault.format(OFFSET_LIMIT_V)])
    needed = OFFSET_LIMIT_V + wanted - first.truth
    return done(seed, _OFFSET, [_LEFT], faults=[fault.format(needed)])


IDLE_LIMIT_A = 0.035
IDLE_SEVERITIES = (0.09, 0.19)  # of a bias set too high: 31 mA to 39 mA for most units
_IDLE = """
[[step]]
id = "current"
do = "device_current"
at = "ballast.left.upper.1"
settle = { within = "1 mA", for = "2 s", at_most = "30 s" }
"""
_DEVICE = Wanted(
    "idle_current",
    "idle_current",
    "current",
    lambda seen: float(seen.truth.device_current("left", "upper", 1)),
)


def _idle(seed: int) -> list[Pair]:
    low, high = IDLE_SEVERITIES
    severity = low + (high - low) * 0.5 * (1.0 + _place(seed, "idle_current"))
    return done(seed, _IDLE, [_DEVICE], faults=[f"bias_high@left={severity:.6f}"])


POWER_LIMIT_W = 40.0
POWER_RAILS_V = (27.7, 29.1)
_POWER = Wanted(
    "output_power",
    "output_power",
    "power",
    lambda seen: truths.power_at_distortion(seen.truth, seen.reading.channel, 0.01),
)


def _power(seed: int) -> list[Pair]:
    low, high = POWER_RAILS_V
    volts = low + (high - low) * 0.5 * (1.0 + _place(seed, "output_power"))
    powering = bring_up(to=f"{volts:.4f} V")
    pairs = done(seed, POWER.steps, [_POWER], powering=powering)
    return [pair for pair in pairs if pair.reading.channel == "left"]


POPULATIONS: tuple[Population, ...] = (
    Population("dc_offset", "V", Limit(high=OFFSET_LIMIT_V), _offset),
    Population("idle_current", "A", Limit(high=IDLE_LIMIT_A), _idle),
    Population("output_power", "W", Limit(low=POWER_LIMIT_W), _power),
)


# --- counting -------------------------------------------------------------------------------------


def judge_many(
    quantity: str | None = None,
    benches: int = 400,
    *,
    first_seed: int = 1,
    processes: int = 1,
    told: TellProgress = lambda population, done, of: None,
) -> list[Rates]:
    """Draw units across the limits, measure and judge each, under both decision rules.

    Args:
        quantity: one population; None: all.

    Raises:
        UsageError: no such population, with the nearest known one.
    """
    found: list[Rates] = []
    for one in _chosen(quantity):
        pairs = each(
            partial(_measured, one.name),
            range(first_seed, first_seed + benches),
            processes=processes,
            told=partial(told, one.name),
        )
        rules: tuple[Decision, Decision] = (SIMPLE, GUARDED)
        found += [rates_of(one, pairs, rule) for rule in rules]
    return found


def rates_of(population: Population, pairs: Sequence[Pair], rule: Decision) -> Rates:
    """Count verdicts apart for units that conform and those that do not."""
    conforming = dict.fromkeys(Verdict, 0)
    others = dict.fromkeys(Verdict, 0)
    limit = population.limit
    for pair in pairs:
        verdict = decide(pair.reading, limit, rule, pair.name).verdict
        (conforming if keeps(pair.truth, limit) else others)[verdict] += 1
    return Rates(population.name, population.unit, limit, rule, conforming, others)


def keeps(truth: float, limit: Limit) -> bool:
    """Whether a true value keeps to its limit."""
    below = limit.high is None or truth <= limit.high
    return below and (limit.low is None or truth >= limit.low)


def _measured(name: str, seed: int) -> list[Pair]:
    return next(p for p in POPULATIONS if p.name == name).measure(seed)


def _chosen(quantity: str | None) -> Sequence[Population]:
    if quantity is None:
        return POPULATIONS
    found = [p for p in POPULATIONS if p.name == quantity]
    if found:
        return found
    known = [p.name for p in POPULATIONS]
    near = difflib.get_close_matches(quantity, known, 1)
    raise UsageError(
        f"'{quantity}' has no population across a limit",
        expected=f"did you mean '{near[0]}'?" if near else f"one of {', '.join(known)}",
        where="--quantity",
    )
