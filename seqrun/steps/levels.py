"""Steps that read levels at rest: DC voltages, supply current, device currents, sharing, drift."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured, UsageError
from seqrun.files.expression import WattsExpression
from seqrun.measure import levels
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Volts, render
from seqrun.steps.common.contact import (
    BY_TONE,
    channels_proved,
    output_channel,
    prove_ballast,
    prove_contact,
)
from seqrun.steps.common.dirt import warmed, with_emf
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.forecasts import idle_drift_u, near_limit, supply_current
from seqrun.steps.common.from_cold import must_be_cold
from seqrun.steps.common.pairing import pairs
from seqrun.steps.common.settling import settle
from seqrun.steps.common.sink import end_of
from seqrun.steps.common.stage_current import Moment, family, to_the_first
from seqrun.values import COVERAGE_FACTOR, exactly, rectangular

DRIVEN_HZ = 1000.0  # whole periods in any whole number of mains cycles
DRIVEN_ROOM = 1.3  # a unit may be louder than its sheet says

DC_OFFSET = Measurand(
    "dc_offset",
    "V",
    title="DC offset",
    what="The DC voltage across the speaker terminals with no signal.",
    how=(
        "The meter across the terminals, once the reading has stopped moving. On a "
        "bridged output it is the voltage between the two live terminals."
    ),
    fooled_by=(
        "A unit that is not warm yet; a relay that has not closed reads a perfect 0 V. "
        "Under 50 mV is usual, over 100 mV is suspect (common practice)."
    ),
    contact=BY_TONE,
)
DC_DRIVEN = Measurand(
    "dc_driven",
    "V",
    title="DC while driven",
    what="The DC voltage across the speaker terminals while the channel plays a tone.",
    how=(
        "As the DC offset, with a tone at the input; the meter on a range that holds its peaks, "
        "over whole periods of the tone and of the mains."
    ),
    fooled_by=(
        "A meter that is not integrating reads some of the tone. A generator with DC of its own "
        "into an input without a capacitor."
    ),
    contact="The driven tone itself, seen through the same lead before.",
)
DC_VOLTAGE = Measurand(
    "dc_voltage",
    "V",
    title="DC voltage",
    what="The DC voltage between a point and ground, or across a part.",
    how="The meter at the point, once the reading has stopped moving.",
    fooled_by="Leads the wrong way round, ripple on the voltage, a range that overloads.",
)


class DcVoltage(Step):
    """DC voltage at a point, by the meter, once it has settled.

    At a speaker terminal (``out.…``) the reading is the DC offset; with ``driven`` it is read once
    more while the channel plays: a stage may rest at nothing and still push the cone out with the
    music.
    """

    kind: ClassVar[str] = "dc_voltage"
    yields: ClassVar = (judged(DC_OFFSET), judged(DC_VOLTAGE), judged(DC_DRIVEN))

    at: str
    expect: Volts | None = None
    repeats: int = Field(default=5, ge=2, le=1000)
    nplc: float = Field(default=10.0, gt=0.0, le=100.0)
    driven: WattsExpression | None = Field(
        None, description="at an output: read it once more at about this power into the load"
    )

    @property
    def judges(self) -> tuple[Measurand, ...]:
        # One terminal of a bridge rests at half the rail: that is no offset.
        if not (self.at.startswith("out.") and self.at.count(".") == 1):
            return (DC_VOLTAGE,)
        return (DC_OFFSET,) if self.driven is None else (DC_OFFSET, DC_DRIVEN)

    def needs(self, view: BenchView) -> Needs:
        needs = Needs(
            roles=frozenset({"meter"}),
            hookups=(view.meter_across(self.at),),
            seconds=10.0 if DC_OFFSET in self.judges else 5.0,
            live=True,
            proved_on=channels_proved(view, self.at) if DC_OFFSET in self.judges else (),
            proved_by="meter",
        )
        if self.driven is None:
            return needs
        if DC_DRIVEN not in self.judges:
            raise UsageError(
                f"'{self.at}' is no output that can be driven",
                expected="driven at a point such as out.{channel} alone",
                where=self.id,
            )
        channel = output_channel(view, self.at)
        return replace(
            needs,
            roles=needs.roles | {"generator"},
            seconds=15.0,
            load_power_w=dict.fromkeys(view.driven_with(channel), self._watts(view)),
        )

    def _watts(self, view: BenchView) -> float:
        return self.driven.evaluate_in("W", view.unit.names()) if self.driven else 0.0

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        value = self.expect or 0.0
        at = self.expect or near_limit(self, view, 0.0)
        if of == DC_DRIVEN:
            at = self._peak_v(view)
        u = view.standard_uncertainty("meter", "dc_voltage", at)
        u = math.hypot(u, view.bench.dirt.thermal_emf / math.sqrt(3.0))
        return Forecast(value, COVERAGE_FACTOR * u, better="a lower range or a better meter")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        meter = ctx.meter
        if DC_OFFSET in self.judges:
            self._prove(ctx)
        meter.configure("dc_voltage", self.expect, self.nplc)
        if self.settle is not None:
            settle(ctx, partial(self._look, ctx), self.settle, "V", self.at)
        value = with_emf(ctx, meter.read(self.repeats))
        if DC_OFFSET in self.judges:
            ctx.observe("out_dc", abs(float(value.nominal_value)))
            ctx.poll()
            self._prove(ctx, again=True)
        yield self.reading(
            self.judges[0],
            value,
            channel=self.channel or self.at,
            instruments=(meter.name,),
        )
        if self.driven is not None:
            yield self._while_driven(ctx)

    def _peak_v(self, view: BenchView) -> float:
        """Of what the meter's range has to hold, V."""
        load = view.load(output_channel(view, self.at)).resistance
        return DRIVEN_ROOM * math.sqrt(2.0 * self._watts(view) * load)

    def _while_driven(self, ctx: Context) -> Yielded:
        """The same while the channel plays, at a level by the gain of the sheet."""
        channel, meter = output_channel(ctx.view, self.at), ctx.meter
        drive = Drive(ctx, DRIVEN_HZ, (channel,))
        meter.configure("dc_voltage", self._peak_v(ctx.view), self.nplc)
        try:
            drive.set({channel: drive.level_for(channel, self._watts(ctx.view))})
            if self.settle is not None:
                settle(ctx, partial(self._look, ctx), self.settle, "V", self.at)
            value = with_emf(ctx, meter.read(self.repeats))
        finally:
            drive.stop()
        ctx.observe("out_dc", abs(float(value.nominal_value)))
        ctx.poll()
        return self.reading(
            DC_DRIVEN,
            value,
            channel=self.channel or self.at,
            instruments=(meter.name,),
            note=f"at about {self._watts(ctx.view):.3g} W",
        )

    def _prove(self, ctx: Context, *, again: bool = False) -> None:
        """An offset of nothing passes only through leads that are on the output.

        Raises:
            NotMeasured: nothing shows that they are.
        """

        def rms_v() -> float:
            ctx.meter.configure("ac_voltage", None, 1.0)
            return ctx.meter.read_raw()

        prove_contact(ctx, self.at, ctx.view.meter_across(self.at), rms_v, again=again)

    def _look(self, ctx: Context) -> float:
        volts = ctx.meter.read_raw()
        if DC_OFFSET in self.judges:
            ctx.observe("out_dc", abs(volts))
        return volts


