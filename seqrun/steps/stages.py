"""Power stages in parallel at a speaker terminal: which part of the load's current each gives."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import UnitLacks, UsageError
from seqrun.files.unit.sheet import Unit
from seqrun.measure import levels
from seqrun.measure.uncertain import magnitude, mean
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, render
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.dirt import load_u_share, warmed, with_emf
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.forecasts import scope_share
from seqrun.steps.common.tone import fundamental
from seqrun.values import COVERAGE_FACTOR, rectangular

#: the stages of a terminal add up to at least this part of the load's current, or a lead is off
ADDS_UP = 0.75

STAGE_SHARE = Measurand(
    "stage_share",
    "%",
    title="share of power stages",
    what=(
        "How far the worst of the power stages in parallel at a terminal is from giving its equal "
        "part of the load's current. With two of them 100 % is one that gives nothing, or one that "
        "gives all."
    ),
    how=(
        "A tone into the load; the AC volts across each output ballast by the meter, over the "
        "ballast's value, against the load's current by scope and load. The tone is off while "
        "leads are moved."
    ),
    fooled_by=(
        "The ballasts' tolerance counts in full. Both ends are live at several volts of the same "
        "tone: a meter that lets some of that through reads each stage too high, and changing red "
        "and black over does not show it. An open ballast has the same volts across it as its "
        "neighbours: together they then add up to more than the load takes."
    ),
    contact=(
        "The currents of a terminal's stages add up to the load's, or nothing is judged: a lead "
        "that is off would be missing in the sum."
    ),
)
CIRCULATING_CURRENT = Measurand(
    "circulating_current",
    "A",
    what="The largest DC that flows from one power stage in parallel into another, with no tone.",
    how="The DC volts across each output ballast by the meter, over its value; less their mean.",
    fooled_by=(
        "A few millivolts between the stages' own offsets make some ten milliamperes; it warms "
        "the stages and no more."
    ),
)


class StageShare(AtPower):
    """How power stages in parallel share the load's current, by the drops across their output
    ballasts."""

    kind: ClassVar[str] = "stage_share"
    yields: ClassVar = (
        judged(STAGE_SHARE, "several", each="speaker terminal"),
        shown(CIRCULATING_CURRENT, "several", each="speaker terminal"),
    )

    frequency: Hertz = Field(
        default=400.0, gt=0.0, description="within what handheld meters read, 400 Hz"
    )
    repeats: int = Field(default=3, ge=2, le=100)

    def needs(self, view: BenchView) -> Needs:
        points = [p for c in self.channels(view) for _, of in banks(view.unit, c) for p in of]
        needs = self.needs_at_power(view, 6.0 + 5.0 * len(points))
        return replace(
            needs,
            roles=needs.roles | {"meter"},
            hookups=(*needs.hookups, *(view.meter_across(point) for point in points)),
            meter={"ac_voltage": self._expected_v(view), "dc_voltage": None},
        )

    def _expected_v(self, view: BenchView) -> float:
        """Across the output ballast of a stage that gives all of the load's current, V rms."""
        amperes = math.sqrt(self.planned_watts(view) / view.unit.rated_load)
        return 1.1 * amperes * output_ballast(view.unit)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        unit = view.unit
        watts = self.planned_watts(view)
        each = math.sqrt(watts / unit.rated_load) * output_ballast(unit) / unit.paralleled
        shares = (
            unit.output_ballast_tolerance / math.sqrt(3.0),
            view.standard_uncertainty("meter", "ac_voltage", each) / each,
            scope_share(view, math.sqrt(watts * unit.rated_load)),
            load_u_share(view, watts),
        )
        return Forecast(
            0.0,
            100.0 * COVERAGE_FACTOR * math.hypot(*shares),
            better="measured ballast resistors: a smaller output_ballast_tolerance",
        )

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        for channel in self.channels(ctx.view):
            drive = Drive(ctx, self.frequency, (channel,))
            try:
                drive.to_power(self.watts(ctx))
                volts = fundamental(drive.capture()[channel], self.frequency)
                watts = float(volts.nominal_value) ** 2 / ctx.view.load(channel).resistance
                whole = volts / drive.load(channel, watts)
                for terminal, points in banks(ctx.view.unit, channel):
                    yield from self._of(ctx, drive, terminal, points, whole)
            finally:
                drive.stop()

    def _of(
        self, ctx: Context, drive: Drive, terminal: str, points: Sequence[str], whole: UFloat
    ) -> Iterator[Yielded]:
        """The stages at one terminal."""
        idle, driven = [], []
        for point in points:
            dc, ac = self._at(ctx, drive, point)
            idle.append(dc)
            driven.append(ac)
        names = (ctx.meter.name, ctx.scope.name)
        middle = mean(idle)
        largest = max((magnitude(i - middle) for i in idle), key=lambda i: float(i.nominal_value))
        yield self.reading(
            CIRCULATING_CURRENT, largest, channel=terminal, instruments=(ctx.meter.name,)
        )
        load = float(whole.nominal_value)
        parts = [float(i.nominal_value) / load for i in driven]
        if not math.fsum(parts) >= ADDS_UP:
            yield self.not_measured(STAGE_SHARE, _does_not_add_up(load, parts), channel=terminal)
            return
        told = ", ".join(f"stage {n}: {100.0 * part:.3g} %" for n, part in enumerate(parts, 1))
        yield self.reading(
            STAGE_SHARE,
            100.0 * levels.sharing(driven, whole),
            channel=terminal,
            instruments=names,
            note=f"{told} of the load's {render(load, 'A', digits=3)}",
        )

    def _at(self, ctx: Context, drive: Drive, point: str) -> tuple[UFloat, UFloat]:
        """DC without a tone and AC with it through one output ballast, A."""
        unit, meter = ctx.view.unit, ctx.meter
        ohms = warmed(
            ctx, point, ctx.persistent(f"ballast at {point}", lambda: _ballast(unit, point))
        )
        drive.stop()  # while hands are at live points
        ctx.connect(ctx.view.meter_across(point))
        meter.configure("dc_voltage", None, 10.0)
        dc = with_emf(ctx, meter.read(self.repeats)) / ohms
        drive.set(dict(drive.levels))
        meter.configure("ac_voltage", self._expected_v(ctx.view))
        return dc, meter.read(self.repeats) / ohms


