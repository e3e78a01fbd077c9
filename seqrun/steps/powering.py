"""Steps that set, raise and lower the supply."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import ClassVar

from pydantic import Field

from seqrun.errors import InstrumentRefused, NotMeasured
from seqrun.files.expression import AmperesExpression, VoltsExpression
from seqrun.instruments.roles import Supply
from seqrun.measure.uncertain import magnitude
from seqrun.plan.context import MAINS, PLUG_OUT, Context, Indication
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Hookup, Needs, SupplyUse
from seqrun.plan.protection import DISCHARGED_V, LEVEL_TOLERANCE, Gap, gaps
from seqrun.plan.view import BenchView
from seqrun.quantity import Seconds, Volts
from seqrun.steps.common.forecasts import supply_current
from seqrun.steps.common.raising import OVER_CURRENT_AT, RaisesRails

OVER_VOLTAGE_PROTECTION = Measurand(
    "over_voltage_protection",
    "V",
    what="The voltage at which the supply switches itself off, as it reads back.",
    how="Set on the supply and read back from it; more than 5 % off ends the run.",
    fooled_by="A protection that is set but not switched on.",
)
OVER_CURRENT_PROTECTION = Measurand(
    "over_current_protection",
    "A",
    what="The current at which the supply switches itself off, as it reads back.",
    how="As over_voltage_protection.",
    fooled_by="The current limit is another thing: it holds the current, it does not switch off.",
)


class ProtectSupply(Step):
    """Set over-voltage and over-current protection on the supply itself and read them back."""

    kind: ClassVar[str] = "protect_supply"
    yields: ClassVar = (
        shown(OVER_VOLTAGE_PROTECTION, "rail"),
        shown(OVER_CURRENT_PROTECTION, "rail"),
    )

    over_voltage: VoltsExpression
    over_current: AmperesExpression

    def needs(self, view: BenchView) -> Needs:
        return Needs(
            roles=frozenset({"supply"}),
            seconds=0.1,
            protects=True,
            supply=SupplyUse(
                over_voltage=view.rated(self.over_voltage, "V"),
                over_current=view.rated(self.over_current, "A"),
            ),
        )

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        volts = ctx.evaluate(self.over_voltage, "V")
        amperes = ctx.evaluate(self.over_current, "A")
        supply = ctx.supply
        ctx.keep(OVER_CURRENT_AT, amperes)
        missing = list(gaps(ctx.view, volts, amperes))
        unread: list[str] = []  # what a supply by hand does not tell
        for rail, output in ctx.view.rails.items():
            guard = supply.protection(output)
            levels: list[tuple[Measurand, float, float | None]] = []
            if guard.over_voltage == "level":
                supply.set_over_voltage_protection(output, volts)
                level = self._read_back(supply.over_voltage_protection, output, unread)
                levels.append((OVER_VOLTAGE_PROTECTION, volts, level))
            if guard.over_current == "level":
                supply.set_over_current_protection(output, amperes)
                level = self._read_back(supply.over_current_protection, output, unread)
                levels.append((OVER_CURRENT_PROTECTION, amperes, level))
            elif guard.over_current == "at the limit":
                self._at_limit(supply, output, unread)
            for of, wanted, found in levels:
                if found is None:
                    continue
                if not abs(found - wanted) <= LEVEL_TOLERANCE * wanted:
                    raise InstrumentRefused(
                        f"{of.name} of output {output} reads back as {found:.4g} {of.unit}",
                        expected=f"{wanted:.4g} {of.unit}, as it was set",
                        where=supply.name,
                        hint="check that its protection covers this rail and is switched on",
                    )
                yield self.plain(of, found, channel=rail, instruments=(supply.name,))
        yield from self._by_hand(ctx, [gap for gap in missing if gap.level is not None])
        lacking = [f"{gap.rail} has {gap.words}" for gap in missing if gap.level is None]
        if lacking := [*lacking, *dict.fromkeys(unread)]:
            raise NotMeasured(
                f"{', '.join(lacking)}: the current limit and the trips stand in",
                expected="a supply that switches off by itself, at levels that read back",
                where=supply.name,
                hint="what is not protected in hardware is not accepted; stay at the bench",
            )

    def _by_hand(self, ctx: Context, gaps: list[Gap]) -> Iterator[Yielded]:
        """What only the front panel sets: the operator looks at it, and it is on record as the
        operator's word, with no reading behind it."""
        if not gaps:
            return
        outlets = ctx.view.outlets("supply")
        lines = [f"  {outlets[gap.output - 1]} ({gap.rail}): {gap.words}" for gap in gaps]
        ctx.confirm_seen(
            "\n".join(["FRONT PANEL  each must be set as it says, and switched on:", *lines])
        )
        for gap in gaps:
            of = OVER_VOLTAGE_PROTECTION if gap.what == "over_voltage" else OVER_CURRENT_PROTECTION
            assert gap.level is not None
            yield self.plain(
                of, gap.level, channel=gap.rail, note="set on the front panel; the operator's word"
            )

    @staticmethod
    def _read_back(ask: Callable[[int], float], output: int, unread: list[str]) -> float | None:
        """A level as the supply has it; None, and told, from one that cannot say."""
        try:
            return ask(output)
        except NotMeasured as reason:
            unread.append(reason.found)
            return None

    @classmethod
    def _at_limit(cls, supply: Supply, output: int, unread: list[str]) -> None:
        """An over-current protection without a level of its own is not passed off as one."""
        supply.set_over_current_protection(output, 0.0)
        if cls._read_back(supply.over_current_on, output, unread) is False:
            raise InstrumentRefused(
                f"the over-current protection of output {output} reads back as off",
                expected="on, as it was set",
                where=supply.name,
            )


