"""What a plan asks of the supply and drives into the loads, checked before there is any power."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from seqrun.errors import UsageError
from seqrun.quantity import render

if TYPE_CHECKING:
    from seqrun.files.driver.file import Driver
    from seqrun.files.sequence.file import Sequence as Sequence_
    from seqrun.files.unit.sheet import Unit
    from seqrun.plan.actions import Action
    from seqrun.plan.view import BenchView

#: a load must stand this much more than the mean power it is expected to get (common practice)
LOAD_MARGIN = 1.25
#: over-voltage protection further above the rated rail than this protects nothing (our own choice;
#: 10 to 20 % above the rail is common practice)
PROTECTION_MOST = 1.5
PROTECTION_LEAST = 1.05  # of the rail: nearer to it, a step of the load trips it (our own choice)
#: so little harms neither the unit nor a load, whatever the load is (our own choice), W
LISTENING_W = 0.1
#: W: the most that is driven with unmeasured loads taken off: a hand may have left one on (our own
#: choice)
OFF_W = 1.0
LEAST_ROOM = 1.1  # over what a healthy unit draws, for a limit that does not act on it
#: what is left where a supply does not reach a unit's rails
BY_ITSELF = "the unit on its own mains supply: 'meter-only' reads it, first through a series lamp"
#: rails are raised to what the sheet says; a setting rounds by less than this
RAIL_SLACK = 0.005


def problems(
    view: BenchView, actions: Sequence[Action], *, whole: bool = True
) -> Iterator[UsageError]:
    """Protection, rails, the supply's own reach, and power into loads.

    Args:
        whole: no step was refused by itself. Where one was, a load that nothing has measured may
            be its doing, and is not told as well.
    """
    yield from _protection(view, actions)
    yield from _rails(view, actions)
    yield from _reach(view, actions)
    yield from _trips_at_once(view, actions)
    yield from _loads(view, actions, whole)


def _protection(view: BenchView, actions: Sequence[Action]) -> Iterator[UsageError]:
    """Nothing is energised before the supply's own protection is set, and it is set where it
    protects: above the rail, and not far above."""
    protected = False
    level: tuple[str, float] | None = None
    for action in actions:
        needs = action.needs
        protected |= needs.protects
        if needs.protects and needs.supply.over_voltage is not None:
            level = action.id, needs.supply.over_voltage
        if not needs.energises:
            continue
        if not protected:
            yield UsageError(
                f"'{action.id}' switches the supply on before its protection is set",
                expected='a step with do = "protect_supply" before it',
                where=action.id,
                hint="put the protection step first",
            )
        volts = needs.supply.volts
        if level is None or volts is None:
            continue
        step, over = level
        volts = min(volts, view.unit.rail_voltage)  # a ramp above that is told by itself
        if over <= volts * (1.0 + RAIL_SLACK):
            yield UsageError(
                f"the over-voltage protection of '{step}', {render(over, 'V')}, is not above the "
                f"{render(volts, 'V')} that '{action.id}' raises the rails to",
                expected=f"some 10 to 20 % above the rail (common practice), as "
                f"{render(1.15 * volts, 'V', digits=3)}",
                where=step,
                hint='write over_voltage = "1.15 * rail_voltage"',
            )
        elif over > PROTECTION_MOST * view.unit.rail_voltage:
            yield UsageError(
                f"the over-voltage protection of '{step}', {render(over, 'V')}, is far above the "
                f"unit's rated rails of {render(view.unit.rail_voltage, 'V')}: it would protect "
                "nothing",
                expected=f"at most {render(PROTECTION_MOST * view.unit.rail_voltage, 'V')}",
                where=step,
                hint='write over_voltage = "1.15 * rail_voltage"',
            )


def _rails(view: BenchView, actions: Sequence[Action]) -> Iterator[UsageError]:
    rated = view.unit.rail_voltage
    for action in actions:
        volts = action.needs.supply.volts
        if volts is None:
            continue
        if volts > rated * (1.0 + RAIL_SLACK):
            yield UsageError(
                f"the rails would be raised to {render(volts, 'V')}, above the unit's rated "
                f"{render(rated, 'V')}",
                expected=f"at most rail_voltage, {render(rated, 'V')}",
                where=action.id,
                hint='write to = "rail_voltage"',
            )
        elif volts <= 0.0:
            yield UsageError(
                f"the rails would be raised to {render(volts, 'V')}",
                expected="a positive voltage; the negative rail follows from how its output is "
                "wired",
                where=action.id,
            )


def _most(driver: Driver, *functions: str) -> float:
    """The largest range that the driver states for the first of the functions that it knows."""
    for function in functions:
        ranges = [row.range for row in driver.rows.get(function, ()) if row.range is not None]
        if ranges:
            return max(ranges)
    return math.inf


def largest_current(view: BenchView) -> float:
    """What each output that feeds a rail can be set to give, A: that of the weakest; infinite
    when not stated."""
    return min(_reaches(view, key)[1] for key in view.keys("supply"))


def _reaches(view: BenchView, name: str) -> tuple[float, float]:
    """Volts and amperes that every output of a supply that feeds a rail can be set to: the small
    third output of many a supply feeds none, and of a supply without a rail nothing is asked."""
    driver = view.drivers[name]
    used = _feeding(view, name)
    if not used:
        return math.inf, math.inf
    has = driver.supply
    volts = [_most(driver, "program_voltage", "readback_voltage")]
    amperes = [_most(driver, "program_current", "readback_current")]
    if has is not None:
        volts += [has.volts[n - 1] for n in used if n <= len(has.volts)]
        amperes += [has.amperes[n - 1] for n in used if n <= len(has.amperes)]
    return min(volts), min(amperes)


def _feeding(view: BenchView, name: str) -> list[int]:
    """The outputs of a supply, from 1, that feed a rail."""
    try:
        rails = view.rails.values()
    except UsageError:  # a rail without a supply is told by itself
        return list(range(1, view.drivers[name].outputs + 1))
    outlets = view.outlets("supply")
    fed = (outlets[n - 1].rpartition(".") for n in rails)
    return [int(number) for key, _, number in fed if key == name]


def _reach(view: BenchView, actions: Sequence[Action]) -> Iterator[UsageError]:
    """Voltages and currents that the supply can be set to."""
    if not view.has("supply"):
        return
    for name in view.keys("supply"):
        yield from _reach_of(view, name, actions)


def _reach_of(view: BenchView, name: str, actions: Sequence[Action]) -> Iterator[UsageError]:
    driver = view.drivers[name]
    volts, amperes = _reaches(view, name)
    protected_v = _most(driver, "protection_voltage")
    protected_a = _most(driver, "protection_current")
    for action, powers in into_loads(actions):
        use = action.needs.supply
        for wanted, most, unit, what in (
            (use.volts, volts, "V", "rails of"),
            (use.amperes, amperes, "A", "a current limit of"),
            (use.over_voltage, protected_v, "V", "an over-voltage protection of"),
            (use.over_current, protected_a, "A", "an over-current protection of"),
        ):
            if wanted is None or wanted <= most:
                continue
            hint = _lower(view.unit, most, amperes) if unit == "A" else BY_ITSELF
            if wanted == use.over_voltage and most >= PROTECTION_LEAST * view.unit.rail_voltage:
                # It is above the rails still, and nearer to them protects no less.
                level = render(most, "V", digits=3)
                hint = f'over_voltage = "{level}" in a copy of the sequence, or {hint}'
            yield UsageError(
                f"{what} {render(wanted, unit, digits=3)} is asked of {name}, "
                f"which goes to {render(most, unit, digits=3)}",
                expected=f"a supply for at least {render(wanted, unit, digits=3)} on each output",
                where=action.id,
                hint=hint,
            )
        need = current_for(view.unit, powers)
        if need > amperes:
            yield UsageError(
                f"the power of this step needs {render(need, 'A', digits=3)} from each rail, and "
                f"{name} gives {render(amperes, 'A', digits=3)}",
                expected="a supply that can give what the loads are to get",
                where=action.id,
                hint=instead(view.unit, amperes),
            )


def _trips_at_once(view: BenchView, actions: Sequence[Action]) -> Iterator[UsageError]:
    """An over-current protection below what a step needs ends the run of a good unit there."""
    level: float | None = None
    for action, powers in into_loads(actions):
        if action.needs.protects and action.needs.supply.over_current is not None:
            level = action.needs.supply.over_current
        need = current_for(view.unit, powers)
        if action.needs.energises:
            need = max(need, view.unit.expected_supply_current)
        if level is not None and need > level:
            yield UsageError(
                f"an over-current protection of {render(level, 'A', digits=3)} would trip here: "
                f"a healthy unit draws {render(need, 'A', digits=3)} from each rail",
                expected="a level above what the unit draws at rated power",
                where=action.id,
                hint=_less_power(view.unit, powers)
                or 'write over_current = "1.5 * supply_at_rated_power"',
            )
            return


def _less_power(unit: Unit, powers: dict[str, float]) -> str:
    """What to do about a step that may drive more than rated power into a load; "" where none is:
    then it is the level that is too low."""
    most = max(powers.values(), default=0.0)
    if most <= LEAST_ROOM * unit.rated_power:
        return ""
    return (
        f"up to {render(most, 'W', digits=3)} may come into a load there, and the unit is rated "
        f"{render(unit.rated_power, 'W', digits=3)}: divide the power of this step by "
        f"{math.ceil(most / unit.rated_power)}"
    )


def into_loads(actions: Sequence[Action]) -> Iterator[tuple[Action, dict[str, float]]]:
    """Each action with the power, W, that it drives into the load of each channel that has one
    then: what is taken off for first power gets none, and the unit gives no current to it."""
    off: frozenset[str] = frozenset()
    for action in actions:
        off = (off | action.needs.loads_off) - action.needs.loads_on
        yield action, {c: w for c, w in action.needs.load_power_w.items() if c not in off}


def current_for(unit: Unit, load_power_w: dict[str, float]) -> float:
    """Mean current from each rail while these loads get these powers, A (class B, as
    :meth:`~seqrun.files.unit.ratings.Ratings.supply_current_at`); 0 with no power."""
    swing = sum(math.sqrt(2.0 * watts / unit.rated_load) for watts in load_power_w.values())
    return swing / math.pi * len(unit.sides)


def _lower(unit: Unit, most: float, amperes: float) -> str:
    """What to do where a supply's limit cannot be set so high: the unit may need less than it."""
    drawn = unit.supply_at_rated_power
    if LEAST_ROOM * drawn > min(most, amperes):
        return instead(unit, amperes)
    return (
        f"at rated power a healthy unit draws {render(drawn, 'A', digits=3)}: in a copy of the "
        f"sequence, write at most {render(most, 'A', digits=3)} there"
    )