def banks(unit: Unit, channel: str) -> Iterator[tuple[str, list[str]]]:
    """Each speaker terminal of a channel, ``left.pos``, with the points across the output ballasts
    of its power stages.

    Raises:
        UnitLacks: they cannot be reached.
        UsageError: there are none.
    """
    if unit.paralleled < 2:
        raise UsageError(
            "one power stage at each speaker terminal: there is nothing to share",
            expected="a unit sheet with paralleled = 2 or more",
            where=unit.model,
            hint='if_unit_has = "power stages in parallel" leaves the step out for other units',
        )
    output_ballast(unit)
    stages = [s for s in unit.paralleled_stages() if s[0] == channel]
    for side, of in groupby(stages, key=lambda stage: stage[1]):
        terminal = f"{channel}.{side}" if side else channel
        yield terminal, [f"output_ballast.{terminal}.{number}" for _, _, number in of]


def output_ballast(unit: Unit) -> float:
    """The resistor from each power stage in parallel to its terminal, Ω.

    Raises:
        UnitLacks: the sheet tells none.
    """
    told = unit.output_ballast
    if isinstance(told, float):
        return told
    raise UnitLacks(
        f"{told or 'not told'}: what each of the {unit.paralleled} power stages in parallel gives, "
        "by the drop across its output ballast",
        expected="a figure for output_ballast in the unit sheet",
        where=unit.model,
    )


def _ballast(unit: Unit, point: str) -> UFloat:
    ohms = output_ballast(unit)
    return rectangular(ohms, ohms * unit.output_ballast_tolerance, f"{point} tolerance", point)


def _does_not_add_up(load: float, parts: Sequence[float]) -> str:
    seen = ", ".join(f"{100.0 * part:.2g} %" for part in parts)
    return (
        f"the stages at this terminal add up to {100.0 * math.fsum(parts):.2g} % of the load's "
        f"{render(load, 'A', digits=3)} ({seen}): a lead is not on its ballast, or the ballasts "
        "are not what the sheet tells"
    )