IDLE_SUPPLY_CURRENT = Measurand(
    "idle_supply_current",
    "A",
    what="The current from each rail with no signal.",
    how="The supply's own read-back, once it has stopped moving.",
    fooled_by="Drivers and small-signal stages are in it. Supplies read back badly near zero.",
    contact=(
        "The supply is on and its rails up for each reading; the idle current of the "
        "devices has a lower limit of its own."
    ),
)


class SupplyCurrent(Step):
    """Current drawn from each rail, read back from the supply, once it has settled."""

    kind: ClassVar[str] = "supply_current"
    yields: ClassVar = (judged(IDLE_SUPPLY_CURRENT, "rail"),)

    repeats: int = Field(default=5, ge=2, le=1000)

    def needs(self, view: BenchView) -> Needs:
        return Needs(roles=frozenset({"supply"}), seconds=4.0, live=True)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return supply_current(view, view.unit.expected_supply_current)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        supply = ctx.supply
        for rail, output in ctx.view.rails.items():
            if self.settle is not None:
                settle(ctx, partial(supply.current_raw, output), self.settle, "A", rail)
            value = supply.current(output, self.repeats)
            yield self.reading(IDLE_SUPPLY_CURRENT, value, channel=rail, instruments=(supply.name,))


IDLE_CURRENT = Measurand(
    "idle_current",
    "A",
    what="The current through one output device with no signal.",
    how="The drop across its ballast resistor by the meter, over the resistor's value.",
    fooled_by=(
        "The resistor's tolerance (5 % is usual) counts in full; a clip on the wrong "
        "side of a joint; a device that is open reads nothing and its neighbour double."
    ),
    contact=(
        "The device's share of a small tone, seen through the same leads after the reading; where "
        "none is seen, somebody who looks."
    ),
)