def instead(unit: Unit, amperes: float) -> str:
    """What a supply of so little current can do with this unit."""
    peak = amperes * math.pi / len(unit.sides)
    together = min(0.5 * (peak / len(unit.channels)) ** 2 * unit.rated_load, unit.rated_power)
    alone = min(0.5 * peak**2 * unit.rated_load, unit.rated_power)
    ways = [f"at most {render(together, 'W', digits=2)} into each load with all channels driven"]
    if len(unit.channels) > 1:
        ways.append(f"one channel at a time up to {render(alone, 'W', digits=2)}")
    return "with this supply: " + ", ".join(ways) + ", or the unit on its own mains supply"


def _loads(view: BenchView, actions: Sequence[Action], whole: bool) -> Iterator[UsageError]:
    """Every load was measured before power goes into it, and stands what it gets."""
    measured: set[str] = set()
    for action, powers in into_loads(actions):
        measured |= action.needs.loads_measured
        unknown = [
            f"'{view.load(channel).name}'"
            for channel, watts in action.needs.load_power_w.items()
            if watts > (LISTENING_W if channel in powers else OFF_W) and channel not in measured
        ]
        if unknown and whole:
            yield UsageError(
                f"{max(action.needs.load_power_w.values()):.3g} W would be driven into load "
                f"{' and '.join(unknown)}, which no step has measured",
                expected='a step with do = "load_resistance" before the unit is powered',
                where=action.id,
                hint='add [[step]] id = "load.{channel}", each = "channel", '
                'do = "load_resistance" after the protection step',
            )
        for channel, watts in action.needs.load_power_w.items():
            load = view.load(channel)
            if load.power < LOAD_MARGIN * watts:
                yield UsageError(
                    f"load '{load.name}' is rated {load.power:g} W, and {watts:.3g} W would be "
                    "driven into it",
                    expected=f"at least {LOAD_MARGIN * watts:.3g} W ({LOAD_MARGIN:g} times the "
                    f"{watts:.3g} W that the step drives into it)",
                    where=action.id,
                    hint="use a larger load; an overheated load changes its value and burns",
                )


