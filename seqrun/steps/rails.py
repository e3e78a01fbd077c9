"""What the unit's supply rails do: ripple, sag under load, efficiency and heat."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.files.expression import WattsExpression
from seqrun.measure import levels
from seqrun.measure.pick_up import beside_pick_up, mains_of, without
from seqrun.measure.power import check_load_present, dissipation, efficiency, supply_power
from seqrun.measure.spectrum import power_spectrum
from seqrun.measure.windows import HANN
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Seconds
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.contact import BY_DC, prove_rail
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.forecasts import near_limit, power_share, quiet_volts, share
from seqrun.steps.common.listening import Listening, listening_hookups, listening_needs
from seqrun.values import COVERAGE_FACTOR


class _IdleOrAtPower(AtPower):
    """Done at a stated power when ``power`` is given, otherwise at idle."""

    power: WattsExpression | None = Field(None, description="into each load; none: at idle")
    frequency: Hertz = Field(default=1000.0, gt=0.0)

    def driving(self, ctx: Context) -> Drive | None:
        """The drive at its power, None at idle. Whoever asks for it stops it."""
        if self.power is None:
            return None
        drive = Drive(ctx, self.frequency, self.channels(ctx.view))
        try:
            drive.to_power(self.watts(ctx))
        except BaseException:
            drive.stop()
            raise
        return drive

    def condition(self, ctx: Context) -> str:
        """In words, for the reading's note."""
        if self.power is None:
            return "at idle"
        driven = len(self.channels(ctx.view))
        return f"at {self.watts(ctx):.3g} W, {driven} channel(s) driven, {self.frequency:g} Hz"


RIPPLE = Measurand(
    "ripple",
    "V",
    what="The rms of all that is not DC on a supply rail.",
    how=(
        "A scope probe on the rail, AC-coupled, over whole mains periods. A spare probe on "
        "ground tells the scope's own noise, which is taken out."
    ),
    fooled_by=(
        "A long ground lead of the probe picks up switching edges; on a bench supply it is "
        "the bench supply's ripple, not that of the unit's own rectifier."
    ),
    contact=BY_DC,
)
RIPPLE_PEAK_TO_PEAK = Measurand(
    "ripple_peak_to_peak",
    "V",
    title="ripple, peak to peak",
    what="Highest less lowest voltage of the ripple.",
    how="As ripple. Shown, not judged.",
    fooled_by="One spike makes it; the scope's own noise is in it.",
)


