"""The unit's rails: reservoirs between a current-limited supply and an amplifier that draws.

A rail is *held* when supply and load are in balance (regulated, or at the current limit),
*charging* when the limit is filling the reservoir, *decaying* when it stands above what the supply
gives and only bleeder and load empty it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal

from demo_sim.amplifier.electrics import Operating, Rails
from demo_sim.amplifier.spec import RailSpec

SETTLED_V = 5e-5
LIMITED_SETTLED_V = 2e-3
RESOLVED_A = 2e-5
SAME_A = 1e-4  # a limited rail that draws its limit this closely stays where it is
MOST_ROUNDS = 8
LARGEST_STEP_V = 1.0
EMPTY_V = 1e-3

Mode = Literal["held", "charging", "decaying"]
Operate = Callable[[Rails], Operating]


@dataclass(frozen=True, slots=True)
class Source:
    """What feeds a rail: open-circuit volts, current limit, resistance up to the unit."""

    volts: float
    limit_a: float
    ohm: float


@dataclass(slots=True)
class Rail:
    """One rail, as a positive voltage whatever its sign.

    ``fall`` is how it last went down: seconds since it was left alone, and volts.
    """

    spec: RailSpec
    source: Source | None = None
    volts: float = 0.0
    mode: Mode = "held"
    amps: float = 0.0  # from the supply
    limited: bool = False
    draw_a: float = 0.0  # by the unit, bleeder included
    fall: list[tuple[float, float]] = field(default_factory=list)

    def feed(self, source: Source | None) -> None:
        """A new setting of the supply."""
        self.source = source
        target = 0.0 if source is None else source.volts
        if self.volts > target + SETTLED_V or (source is None and self.volts > 0.0):
            self.mode = "decaying"
            self.fall = [(0.0, self.volts)]
        elif target > self.volts:
            self.mode = "charging"
        else:
            self.mode = "held"

    @property
    def ohm(self) -> float:
        return self.spec.feed_ohm + (0.0 if self.source is None else self.source.ohm)

    @property
    def terminal_volts(self) -> float:
        """At the supply's terminals."""
        return self.volts + self.amps * self.spec.feed_ohm

    @property
    def filling_a(self) -> float:
        """What the supply gives while it fills the reservoir: its limit, or what the resistance
        between them lets through."""
        assert self.source is not None
        through = max(0.0, self.source.volts - self.volts) / max(self.ohm, 1e-6)
        return min(self.source.limit_a, through)

    def take(self, unit_a: float) -> None:
        """Note what the unit draws at the present voltage."""
        self.draw_a = unit_a + self.volts / self.spec.bleeder_ohm

    def regulated(self) -> float:
        """Voltage that the supply would hold at the present draw."""
        assert self.source is not None
        return max(0.0, self.source.volts - self.ohm * self.draw_a)