class DeviceCurrent(Step):
    """Idle current of one output device, from the drop across its ballast resistor."""

    kind: ClassVar[str] = "device_current"
    yields: ClassVar = (judged(IDLE_CURRENT),)

    at: str
    repeats: int = Field(default=5, ge=2, le=1000)
    nplc: float = Field(default=10.0, gt=0.0, le=100.0)

    def needs(self, view: BenchView) -> Needs:
        return Needs(
            roles=frozenset({"meter"}),
            hookups=(view.meter_across(self.at),),
            seconds=6.0,
            live=True,
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        unit = view.unit
        u_volts = view.standard_uncertainty("meter", "dc_voltage", unit.idle_current * unit.ballast)
        u_ballast = unit.ballast_tolerance / math.sqrt(3.0)
        emf = view.bench.dirt.thermal_emf / math.sqrt(3.0)
        u = math.hypot(u_volts / unit.ballast, emf / unit.ballast, unit.idle_current * u_ballast)
        return Forecast(
            unit.idle_current,
            COVERAGE_FACTOR * u,
            better="measured ballast resistors: a smaller ballast_tolerance in the unit sheet",
        )

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        unit, meter = ctx.view.unit, ctx.meter
        ballast = ctx.persistent(
            f"ballast at {self.at}",
            lambda: rectangular(
                unit.ballast,
                unit.ballast * unit.ballast_tolerance,
                f"{self.at} tolerance",
                self.at,
            ),
        )
        meter.configure("dc_voltage", 2.0 * unit.idle_current * unit.ballast, self.nplc)
        if self.settle is not None:
            settle(
                ctx,
                lambda: meter.read_raw() / unit.ballast,
                self.settle,
                "A",
                self.at,
            )
        moment = Moment(ctx)
        moment.look()
        drop = with_emf(ctx, meter.read(self.repeats))
        moment.look()
        moment.keep(self.id)
        current = levels.idle_current(drop, warmed(ctx, self.at, ballast))
        prove_ballast(ctx, self.at, render(float(current.nominal_value), "A", digits=3))
        yield self.reading(
            IDLE_CURRENT,
            current,
            channel=self.at.removeprefix("ballast."),
            instruments=(meter.name,),
        )


CURRENT_SHARING = Measurand(
    "current_sharing",
    "%",
    what="How far the worst of the devices in parallel is from carrying its equal share.",
    how=(
        "From the idle currents read before: the largest departure from their mean. The"
        " meter's gain error cancels, the resistors' tolerances do not."
    ),
    fooled_by="Two ballast resistors of 5 % alone make several percent.",
    contact="The currents that it is made from are not near zero, and have limits of their own.",
)


class Sharing(Step):
    """How far paralleled devices are from carrying the same current, from earlier readings."""

    kind: ClassVar[str] = "sharing"
    yields: ClassVar = (judged(CURRENT_SHARING),)

    of: str

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        u = levels.share_u(view.unit.ballast_tolerance, max(view.unit.output_devices, 2))
        return Forecast(
            0.0,
            100.0 * COVERAGE_FACTOR * u,
            better="measured ballast resistors: a smaller ballast_tolerance in the unit sheet",
        )

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        earlier = ctx.measured(self.of)
        if len(earlier) < 2:
            raise NotMeasured(
                f"device currents under '{self.of}': {len(earlier)}",
                expected="at least two devices in parallel",
                where=self.id,
            )
        spread = levels.sharing([value for _, value in earlier])
        instruments = sorted({name for reading, _ in earlier for name in reading.instruments})
        yield self.reading(
            CURRENT_SHARING,
            100.0 * spread,
            channel=self.of.partition(".")[2],
            instruments=instruments,
        )


IDLE_DRIFT = Measurand(
    "idle_drift",
    "A",
    what="How much a device's idle current has changed from cold to hot.",
    how=(
        "One reading less an earlier one of the same point; what both have in common cancels. "
        "What the stage as a whole has changed by since the first of its devices was read, by the "
        "supply's read-back, is added to each: so all are stated for the moment of the first."
    ),
    fooled_by=(
        "A reading taken before the metal had warmed, or while it was still cooling after power."
    ),
    contact=("The two currents are not near zero, and have limits of their own."),
)


class IdleDrift(Step):
    """Change of a current between two earlier readings: hot against cold."""

    kind: ClassVar[str] = "idle_drift"
    yields: ClassVar = (judged(IDLE_DRIFT, "several", each="device"),)

    id_fields: ClassVar[tuple[str, ...]] = ("of", "against", "to_end_of")
    from_cold: ClassVar[bool] = True

    of: str
    against: str
    to_end_of: str | None = Field(
        None,
        description="id of a soak that ended early: the drift is carried on to the end of its rise",
    )

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return Forecast(0.0, COVERAGE_FACTOR * idle_drift_u(view))

    def _carried_on(self, ctx: Context) -> UFloat:
        """By how much more the drift would be at the end of the rise: it is taken to grow with it,
        and half of what that adds is its uncertainty."""
        kept = ctx.kept(end_of(self.to_end_of)) if self.to_end_of else None
        if not isinstance(kept, tuple):
            return exactly(1.0)
        end, seen = float(kept[0].nominal_value), float(kept[1])
        more = max(end / seen - 1.0, 0.0) if seen > 0.0 else 0.0
        return rectangular(1.0 + more, 0.5 * more, "drift from there to the end of the rise")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        must_be_cold(ctx, self.id)
        factor = self._carried_on(ctx)
        hot, cold = ctx.measured(self.of), ctx.measured(self.against)
        for reading, value, before in pairs(hot, cold):
            notes = []
            late = to_the_first(ctx, self.of)
            early = to_the_first(ctx, self.against)
            if late is not None and early is not None:
                value, before = value + late, before + early
                notes.append(f"at the first of {family(self.of)} and of {family(self.against)}")
            if float(factor.nominal_value) > 1.0:
                notes.append(f"times {factor.nominal_value:.2f}, to the end of {self.to_end_of}")
            yield self.reading(
                IDLE_DRIFT,
                factor * levels.drift(value, before),
                channel=reading.channel,
                instruments=reading.instruments,
                note=", ".join(notes),
            )
