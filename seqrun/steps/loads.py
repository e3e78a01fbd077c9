"""Test loads: taken off the outputs and put back (first power is given without them), and measured
where they are before the unit is powered."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured, UsageError
from seqrun.files.bench.parts import Load
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Hookup, Needs
from seqrun.plan.ohms import load_ohms
from seqrun.plan.view import BenchView
from seqrun.quantity import render
from seqrun.steps.common.dirt import by_two_wires, keep_load
from seqrun.values import COVERAGE_FACTOR

#: contacts, a load that is warm; a wrong one is far off (common practice)
LABEL_SLACK = 0.02
RATED_SLACK = 0.1  # between a load and the rated load that it stands for
#: two of four leads changed over are all that makes a resistor read so
BACKWARDS = "below zero, so that the meter's leads are swapped"
SHORTED = "the meter's leads touch one another or are on one place, or the load is shorted"


class _Loads(Step):
    """Of the channel that it is repeated for, or of all."""

    def needs(self, view: BenchView) -> Needs:
        for channel in self.channels(view):
            view.load(channel)
        return Needs(seconds=0.0, acts=len(self.channels(view)))

    def _surely(self, view: BenchView) -> frozenset[str]:
        """The channels for which it is done in every run."""
        return frozenset() if self.only_if else frozenset(self.channels(view))


class TakeLoadsOff(_Loads):
    """One lead of each test load off its speaker terminal."""

    kind: ClassVar[str] = "take_loads_off"
    yields: ClassVar = ()

    def needs(self, view: BenchView) -> Needs:
        return replace(super().needs(view), loads_off=self._surely(view))

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        for channel in self.channels(ctx.view):
            load = ctx.view.load(channel)
            hot = ctx.view.point(f"out.{channel}").hot
            ctx.disconnect(f"load.{load.name}.1", f"one lead of load {load.name} off {hot}")
        yield from ()


class PutLoadsOn(_Loads):
    """The test loads back across the speaker terminals."""

    kind: ClassVar[str] = "put_loads_on"
    yields: ClassVar = ()

    def needs(self, view: BenchView) -> Needs:
        # Done or not: from here on they may be there.
        return replace(super().needs(view), loads_on=frozenset(self.channels(view)))

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        for channel in self.channels(ctx.view):
            load = ctx.view.load(channel)
            hot = ctx.view.point(f"out.{channel}").hot
            lead = ((f"load.{load.name}.1", hot),)
            ctx.connect(Hookup(lead, f"load {load.name} back onto {hot}"))
        yield from ()


LOAD_RESISTANCE = Measurand(
    "load_resistance",
    "Ω",
    what="The resistance of the test load, at the speaker terminals.",
    how=(
        "The meter's four leads across the terminals before the unit is powered; it has to be "
        "what the bench file says. A meter without four-wire ohms reads by two, and what its "
        "leads may add is in the uncertainty."
    ),
    fooled_by=(
        "A unit still charged; a terminal that only the meter touches; a unit without output "
        "relay, whose output stage lies across the load."
    ),
)


class LoadResistance(_Loads):
    """What the meter reads across the speaker terminals of a unit without power.

    The output relay is open then (and an output stage without bias conducts nothing), so it is the
    load alone. A reading that is not the bench file's is no reading: the wrong load is a mistake on
    the bench, and every power after it would be wrong.
    """

    kind: ClassVar[str] = "load_resistance"
    yields: ClassVar = (judged(LOAD_RESISTANCE, "channel"),)

    repeats: int = Field(default=3, ge=2, le=100)

    def needs(self, view: BenchView) -> Needs:
        channels = self.channels(view)
        for channel in channels:
            load = view.load(channel)
            if abs(load.resistance / view.unit.rated_load - 1.0) > RATED_SLACK:
                raise UsageError(
                    f"load '{load.name}' is {render(load.resistance, 'Ω')}",
                    expected=f"about {render(view.unit.rated_load, 'Ω')}, the unit's rated load",
                    where=self.id,
                    hint="put the right load on and its measured resistance into the bench file",
                )
        way = load_ohms(view)
        largest = max(1.1 * view.load(c).resistance for c in channels)
        return Needs(
            roles=frozenset({"meter"}),
            hookups=tuple(way.hookup(view, f"out.{c}") for c in channels[:1]),
            seconds=1.2 * len(channels),
            dead=True,
            loads_measured=frozenset(channels),
            meter={way.function: largest + way.leads_ohm + way.taken_off_ohm},
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        rated = view.unit.rated_load
        way = load_ohms(view)
        better = "a meter with four-wire ohms" if way.leads_ohm else "a better meter"
        its_leads = view.bench.dirt.load_leads / math.sqrt(3.0)
        dirt, contacts = view.bench.dirt, 0.0
        if way.function == "resistance_2w":
            contacts = dirt.clip_contact if way.taken_off_ohm else 0.5 * dirt.meter_contacts
        u = math.hypot(way.standard_uncertainty(view, rated), its_leads, contacts / math.sqrt(3.0))
        return Forecast(rated, COVERAGE_FACTOR * u, better=better)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        meter = ctx.meter
        way = load_ohms(ctx.view)
        for channel in self.channels(ctx.view):
            load = ctx.view.load(channel)
            ctx.connect(way.hookup(ctx.view, f"out.{channel}"))
            most = 1.1 * load.resistance + way.leads_ohm + way.taken_off_ohm
            meter.configure(way.function, most, 10.0)
            try:
                ohms = meter.read(self.repeats)
            except NotMeasured:
                reason = f"{_named(load)} is not there: the terminals read open"
                yield self.not_measured(LOAD_RESISTANCE, reason, channel=channel)
                continue
            slack = way.leads_ohm
            if way.function == "resistance_2w":
                ohms = by_two_wires(ctx, ohms, way.taken_off_ohm > 0.0)
                slack += ctx.view.bench.dirt.meter_contacts
            read = float(ohms.nominal_value)
            off = abs(read - load.resistance)
            if off > max(3.0 * load.tolerance, LABEL_SLACK) * load.resistance + slack:
                wrong = _wrong(read, load)
                yield self.not_measured(
                    LOAD_RESISTANCE,
                    f"{_named(load)} reads {render(read, 'Ω')}: {wrong}",
                    channel=channel,
                )
                continue
            yield self.reading(
                LOAD_RESISTANCE,
                keep_load(ctx, channel, ohms),
                channel=channel,
                instruments=(meter.name,),
                note=way.words,
            )


def _wrong(read: float, load: Load) -> str:
    """What a reading that is not the load's says, in words."""
    if abs(read) < LABEL_SLACK * load.resistance:
        return SHORTED
    return "not the load that the bench file names" if read > 0.0 else BACKWARDS


def _named(load: Load) -> str:
    """A load as its label has it."""
    return f"load {load.name} of {render(load.resistance, 'Ω')}"
