"""Steps that hold a condition while heat settles, and read what the heatsink came to."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import ClassVar, Literal, Self

from pydantic import Field, PrivateAttr, model_validator
from uncertainties import UFloat

from seqrun.errors import NotMeasured, Tripped, UsageError
from seqrun.files.expression import AmperesExpression, WattsExpression
from seqrun.files.unit.sheet import Unit
from seqrun.measure.power import dissipation, supply_power
from seqrun.measure.temperature import (
    check_attached,
    pt100_tolerance_k,
)
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Kelvins, Seconds, render
from seqrun.steps.common.dirt import lost_share
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.ears import REST_S, Ears, key_of
from seqrun.steps.common.heating_on import HeatingOn, watts_of
from seqrun.steps.common.rise_curve import OverTheRoom, RiseCurve
from seqrun.steps.common.sink import (
    PT100_EXPECTED_OHM,
    driven_and_watched,
    end_of,
    idle_and_watched,
    read_temperature,
    sink_now,
    watch_sink,
)
from seqrun.steps.rails import DISSIPATION
from seqrun.steps.temperature import (
    ROOM_C,
    SINK_TEMPERATURE,
    meter_k,
)
from seqrun.values import COVERAGE_FACTOR, Bound, rectangular

FIT_EVERY = 24  # readings between two fits: the curve does not change faster
BEYOND_IT = "beyond the limit"
BEYOND = 1.25  # times the limit: no need to go on heating
#: time constants until a rise has settled by the rule, and until a fit tells where it ends (tried)
LONG, ENOUGH = 5.4, 0.82
#: share of the rise by which its verdict is known as a rule, and how much more heat the greater
#: power makes, to forecast by (tried)
SEEN_THEN, FASTER = 0.6, 1.3
#: where the sheet has no time constant: heatsinks for tens of watts take five to fifteen minutes
#: (common practice)
USUAL_TAU_S = 540.0
SLOWER = 1.1  # than the sheet's time constant alone, until a decided rise agrees twice (tried)
#: s after the room was read: from then on it is read once more at the end of a soak, and what it
#: may have done beside an even drift is taken for so much of what it drifts by (our own choice)
ROOM_AGAIN_S, UNEVEN = 2400.0, 0.25
AMBIENT_POINT = "sensor.ambient"
TWICE = 2  # fits in a row that agree on it
LEAST_TOLD = 0.04  # of the supply's current: less of it moves by itself as a unit warms
LIVE = 0.8  # of the time of a soak that listens is in its records


SINK_RISE = Measurand(
    "sink_rise",
    "K",
    what="How far the heatsink's temperature settles above the air.",
    how=(
        "The condition is held and the rise watched until it changes by no more than 3 "
        "K in 30 min, or a fit of its curve tells the end value closely enough (the "
        "note tells which). What is heated on at a greater power afterwards is no part of it."
    ),
    fooled_by=(
        "A sensor that has come off, a draught, the air warming up; a fit sees one time"
        " constant where a real sink has several."
    ),
    contact=(
        "A sensor that has come off shows no warming while heat goes in: a named mistake "
        "of the bench among the findings."
    ),
)
THERMAL_TIME_CONSTANT = Measurand(
    "thermal_time_constant",
    "s",
    what="The time in which the rise covers 63 % of what is left of it.",
    how="From the fit of the rise. Shown, not judged.",
    fooled_by="A fit over too short a time; power that changed during the soak.",
)
SOAK_POWER = Measurand(
    "soak_power",
    "W",
    what="The power into each load at the end of the soak.",
    how="V²/R by the scope. Shown, not judged.",
    fooled_by="As output_power.",
)


@dataclass(frozen=True, slots=True)
class _AtItsEnd:
    """What there was when the watch of a rise was over: W into each load, W of heat, °C."""

    powers: Mapping[str, UFloat]
    heat: UFloat
    sink_c: UFloat


class Soak(Step):
    """Hold idle or a drive level and watch the heatsink's rise over ambient.

    ``until = "settled"`` waits for a rise of no more than 3 K in 30 min (IEC 62368-1, from
    memory) and reads the fitted end value; ``"decided"`` stops as soon as the guarded verdict on
    it can no longer change and the sink has reached the share ``seen`` of it, so that the hot
    steps which follow see a unit that is hot; ``"predicted"`` also as soon as the fit of a
    saturating exponential holds the end value within ``within`` (k = 2).

    With ``then_power`` that share is not waited for at the power that the rise is judged at: as
    soon as its verdict can no longer change, the rest of the heat goes in faster, and what follows
    sees a hotter unit after less time.

    With ``listen`` the outputs are listened to meanwhile, for that long at least; steps of kind
    drop_outs and crackles judge what was heard.
    """

    kind: ClassVar[str] = "soak"
    yields: ClassVar = (
        judged(SINK_RISE),
        shown(THERMAL_TIME_CONSTANT),
        shown(SOAK_POWER, "channel"),
        shown(DISSIPATION),
        shown(SINK_TEMPERATURE),
    )
    id_fields: ClassVar[tuple[str, ...]] = ("ambient",)

    at: str = "sensor.sink"
    ambient: str
    ambient_drift: Kelvins | None = Field(
        None, ge=0.0, description="how far the room may drift in an hour; none: as the bench file"
    )
    power: WattsExpression | None = None
    healthy_current: AmperesExpression | None = Field(
        None, description="from each rail; more than this ends the run"
    )
    frequency: Hertz = 1000.0
    until: Literal["settled", "predicted", "decided"] = "settled"
    seen: float = Field(
        default=0.8, gt=0.0, lt=1.0, description="share of the final rise to wait for, with decided"
    )
    then_power: WattsExpression | None = Field(
        None,
        description="into each load once the verdict can no longer change, up to the share seen",
    )
    listen: Seconds = Field(
        default=0.0, ge=0.0, description="listen to the outputs meanwhile, each for this long"
    )
    within: Kelvins = Field(default=1.0, gt=0.0)
    at_least: Seconds = Field(default=300.0, ge=60.0)
    at_most: Seconds = Field(gt=60.0)
    every: Seconds = Field(default=5.0, ge=1.0)
    _faintest_v: float = PrivateAttr(default=math.inf)

    def must_hear(self, faintest_v: float) -> None:
        """Crackles from so many V on, rms over 5 ms, are to be heard while it listens."""
        self._faintest_v = min(self._faintest_v, faintest_v)

    @model_validator(mode="after")
    def _faster_only_once_decided(self) -> Self:
        if self.then_power is not None and (self.power is None or self.until != "decided"):
            raise ValueError('then_power goes with power and until = "decided"')
        return self

    @property
    def quantities(self) -> tuple[Measurand, ...]:
        found = super().quantities
        return found if self.power is not None else tuple(of for of in found if of != SOAK_POWER)

    def needs(self, view: BenchView) -> Needs:
        seconds = self._expected_s(view)
        if self.power is None:
            needs = idle_and_watched(view, self.at, seconds, listening=self.listen > 0.0)
        else:
            watts = [self.power.evaluate_in("W", view.unit.names()), self._then_w(view)]
            needs = [driven_and_watched(view, self.at, one, seconds) for one in watts][
                watts.index(max(watts))
            ]
        in_the_air = any(sensor.point == AMBIENT_POINT for sensor in view.bench.sensor)
        if seconds < ROOM_AGAIN_S or view.has("thermometer") or not in_the_air:
            return needs
        return replace(needs, hookups=(*needs.hookups, view.meter_four_wire(AMBIENT_POINT)))

    def _then_w(self, view: BenchView) -> float:
        """The greater power, W, as far as this bench can; 0 where none is asked for."""
        if self.then_power is None:
            return 0.0
        return watts_of(view, self.then_power.evaluate_in("W", view.unit.names()))

    def _room(self, view: BenchView) -> float:
        """How far the room may drift in an hour, K."""
        told = self.ambient_drift
        return view.bench.dirt.room_per_hour if told is None else told

    def _expected_s(self, view: BenchView) -> float:
        """How long it takes as a rule, s, by the sheet's time constant where it has one."""
        tau = view.unit.sink_time_constant or USUAL_TAU_S
        if self.until == "settled":
            usual = tau * LONG
        elif self.then_power is not None:
            left = (
                math.log((FASTER - SEEN_THEN) / (FASTER - self.seen))
                if self.seen > SEEN_THEN
                else 0.0
            )
            usual = tau * (ENOUGH + left)
        elif self.until == "decided":
            usual = -tau * math.log(1.0 - self.seen) * SLOWER
        else:
            usual = tau * ENOUGH
        heard = self.listen / LIVE
        return min(max(usual, self.at_least, heard), self.at_most)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """Two sensors' tolerances, the meter, the ambient's drift and what is still to come."""
        rise = (0.7 if self.power is not None else 0.25) * view.unit.sink_rise_limit
        tolerances = [
            pt100_tolerance_k(celsius, view.sensor(point).tolerance_class)
            for point, celsius in ((self.at, ROOM_C + rise), ("sensor.ambient", ROOM_C))
        ]
        drift = self._room(view) * 0.6 * self.at_most / 3600.0
        touching = lost_share(view) * rise
        halves = [*tolerances, drift, self.within / 2.0, touching]
        u = math.hypot(meter_k(view), *(half / math.sqrt(3.0) for half in halves))
        return Forecast(
            rise,
            COVERAGE_FACTOR * u,
            better="class A sensors, or ambient_drift measured smaller",
        )

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        ambient = ctx.measured(self.ambient)[-1][1]
        drive = None
        try:
            if self.power is not None:
                drive = Drive(ctx, self.frequency)
                drive.to_power(ctx.evaluate(self.power, "W"))
            ears = Ears(ctx, drive) if self.listen > 0.0 else None
            if ears is not None:
                ctx.keep(key_of(self.id), ears)
            try:
                made = self._soaked(ctx, ambient, drive, ears)
            except NotMeasured:
                if ears is not None:
                    ears.finish()
                raise
            if ears is not None:
                ears.finish()
            yield from made
        finally:
            if drive is not None:
                drive.stop()

    def _soaked(
        self, ctx: Context, ambient: UFloat, drive: Drive | None, ears: Ears | None
    ) -> list[Yielded]:
        curve = RiseCurve(ctx.clock.now())
        then = RiseCurve(curve.begun)
        ambient_c = float(ambient.nominal_value)
        try:
            how = self._watch(ctx, ambient, curve, ears)
            ends = self._at_its_end(ctx, drive)
            if drive is not None and self.then_power is not None and how != BEYOND_IT:
                self._heat_on(ctx, drive, ears, ambient_c, curve, then)
            # What is left may move the meter's leads: to the air of the room.
            further = then.rises[-1] - curve.rises[-1] if then.rises else 0.0
            made = list(self._readings(ctx, ambient, curve, how, ends, further))
        finally:
            times, rises = curve.times + then.times, curve.rises + then.rises
            ctx.trace(
                f"heat-{self.id}",
                {
                    "time_s": times,
                    "sink_c": [rise + ambient_c for rise in rises],
                    "ambient_c": [ambient_c] * len(times),
                    "rise_k": rises,
                },
            )
        return made

    def _watch(self, ctx: Context, ambient: UFloat, curve: RiseCurve, ears: Ears | None) -> str:
        """Watch the rise until it can be told where it ends; how that was, in words."""
        watch_sink(ctx)
        ambient_c = float(ambient.nominal_value)
        high = self._high(ctx)
        most = ctx.evaluate(self.healthy_current, "A") if self.healthy_current else None
        start = curve.begun
        share = self.seen if self.then_power is None else 0.0
        tolerance = pt100_tolerance_k(ambient_c, ctx.view.sensor(self.at).tolerance_class)
        apart = math.hypot(float(ambient.std_dev), tolerance / math.sqrt(3.0))
        decided = 0
        gives = 0.0  # the most that the supply gave while all was driven, A
        fit_every = FIT_EVERY if ears is None else FIT_EVERY // 4  # each takes longer

        def finished() -> str | None:
            nonlocal decided, gives
            if ears is not None:
                ears.listen()
            celsius = sink_now(ctx)
            amperes = self._current(ctx, most) if most is not None else 0.0
            if self.power is not None:
                gives = max(gives, self._still_driven(ctx, gives))
            rise = celsius - ambient_c
            curve.add(ctx.clock.now() - start, rise, amperes)
            elapsed = curve.times[-1]
            heard = f", {ears.told()}" if ears is not None else ""
            ctx.progress(
                f"sink {celsius:.1f} °C, rise {rise:.1f} K{heard}",
                min(elapsed / self.at_most, 1.0),
                curve.indication(),
            )
            if len(curve.times) % fit_every or elapsed < self.at_least:
                return None
            if high is not None and rise > BEYOND * high:
                return BEYOND_IT
            if curve.climbs_on(high):
                return None  # the end is not yet known
            if self.then_power is None and not self._heard(ears, elapsed):
                return None
            if self.until == "predicted" and curve.predicted(self.within):
                return "predicted"
            if self.until == "decided" or (self.until == "predicted" and ctx.limit is not None):
                drift = self._room(ctx.view) * elapsed / 3600.0 / math.sqrt(3.0)
                touching = lost_share(ctx.view) * rise / math.sqrt(3.0)
                shared = math.hypot(apart, drift, touching)
                sure = curve.decided(ctx.limit, shared, share)
                decided = decided + 1 if sure else 0
                if decided >= TWICE:
                    return "predicted, as its verdict can no longer change"
            return "settled" if curve.settled() else None

        return ctx.wait_until(
            finished,
            every_s=self._every_s(ears),
            at_most_s=self.at_most,
            what="the heat to settle",
        )

    def _every_s(self, ears: Ears | None) -> float:
        return REST_S if ears is not None else self.every

    @staticmethod
    def _high(ctx: Context) -> float | None:
        return ctx.limit.high if ctx.limit is not None else None

    def _heard(self, ears: Ears | None, elapsed: float, faintest_v: float = math.inf) -> bool:
        """Whether each output was listened to for long enough, or there is no more time for it.

        Args:
            faintest_v: only time counts in which so faint a crackle would have been heard.
        """
        if ears is None or elapsed >= 0.9 * self.at_most:
            return True
        return ears.live_s >= self.listen and ears.heard_all(faintest_v) >= self.listen

    def _heat_on(
        self,
        ctx: Context,
        drive: Drive,
        ears: Ears | None,
        ambient_c: float,
        curve: RiseCurve,
        then: RiseCurve,
    ) -> None:
        assert self.power is not None, "then_power goes with it"
        on = HeatingOn(
            ctx,
            self.id,
            drive,
            ears,
            usual_w=ctx.evaluate(self.power, "W"),
            greater_w=self._then_w(ctx.view),
            faintest_v=self._faintest_v,
            ambient_c=ambient_c,
            still_driven=partial(self._still_driven, ctx),
            enough=partial(self._heard, ears),
            curve=curve,
            then=then,
        )
        on.to_share(self.seen, self._high(ctx), self._every_s(ears), self.at_most)

    def _over_the_room(
        self, ctx: Context, curve: RiseCurve, last: UFloat, ambient: UFloat, *, once: bool
    ) -> Iterator[OverTheRoom]:
        """The curve over the room as it was read, the best way first: where that was long ago, over
        one that has drifted evenly to what is read now.

        Args:
            last: the sink now, °C. ambient: the room, °C. once: it is not read again.
        """
        read_at, room = ctx.done_at(self.ambient), self._room(ctx.view)
        seconds = ctx.clock.now() - read_at
        again = None if once or seconds < ROOM_AGAIN_S else self._room_again(ctx)
        if again is not None:
            moved = float((again - ambient).nominal_value)
            uneven = rectangular(0.0, UNEVEN * room, "what the room did between its readings")
            yield OverTheRoom(
                curve.without(moved / seconds, curve.begun - read_at),
                last - again + uneven * seconds / 3600.0,
                uneven,
                f"; the room moved by {moved:+.1f} K",
            )
        drift = rectangular(0.0, room, "drift of the room since its reading")
        yield OverTheRoom(curve, last - ambient + drift * seconds / 3600.0, drift)

    def _room_again(self, ctx: Context) -> UFloat | None:
        """The room once more, °C, by whatever read it before; None where nobody can."""
        view, point = ctx.view, AMBIENT_POINT
        try:
            if view.has("thermometer"):
                return ctx.thermometer.read(point, view.point(point).words)
            view.sensor(point)
            ctx.connect(view.meter_four_wire(point))
            ctx.meter.configure("resistance_4w", PT100_EXPECTED_OHM, 10.0)
            return read_temperature(ctx, point, 3)
        except (NotMeasured, UsageError):
            return None

    def _still_driven(self, ctx: Context, most: float) -> float:
        """What the supply gives to all rails, A, while all channels are to give what makes the
        heat: a load that comes off takes its share with it.

        Args:
            most: the most that it gave before, A.

        Raises:
            NotMeasured: it gives much less.
        """
        view = ctx.view
        amperes = math.fsum(ctx.supply.current_raw(n) for n in view.rails.values())
        idle = view.unit.expected_supply_current * len(view.rails)
        share = 0.5 * max(most - idle, 0.0) / len(view.unit.channels)
        if share < LEAST_TOLD * most:
            return max(most, amperes)  # one that idles at what it swings draws the same without
        if amperes < most - share:
            raise NotMeasured(
                f"the supply now gives {render(amperes, 'A', digits=3)} and gave "
                f"{render(most, 'A', digits=3)} before: an output delivers less than it did",
                expected="all channels driven into their loads for the whole soak",
                where=self.id,
                hint="see to the loads, their leads, and the leads of the generator",
            )
        return amperes

    def _current(self, ctx: Context, most: float) -> float:
        """Drawn from all rails, A; a rail that draws more than ``most`` ends the run."""
        total = 0.0
        for rail, output in ctx.view.rails.items():
            amperes = ctx.supply.current_raw(output)
            if amperes > most:
                raise Tripped(
                    f"{rail} draws {amperes:.3g} A",
                    expected=f"at most {most:.3g} A from a healthy unit",
                    where=self.id,
                    hint="the idle current runs away as the metal warms: look at the bias, its "
                    "sensor on the heatsink, and the thermal joints",
                )
            total += amperes
        return total

    def _at_its_end(self, ctx: Context, drive: Drive | None) -> _AtItsEnd:
        """What there is to read once the watch of the rise is over."""
        powers = drive.powers() if drive is not None else {}
        supply, outputs = ctx.supply, ctx.view.rails.values()
        drawn = supply_power(
            [supply.voltage(n) for n in outputs], [supply.current(n) for n in outputs]
        )
        heat = dissipation(list(powers.values()), drawn)
        return _AtItsEnd(powers, heat, read_temperature(ctx, self.at, 3))

    def _readings(
        self,
        ctx: Context,
        ambient: UFloat,
        curve: RiseCurve,
        how: str,
        ends: _AtItsEnd,
        further_k: float,
    ) -> Iterator[Yielded]:
        """Args:
        further_k: by how much the rise is larger by now than at the end of the curve.
        """
        names = (ctx.meter.name,)
        heat, last = ends.heat, ends.sink_c
        for channel, watts in ends.powers.items():
            yield self.reading(
                SOAK_POWER,
                watts,
                channel=channel,
                instruments=(ctx.scope.name,),
            )
        yield self.reading(
            DISSIPATION,
            heat,
            instruments=(ctx.supply.name,),
        )
        yield self.reading(
            SINK_TEMPERATURE,
            last,
            instruments=names,
        )
        beyond = how == BEYOND_IT
        since = max(curve.begun - ctx.done_at(self.ambient), 0.0)
        rise = None
        for over in self._over_the_room(ctx, curve, last, ambient, once=beyond):
            # The curve is of the sensor as it shows; what that loses of the metal's goes with it.
            lost = lost_share(ctx.view) * over.curve.rises[-1]
            systematic = over.now - float(over.now.nominal_value) + lost
            if beyond:
                yield self.reading(
                    SINK_RISE,
                    over.now,
                    bound=Bound.AT_LEAST,
                    instruments=names,
                    note="still rising beyond its limit; the soak was ended early",
                )
                return
            rise = over.curve.end(systematic, over.drift_k_per_h / 3600.0, since)
            if rise is not None:
                break
        if rise is None:
            raise NotMeasured("the rise could not be read off its curve", where=self.id)
        prediction = over.curve.prediction(systematic)
        if prediction is not None:
            ctx.fact(
                "fits",
                self.id,
                {
                    "end_k": prediction.end_k.nominal_value,
                    "u_k": prediction.end_k.std_dev,
                    "tau_s": prediction.tau_s.nominal_value,
                    "start_s": 0.0,
                    "rise0_k": prediction.start_k.nominal_value,
                },
            )
            now = over.curve.rises[-1] + lost + further_k
            ctx.keep(end_of(self.id), (prediction.end_k, now))
        check_attached(rise, heat, least_k_per_w(ctx.view.unit), curve.times[-1] / 60.0)
        yield self.reading(SINK_RISE, rise, instruments=names, note=how + over.told)
        if prediction is not None:
            yield self.reading(
                THERMAL_TIME_CONSTANT,
                prediction.tau_s,
                instruments=names,
            )


def least_k_per_w(unit: Unit) -> float:
    """Least rise per watt that a unit of these ratings shows, K/W.

    A heatsink is not made many times larger than its limit asks for: half of what is usual (our own
    rule, to notice a sensor that has fallen off).
    """
    return 0.5 * usual_k_per_w(unit)


def usual_k_per_w(unit: Unit) -> float:
    """Rise per watt that is usual for a unit of these ratings, K/W: half its limit at the heat of
    one eighth of rated power in all channels (our own rule)."""
    power = unit.rated_power / 8.0
    span = unit.rail_voltage * len(unit.rail_names)
    heat = span * unit.supply_current_at(power) - len(unit.channels) * power
    return 0.5 * unit.sink_rise_limit / heat