class RailPair:
    """Both rails (the negative one stays empty in a single-rail unit)."""

    def __init__(self, spec: RailSpec, split: bool) -> None:
        self.pos = Rail(spec)
        self.neg = Rail(replace(spec, feed_ohm=spec.feed_ohm + spec.neg_more_ohm))
        self.split = split
        self._rails = Rails(0.0, 0.0)

    @property
    def rails(self) -> Rails:
        """Both as they are; the very same value while they are the same."""
        pos, neg = self.pos.volts, -self.neg.volts if self.split else 0.0
        if self._rails.pos != pos or self._rails.neg != neg:
            self._rails = Rails(pos, neg)
        return self._rails

    def _all(self) -> tuple[Rail, ...]:
        return (self.pos, self.neg) if self.split else (self.pos,)

    @property
    def moving(self) -> bool:
        return self.pos.mode != "held" or (self.split and self.neg.mode != "held")

    def balance(self, operate: Operate) -> Operating:
        """Find the held rails' voltages; the operating point there."""
        together = False
        for _ in range(MOST_ROUNDS):
            point = self._draw(operate)
            moved = 0.0
            if self.split and not together and self._both_beyond():
                together = True
                self._both_at_limit(operate)
                point = self._draw(operate)
            for rail in self._all():
                if rail.mode != "held" or rail.source is None:
                    continue
                beyond = rail.draw_a - rail.source.limit_a
                if rail.limited and abs(beyond) < SAME_A:
                    continue
                if rail.limited or beyond > 0.0:
                    # Not sharper than the current is resolved: what a flat load line allows.
                    change = self._at_limit(rail, operate)
                    moved = max(moved, 0.0 if change < LIMITED_SETTLED_V else change)
                else:
                    new = rail.regulated()
                    moved = max(moved, abs(new - rail.volts))
                    rail.volts = new
            if moved < SETTLED_V:
                break
        for rail in self._all():
            self._note_supply(rail)
        return point

    def _both_beyond(self) -> bool:
        return all(
            rail.mode == "held"
            and rail.source is not None
            and rail.draw_a > rail.source.limit_a + (SAME_A if rail.limited else 0.0)
            for rail in (self.pos, self.neg)
        )

    def _draw(self, operate: Operate) -> Operating:
        point = operate(self.rails)
        self.pos.take(point.pos_a)
        self.neg.take(point.neg_a if self.split else 0.0)
        return point

    def _at_limit(self, rail: Rail, operate: Operate) -> float:
        """Voltage at which the rail draws just the limit; how far it moved."""
        assert rail.source is not None
        source, before = rail.source, rail.volts
        high = source.volts - rail.ohm * source.limit_a

        def excess(share: float) -> float:
            rail.volts = share * high
            self._draw(operate)
            return rail.draw_a - source.limit_a

        rail.limited = excess(1.0) > 0.0
        if rail.limited:
            _root(excess, before / high, SETTLED_V / high)
        else:
            rail.volts = rail.regulated()
        return abs(rail.volts - before)

    def _both_at_limit(self, operate: Operate) -> None:
        """Lower both rails alike until neither draws more than its limit.

        What flows from rail to rail (a shorted device driven against its other half) makes both
        currents one; two searches in turn would never end.
        """
        highs = [
            (rail, rail.source.volts - rail.ohm * rail.source.limit_a, rail.source.limit_a)
            for rail in (self.pos, self.neg)
            if rail.source is not None
        ]
        before = min(rail.volts / high for rail, high, _ in highs)

        def excess(share: float) -> float:
            for rail, high, _ in highs:
                rail.volts = share * high
            self._draw(operate)
            return max(rail.draw_a - limit for rail, _, limit in highs)

        if excess(1.0) > 0.0:
            _root(excess, before, SETTLED_V / max(high for _, high, _ in highs))
            for rail, _, _ in highs:
                rail.limited = True  # or nearly: the search of one rail decides

    @staticmethod
    def _note_supply(rail: Rail) -> None:
        if rail.source is None or rail.mode == "decaying":
            rail.amps, rail.limited = 0.0, False
        elif rail.mode == "charging":
            rail.amps = rail.filling_a
            rail.limited = rail.amps >= rail.source.limit_a
        else:
            rail.amps = min(rail.draw_a, rail.source.limit_a)

    def move(self, seconds: float, operate: Operate) -> float:
        """Let rails that are not held move, at most ``seconds``; the time it took."""
        self._draw(operate)
        step = seconds
        rates = {}
        for name, rail in (("pos", self.pos), ("neg", self.neg)):
            if rail.mode == "held" or rail not in self._all():
                continue
            given = rail.filling_a if rail.mode == "charging" and rail.source else 0.0
            rate = (given - rail.draw_a) / rail.spec.reservoir_f
            rates[name] = rate
            if abs(rate) > 1e-12:
                span = LARGEST_STEP_V
                if rail.mode == "decaying":
                    span = min(span, max(0.2 * rail.volts, EMPTY_V))
                step = min(step, span / abs(rate))
        for name, rate in rates.items():
            rail = self.pos if name == "pos" else self.neg
            rail.volts += rate * step
            if rail.mode == "decaying":
                rail.fall.append((rail.fall[-1][0] + step, rail.volts))
            self._arrive(rail, rate)
        return step

    @staticmethod
    def _arrive(rail: Rail, rate: float) -> None:
        target = 0.0 if rail.source is None else max(0.0, rail.regulated())
        if rail.mode == "charging" and (rail.volts >= target or rate < 1e-3):
            rail.volts = min(rail.volts, target)
            rail.mode = "held"
        elif rail.mode == "decaying" and rail.volts <= max(target, EMPTY_V):
            rail.volts = target
            rail.mode = "held"


def _root(excess: Callable[[float], float], before: float, resolved: float) -> None:
    """Search the zero of a rising function on 0 … 1, known to be positive at 1.

    Illinois variant of regula falsi, with a bisection now and then; starts near where the zero was,
    because limits move slowly with heat. Leaves ``excess`` called at the zero last.
    """
    low, high = 0.0, 1.0
    under, over = excess(0.0), excess(1.0)
    for guess in (0.97 * before, 1.03 * before):
        if low < guess < high:
            value = excess(guess)
            if value > 0.0:
                high, over = guess, value
            else:
                low, under = guess, value
    for count in range(60):
        middle = (low * over - high * under) / (over - under)
        if count % 3 == 2:
            middle = 0.5 * (low + high)
        value = excess(middle)
        if abs(value) < RESOLVED_A or high - low < resolved:
            break
        if value > 0.0:
            high, over, under = middle, value, 0.5 * under
        else:
            low, under, over = middle, value, 0.5 * over