BRING_UP_CURRENT = Measurand(
    "bring_up_current",
    "A",
    what="The current that a rail draws once it is up at its full voltage.",
    how=(
        "The supply is raised in stages under current limit; at each stage the current "
        "must be what a healthy unit draws. The last one is the reading."
    ),
    fooled_by="Reservoirs that still charge; a unit that needs a minimum voltage to bias itself.",
    contact=(
        "The rails: nothing but the supply's own output is read, and it has to be up. A "
        "unit that draws nothing fails the idle current's lower limit."
    ),
)
SUPPLY_VOLTAGE = Measurand(
    "supply_voltage",
    "V",
    what="The voltage of a rail at the supply's terminals once it is up.",
    how="The supply's own read-back. Shown, not judged.",
    fooled_by="The leads drop some of it before the unit.",
)


class RampSupply(RaisesRails):
    """First power: raise the rails in stages under current limit.

    Each stage waits until the rails have arrived and the current has stopped falling, and is
    checked against what a healthy unit would draw; the first surprise ends the run.
    """

    kind: ClassVar[str] = "ramp_supply"
    yields: ClassVar = (judged(BRING_UP_CURRENT, "rail"), shown(SUPPLY_VOLTAGE, "rail"))

    def needs(self, view: BenchView) -> Needs:
        return Needs(
            roles=frozenset({"supply"}),
            seconds=0.8 * self.stages,
            energises=True,
            supply=self.supply_use(view),
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return supply_current(view, view.unit.expected_supply_current)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        self.raise_rails(ctx)
        supply = ctx.supply
        for rail, output in ctx.view.rails.items():
            yield self.reading(
                SUPPLY_VOLTAGE,
                supply.voltage(output),
                channel=rail,
                instruments=(supply.name,),
            )
            yield self.reading(
                BRING_UP_CURRENT,
                supply.current(output),
                channel=rail,
                instruments=(supply.name,),
            )


RESIDUAL_VOLTAGE = Measurand(
    "residual_voltage",
    "V",
    what="What is left on a rail after power-off, when the unit counts as discharged.",
    how="Generator and supply off; the meter on each rail until it is below the limit (2 V).",
    fooled_by=(
        "A rail that is not on the meter; charge behind a fuse that has blown. Confirm "
        "by meter before touching."
    ),
    contact="The supply, whose own leads fed the rail, has to see it down as well.",
)


class PowerDown(Step):
    """Generator off, supply off, then the meter on each rail until it has discharged."""

    kind: ClassVar[str] = "power_down"
    yields: ClassVar = (judged(RESIDUAL_VOLTAGE, "rail"),)

    within: Seconds = 300.0
    below: Volts = Field(default=1.5, description="clearly below the 2 V that may be touched")

    def needs(self, view: BenchView) -> Needs:
        roles = {"supply", "meter"} if view.has("supply") else {"meter"}
        leads = 2 * len(view.unit.rail_names)
        return Needs(roles=frozenset(roles), seconds=20.0, acts=leads, safe=True)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return Forecast(0.5, 0.01)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        meter, view = ctx.meter, ctx.view
        rails = view.unit.rail_names
        witnessed = False
        try:
            # The meter goes onto the first rail before the power goes, so that its fall is watched.
            ctx.connect(view.meter_across(rails[0]))
            witnessed = not view.has("supply") and self._sees(ctx, rails[0])
        finally:
            # Whether the meter could be put there or not: the power goes.
            for output in range(1, ctx.generator.outputs + 1) if view.has("generator") else ():
                ctx.generator.enable(output, False)
            if view.has("supply"):
                ctx.supply.enable(False)
            ctx.powered_off()
            if ctx.own_mains:
                ctx.turn(MAINS, "off", PLUG_OUT)
        for rail in rails:
            hookup = view.meter_across(rail)
            ctx.connect(hookup)
            meter.configure("dc_voltage", None, 1.0)

            def discharged() -> float | None:
                volts = meter.read_raw()
                at = Indication(rail, abs(volts), "V", judged=True)  # noqa: B023 - used within this turn only
                ctx.progress(f"{rail} at {volts:.2f} V", indication=at)  # noqa: B023
                return volts if abs(volts) < self.below else None

            ctx.wait_until(
                discharged, every_s=0.5, at_most_s=self.within, what=f"{rail} to discharge"
            )
            if view.has("supply"):
                self._second_witness(ctx, rail)
            elif not (witnessed and rail == rails[0]):
                self._looked_at(ctx, rail, hookup)
            value = magnitude(meter.read(3))
            yield self.reading(RESIDUAL_VOLTAGE, value, channel=rail, instruments=(meter.name,))
        if not view.has("supply") or view.by_hand("supply"):
            return
        if ctx.supply.enabled():
            raise InstrumentRefused(
                "the supply still reports its outputs as on",
                expected="off",
                where=ctx.supply.name,
                hint="switch it off by hand",
            )

    def _sees(self, ctx: Context, rail: str) -> bool:
        """Whether the meter has the rail under power: then its fall is no lead that is off."""
        ctx.meter.configure("dc_voltage", None, 1.0)
        return abs(ctx.meter.read_raw()) > DISCHARGED_V

    def _looked_at(self, ctx: Context, rail: str, hookup: Hookup) -> None:
        """Without a supply there is no second witness but whoever looks.

        Raises:
            NotMeasured: nobody does.
        """
        why = f"{rail} reads as discharged, and so would a lead that is off"
        if not ctx.ask_contact(hookup, why):
            raise NotMeasured(why, expected="a bench supply, or an operator who looks", where=rail)

    def _second_witness(self, ctx: Context, rail: str) -> None:
        """A meter whose lead is off the rail reads nothing too: the supply, whose own leads fed the
        rail until now, has to see it down as well.

        Raises:
            NotMeasured: it does not.
        """
        volts = float(ctx.supply.voltage(ctx.view.rails[rail]).nominal_value)
        if not abs(volts) < DISCHARGED_V:
            raise NotMeasured(
                f"the meter sees nothing on {rail}, and the supply's own leads see {volts:.3g} V",
                expected=f"both below {DISCHARGED_V:g} V",
                where=rail,
                hint="see to the meter's lead; do not touch before both agree",
            )