class Ripple(_IdleOrAtPower):
    """Ripple of a rail by the scope: all that is not DC, at idle or at a stated power.

    A scope probe's clip is earth: rails are looked at against the unit's ground only.
    """

    kind: ClassVar[str] = "ripple"
    yields: ClassVar = (judged(RIPPLE), shown(RIPPLE_PEAK_TO_PEAK))

    at: str
    mains: Hertz = Field(default=50.0, description="50 Hz or 60 Hz")
    record_time: Seconds = Field(default=0.2, ge=0.04)
    sample_rate: Hertz = Field(default=100e3, gt=1000.0)

    def needs(self, view: BenchView) -> Needs:
        if self.power is None:
            least_s = levels.LEAST_PERIODS / self.mains
            return listening_needs(view, self.at, 1.0, least_s, self.sample_rate)
        driven = self.needs_at_power(view, 1.0)
        return replace(driven, hookups=(*driven.hookups, *listening_hookups(view, self.at)))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return quiet_volts(self, view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        drive = self.driving(ctx)
        try:
            listening = Listening(
                ctx, self.at, sample_rate_hz=self.sample_rate, seconds=self.record_time
            )
            heard = listening.hear()
            listening.prove(again=True)
        finally:
            if drive is not None:
                drive.stop()
        own: float | None = None
        if heard.own is not None:
            lead = mains_of(power_spectrum(heard.own, heard.rate_hz, HANN))
            own = without(float(heard.own.std()), lead)
        found = levels.ripple(
            heard.wave.volts,
            heard.rate_hz,
            mains_hz=self.mains,
            gain=heard.wave.gain,
            floor_v=heard.floor(own, 0.5 * heard.rate_hz),
            lsb_v=heard.wave.lsb_v,
            clipped=heard.wave.clipped,
        )
        rms = beside_pick_up(found.rms_v, found.mains_v, heard.pick_up_v(ctx.view))
        note, names = self.condition(ctx), (ctx.scope.name,)
        yield self.reading(
            RIPPLE,
            rms.value,
            channel=self.at,
            bound=rms.bound,
            instruments=names,
            note=note,
        )
        yield self.reading(
            RIPPLE_PEAK_TO_PEAK,
            found.peak_to_peak_v,
            channel=self.at,
            instruments=names,
            note=note,
        )


RAIL_SAG = Measurand(
    "rail_sag",
    "V",
    what="How far a supply rail falls from idle to the stated power.",
    how=(
        "The meter on the rail: read at idle, then with both channels driven into their "
        "loads, on one range, so that its gain and offset cancel."
    ),
    fooled_by="A bench supply in current limit; its leads and its regulation are part of the sag.",
    contact="The rail itself: the meter reads its whole voltage at idle and under power.",
)
RAIL_SAG_SHARE = Measurand(
    "rail_sag_share",
    "%",
    title="rail sag, share of the rail",
    what="The sag as a share of the rail at idle.",
    how="As rail_sag. Shown, not judged.",
    fooled_by="Power falls with the square of it: 5 % of sag is 10 % of power.",
)


class RailSag(_IdleOrAtPower):
    """How far each rail falls from idle to a stated power, by the meter at the rail.

    The meter stays on one rail and one range for both readings, so that its own error cancels.
    """

    kind: ClassVar[str] = "rail_sag"
    yields: ClassVar = (judged(RAIL_SAG, "rail"), shown(RAIL_SAG_SHARE, "rail"))

    power: WattsExpression | None = Field(description="into each load")
    repeats: int = Field(default=3, ge=2, le=100)

    def needs(self, view: BenchView) -> Needs:
        driven = self.needs_at_power(view, 3.0 * len(view.rails))
        meter = tuple(view.meter_across(rail) for rail in view.rails)
        hookups = (*driven.hookups, *meter)
        again = len(meter) if len(meter) > 1 else 0  # idle on each, then driven on each
        return replace(driven, roles=driven.roles | {"meter"}, hookups=hookups, acts=again)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        # Both readings are on one range: what is left of its error is that of their difference.
        sag = near_limit(self, view, 0.02 * view.unit.rail_voltage)
        u = max(sag * share(view, "meter", "dc_voltage", view.unit.rail_voltage), 1e-4)
        return Forecast(sag, COVERAGE_FACTOR * u)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        meter, watts = ctx.meter, self.watts(ctx)
        for rail in ctx.view.rails:
            ctx.connect(ctx.view.meter_across(rail))
            meter.configure("dc_voltage", ctx.view.unit.rail_voltage, 10.0)
            idle = meter.read(self.repeats)
            drive = Drive(ctx, self.frequency, self.channels(ctx.view))
            try:
                drive.to_power(watts)
                loaded = meter.read(self.repeats)
            finally:
                drive.stop()
            least = min(abs(float(read.nominal_value)) for read in (idle, loaded))
            prove_rail(ctx, rail, partial(float, least))
            note = f"from idle to {watts:.3g} W, {len(drive.channels)} channel(s) driven"
            yield self.reading(
                RAIL_SAG,
                levels.sag(idle, loaded),
                channel=rail,
                instruments=(meter.name,),
                note=note,
            )
            yield self.reading(
                RAIL_SAG_SHARE,
                100.0 * levels.sag_ratio(idle, loaded),
                channel=rail,
                instruments=(meter.name,),
                note=note,
            )


EFFICIENCY = Measurand(
    "efficiency",
    "%",
    what="Power into the loads over the power drawn from the supply.",
    how=(
        "The scope's V²/R of each load over the supply's own read-back of V and I of each rail, "
        "both channels driven."
    ),
    fooled_by=(
        "A load of the wrong value, a supply that reads back badly at low current. An ideal "
        "class-B stage at full swing reaches 78.5 %; real ones 60 % to 70 %, and far less at "
        "low power."
    ),
)
DISSIPATION = Measurand(
    "dissipation",
    "W",
    what="What the unit turns into heat: power drawn less power delivered.",
    how="As efficiency; at idle it is all that the supply gives.",
    fooled_by=(
        "Most heat comes at about 40 % of full power, not at full power; a load that is missing "
        "makes it look small."
    ),
    contact=(
        "Under power the loads have to draw it from the supply; at idle as idle_supply_current."
    ),
)


class _Balance(_IdleOrAtPower):
    """Power in against power out."""

    repeats: int = Field(default=5, ge=2, le=100)

    @property
    def quantities(self) -> tuple[Measurand, ...]:
        found = super().quantities
        return found if self.power is not None else tuple(of for of in found if of != EFFICIENCY)

    def needs(self, view: BenchView) -> Needs:
        if self.power is None:
            return Needs(roles=frozenset({"supply"}), seconds=2.0, live=True)
        return self.needs_at_power(view, 1.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """By what the supply's read-back and, under power, scope and load are good for."""
        unit, channels = view.unit, self.channels(view)
        watts = 0.0 if self.power is None else self.planned_watts(view)
        amperes = unit.supply_current_at(watts) if watts else unit.expected_supply_current
        rails = len(view.rails)
        drawn = rails * unit.rail_voltage * amperes
        given = len(channels) * watts
        u_drawn = drawn * math.hypot(
            view.standard_uncertainty("supply", "readback_voltage", unit.rail_voltage)
            / unit.rail_voltage,
            view.standard_uncertainty("supply", "readback_current", amperes)
            / amperes
            / math.sqrt(rails),
        )
        u_given = given * power_share(view, watts) / math.sqrt(len(channels)) if watts else 0.0
        better = "a supply that reads back better, or a load measured more closely"
        if of == DISSIPATION:
            spread = COVERAGE_FACTOR * math.hypot(u_drawn, u_given)
            return Forecast(drawn - given, spread, better=better)
        percent = 100.0 * given / drawn
        spread = COVERAGE_FACTOR * percent * math.hypot(u_drawn / drawn, u_given / given)
        return Forecast(percent, spread, better=better)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        drive = self.driving(ctx)
        try:
            delivered: list[UFloat] = []
            if drive is not None:
                delivered = list(drive.powers().values())
            rails = ctx.view.rails.values()
            drawn = supply_power(
                [ctx.supply.voltage(n) for n in rails],
                [ctx.supply.current(n, self.repeats) for n in rails],
            )
        finally:
            if drive is not None:
                drive.stop()
        names = (ctx.supply.name, ctx.scope.name) if delivered else (ctx.supply.name,)
        note = self.condition(ctx)
        if delivered:
            check_load_present(None, drawn, sum(delivered))
            yield self.reading(
                EFFICIENCY,
                100.0 * efficiency(delivered, drawn),
                instruments=names,
                note=note,
            )
        yield self.reading(
            DISSIPATION,
            dissipation(delivered, drawn),
            instruments=names,
            note=note,
        )


class Efficiency(_Balance):
    """Efficiency at a stated power: what reaches the loads of what the supply gives."""

    kind: ClassVar[str] = "efficiency"
    yields: ClassVar = (judged(EFFICIENCY), shown(DISSIPATION))

    power: WattsExpression | None = Field(description="into each load")


class Dissipation(_Balance):
    """Heat in the unit, at idle or at a stated power: what the supply gives less what the loads
    take."""

    kind: ClassVar[str] = "dissipation"
    yields: ClassVar = (judged(DISSIPATION), shown(EFFICIENCY))
