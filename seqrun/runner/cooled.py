"""Whether the metal is cold as power is put on a unit: a drift is counted from a cold one.

A unit that was heated a while ago may still be warm: then too little drift would be seen, and a
creeping one pass. It is looked at before the rails come up, in every run that holds a hot reading
against a cold one. The sensors on heatsink and in the air tell. On a bench without them the record
of the run before has to, or else somebody who is asked.

A run that was interrupted and goes on does not wait: what counts from cold is not measured then. A
fresh one leaves the unit without power until it has cooled, unless somebody says no.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from uncertainties import UFloat

from seqrun.errors import BenchLacks, NotMeasured
from seqrun.measure.cooling_down import NOTHING_LEFT, SLOWEST_S, rise_left, seconds_until
from seqrun.measure.temperature import pt100_tolerance_k
from seqrun.plan.context import Indication
from seqrun.quantity import render
from seqrun.record import RecordError
from seqrun.runner.last_power import LastPower
from seqrun.steps.common.dirt import ambient_seen
from seqrun.steps.common.from_cold import NOT_COLD
from seqrun.steps.common.sink import (
    PT100_EXPECTED_OHM,
    read_temperature,
    sink_now,
    watch_sink,
)
from seqrun.values import COVERAGE_FACTOR, rectangular

if TYPE_CHECKING:
    from seqrun.plan.actions import Action, Plan
    from seqrun.runner.lent import Lent
    from seqrun.runner.resuming import Resumption

#: a heatsink this much warmer than the room is cold enough (our own choice: of a drift that is
#: counted over thirty kelvins it hides a tenth)
COLD_K = 3.0
#: six times fifteen minutes, the slowest of usual heatsinks (common practice)
COOLS_S = NOTHING_LEFT * SLOWEST_S
#: a fresh run waits no longer than this (our own choice: a heatsink of nine minutes cools from 60 K
#: to 3 K in less)
WAITS_S = 2700.0
LOOK_S = 15.0

Last = Callable[[], LastPower | None]


def nothing_on_record() -> None:
    """Of a unit that never had power before."""


def counts_from_cold(plan: Plan, resumed: Resumption | None) -> bool:
    """Whether a step that is still to be done counts from what is read cold; of a run that goes on,
    only where the first part had power on the unit."""
    keeps: tuple[str, ...] = ()
    if resumed is not None:
        first = plan.actions[: _reached(plan, resumed) + 1]
        if not any(a.needs.energises or a.needs.mains for a in first):
            return False
        keeps = resumed.keeps
    return any(action.step.from_cold for action in plan.actions if action.id not in keeps)


def look(lent: Lent, resumed: Resumption | None, last: Last) -> None:
    """See how warm the metal is before power, have it cool, and keep why nothing counts from it as
    from cold where it has not."""
    over = _by_sensors(lent)
    if over is not None:
        why = _warmer(over, "after the first run" if resumed is not None else "before first power")
        left_k, ago_s = float(over.nominal_value), 0.0
    elif resumed is not None:
        why, left_k, ago_s = _by_time(resumed), math.nan, 0.0
    else:
        why, left_k, ago_s = _by_record(lent, last)
    if why and resumed is None:
        why = _cooling(lent, why, left_k, ago_s, by_sensors=over is not None)
    if why:
        lent.keep(NOT_COLD, f"{why}: let it cool, and do the whole sequence again")
        lent.say(f"{why}: what counts from cold is not measured")


def _by_sensors(lent: Lent) -> UFloat | None:
    """How much warmer the heatsink is than the room, K; None where no sensors tell."""
    view = lent.view
    if not view.has("meter") or view.by_hand("meter"):
        return None
    if not view.drivers[view.key("meter")].can("configure_resistance_4w"):
        return None
    try:
        room = _at(lent, "sensor.ambient", ambient_seen(lent))
        return _at(lent, "sensor.sink", None) - room
    except (BenchLacks, NotMeasured):
        return None


def _at(lent: Lent, point: str, seen: float | None) -> UFloat:
    """°C at a sensor; where it was ``seen`` in this run already, that, with its tolerance."""
    view = lent.view
    sensor = view.sensor(point)
    if seen is not None:
        return rectangular(seen, pt100_tolerance_k(seen, sensor.tolerance_class), f"{point}, seen")
    lent.connect(view.meter_four_wire(point))
    lent.meter.configure("resistance_4w", PT100_EXPECTED_OHM, 10.0)
    return read_temperature(lent, point, 3)


def _warmer(over: UFloat, when: str) -> str:
    """Why the metal is not cold, "" where it is."""
    warmer = float(over.nominal_value)
    if warmer - COVERAGE_FACTOR * float(over.std_dev) <= COLD_K:
        return ""
    return f"the heatsink is {render(warmer, 'K', digits=2)} warmer than the room {when}"


def _by_time(resumed: Resumption) -> str:
    ended = datetime.fromisoformat(resumed.of.run.ended_utc)
    ago = (datetime.now(UTC) - ended).total_seconds()
    return "" if ago >= COOLS_S else _untold(ago)


def _untold(ago_s: float) -> str:
    return (
        f"the unit had power until {render(max(ago_s, 0.0) / 60.0, 'min', digits=2)} ago, and no "
        "sensor tells whether its metal is cold"
    )


def _by_record(lent: Lent, last: Last) -> tuple[str, float, float]:
    """Why the metal is not cold by the record of the run before, or by whom is asked; the rise that
    was left then, K (nan: nobody knows), and how long ago, s."""
    try:
        before = last()
    except RecordError as problem:
        return f"when the unit had power last cannot be read: {problem.found}", math.nan, 0.0
    if before is not None:
        ago, rise = before.ago_s(), before.rise_k
        if rise is None:
            return ("" if ago >= COOLS_S else _untold(ago)), math.nan, ago
        if rise_left(rise, ago, _tau(lent)) <= COLD_K:
            return "", 0.0, 0.0
        told = f"{_untold(ago)}; its heatsink was {render(rise, 'K', digits=2)} over the room"
        return told, rise, ago
    if not lent.hands.looks:
        lent.say("nothing tells whether the metal is cold: it is taken to be")
        return "", 0.0, 0.0
    cold = lent.see("Is the heatsink as cool as the room, with no power for an hour and a half?")
    return ("" if cold else "the metal is warm, as the operator says"), math.nan, 0.0


def _tau(lent: Lent) -> float:
    """By which a heatsink is taken to cool, s: twice what heating told, for the end of it is slow;
    the slowest usual one where the sheet tells none."""
    told = lent.view.unit.sink_time_constant
    return SLOWEST_S if told is None else min(2.0 * told, max(told, SLOWEST_S))


def _cooling(lent: Lent, why: str, left_k: float, ago_s: float, *, by_sensors: bool) -> str:
    """Have the unit stand without power until it is cold; why it is not in the end."""
    tau = _tau(lent)
    needs = seconds_until(left_k, COLD_K, tau) if left_k == left_k else COOLS_S
    needs = max(needs - ago_s, 0.0)
    if needs > WAITS_S and not by_sensors:
        return why
    about = render(max(needs, 60.0) / 60.0, "min", digits=2)
    try:
        wanted = lent.see(f"{why}. Wait for it to cool, about {about}, without power?")
    except NotMeasured:  # nobody is there: what needs it is what the sequence is for
        wanted = True
    if not wanted:
        return why
    lent.say(f"{why}: it is left to cool for about {about}; Ctrl-C ends the run")
    if by_sensors:
        return _watched(lent, why, left_k)
    begun = lent.clock.now()

    def over() -> bool | None:
        passed = lent.clock.now() - begun
        lent.progress("cooling before first power, by the clock", min(passed / needs, 1.0))
        return True if passed >= needs else None

    lent.wait_until(over, every_s=LOOK_S, at_most_s=needs + 60.0, what="the heatsink to cool")
    return ""


def _watched(lent: Lent, why: str, left_k: float) -> str:
    room = ambient_seen(lent)
    if room is None:
        raise AssertionError("the room was read before the heatsink")
    watch_sink(lent)

    def cold() -> bool | None:
        celsius = sink_now(lent)
        over = celsius - room
        told = math.log(max(left_k / max(over, COLD_K), 1.0)) / math.log(left_k / COLD_K)
        lent.progress(
            f"cooling before first power: sink {celsius:.1f} °C, {over:.1f} K over the room",
            min(told, 1.0),
            Indication("sink", celsius, "°C"),
        )
        return True if over <= COLD_K else None

    try:
        lent.wait_until(cold, every_s=LOOK_S, at_most_s=WAITS_S, what="the heatsink to cool")
    except NotMeasured:
        return f"{why}, and not cold after {render(WAITS_S / 60.0, 'min', digits=2)}"
    return ""


def _reached(plan: Plan, resumed: Resumption) -> int:
    """The action that the first run was at when it ended."""
    done = set(resumed.keeps) | set(resumed.checks) | set(resumed.again)
    last = [i for i, action in enumerate(plan.actions) if action.id in done]
    return max(last, default=-1) + 1


def is_first_power(action: Action) -> bool:
    return action.needs.energises or action.needs.mains
