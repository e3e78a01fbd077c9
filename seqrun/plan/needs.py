"""What a step says of itself before it is done.

*Needs*: roles, hookups, time, load power, what it does to the unit. *Forecast*: what the bench can
say of a quantity that it judges. What that makes of a limit is the plan's *outlook*.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

#: terminal and node of each lead
Leads = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Hookup:
    """Which leads must be on which nodes: pairs (terminal, node), and the same in words."""

    leads: Leads
    words: str

    @property
    def terminals(self) -> frozenset[str]:
        return frozenset(terminal for terminal, _ in self.leads)


@dataclass(frozen=True, slots=True)
class Forecast:
    """What a reading is expected to be on this bench, in the reading's own unit.

    ``expanded_uncertainty`` is U (k = 2) at ``value``; ``floor`` is the least value that the bench
    can tell from nothing (None: no floor); ``better`` says what would improve it.
    """

    value: float
    expanded_uncertainty: float
    floor: float | None = None
    better: str = ""


@dataclass(frozen=True, slots=True)
class Unforecast:
    """That a reading cannot be forecast on this bench, and why: a data sheet that is silent."""

    why: str


@dataclass(frozen=True, slots=True)
class SupplyUse:
    """What a step asks of the supply, per rail, V and A; None: nothing, or not known before the
    readings that it leans on are made.

    ``volts`` is what it raises the rails to, ``amperes`` the largest current limit that it sets;
    ``over_voltage`` and ``over_current`` the supply's own protection.
    """

    volts: float | None = None
    amperes: float | None = None
    over_voltage: float | None = None
    over_current: float | None = None


@dataclass(frozen=True, slots=True)
class ScopeRecord:
    """The longest record that a step takes with the scope: points, samples per second, and the
    largest |V| that it expects at a probe tip.

    ``filtered_hz``: samples per second that are enough for a converter that keeps out by itself
    what they cannot hold, as a sound interface does; 0: as many as any other needs. ``dc``: what
    it looks for is DC as well.
    """

    points: int
    rate_hz: float = 0.0
    peak_v: float = 0.0
    filtered_hz: float = 0.0
    dc: bool = False


@dataclass(frozen=True, slots=True)
class Needs:
    """What one step needs of the bench and what it does to the unit.

    ``seconds`` is the bench time that it takes as a rule, without that of hands: the leads that
    they move are counted by its hookups, whatever else they do (a knob, a plug, a lead off and on
    again) by ``acts``; ``load_power_w`` the largest mean power
    that it drives into the load of each channel; ``energises`` is True for a step that switches the
    supply on (with ``live``: off and on again), ``protects`` for one that sets the supply's own
    protection, ``live`` for one that only makes sense with the unit powered, ``dead`` for one that
    must not be done while it is nor before it was seen to be discharged, ``mains`` for one that has
    it powered from its own mains plug, ``switches_off`` for one that leaves it without power
    (``safe`` also confirms that it has discharged). ``loads_measured`` are the channels whose loads
    it measures, ``loads_off`` and ``loads_on`` those whose loads it takes off the outputs and puts
    back, ``supply`` what it sets the supply to. ``meter`` are the functions that it sets the
    meter to with the largest value that each has to hold (None: any; {}: DC volts), ``generator``
    the operations beside plain sines, ``record`` the longest record that it cannot do without
    (None: any). ``by_itself`` are the roles that it reads again and again, or that must act while
    nobody is asked: no hands can play them. ``screen``: what it wants of the scope can be read off
    a screen. ``proved_on`` are the channels on whose outputs a tone has to show that its lead is
    there, and ``proved_by`` the role that hears it.
    """

    roles: frozenset[str] = frozenset()
    hookups: tuple[Hookup, ...] = ()
    seconds: float = 1.0
    acts: int = 0
    load_power_w: dict[str, float] = field(default_factory=dict)
    energises: bool = False
    protects: bool = False
    live: bool = False
    dead: bool = False
    mains: bool = False
    switches_off: bool = False
    safe: bool = False
    loads_measured: frozenset[str] = frozenset()
    loads_off: frozenset[str] = frozenset()
    loads_on: frozenset[str] = frozenset()
    supply: SupplyUse = SupplyUse()
    meter: Mapping[str, float | None] = field(default_factory=dict)
    generator: frozenset[str] = frozenset()
    record: ScopeRecord | None = None
    by_itself: frozenset[str] = frozenset()
    screen: bool = False
    proved_on: tuple[str, ...] = ()
    proved_by: str = "scope"

    @property
    def first_hookups(self) -> tuple[Hookup, ...]:
        """Those that stand when the step begins: the first of each lead. Where a lead goes after
        that the step asks for itself, when it is there."""
        taken: set[str] = set()
        found: list[Hookup] = []
        for hookup in self.hookups:
            if not hookup.terminals & taken:
                taken |= hookup.terminals
                found.append(hookup)
        return tuple(found)