def warnings(sequence: Sequence_, view: BenchView, actions: Sequence[Action]) -> list[str]:
    """What is not refused but needs a reason: no trip on current, or one that never acts, no
    discharge at the end."""
    found: list[str] = []
    given = max((a.needs.supply.amperes or 0.0 for a in actions), default=0.0)
    for trip in sequence.trip:
        level = view.rated(trip.above, "A") if trip.quantity == "supply_current" else None
        if level is not None and 0.0 < given <= level:
            found.append(
                f"the trip on supply_current above {render(level, 'A', digits=3)} never acts: the "
                f"supply is set to give at most {render(given, 'A', digits=3)}"
            )
    trips = {trip.quantity for trip in sequence.trip}
    if any(action.needs.energises for action in actions) and "supply_current" not in trips:
        found.append(_reasoned(NO_TRIP, "no_current_trip", sequence.no_current_trip))
    powered = False
    for action in actions:
        powered |= action.needs.energises or action.needs.mains
        powered &= not action.needs.safe
    if powered:
        found.append(_reasoned(NO_DISCHARGE, "no_discharge", sequence.no_discharge))
    return found


def _reasoned(warning: str, key: str, reason: str) -> str:
    if reason:
        return f"{warning} (as the sequence has it: {reason})"
    return f'{warning}; if that is meant, state why in the sequence: {key} = "..."'


NO_TRIP = "no trip on supply_current: nothing ends the run when the unit draws too much"
NO_DISCHARGE = (
    'no step with do = "power_down" at the end: the rails are not seen to be discharged by the '
    "meter; do not touch before you have measured below 2 V"
)
