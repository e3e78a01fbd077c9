"""Output devices whose currents nobody can reach, told apart by the warmth of their cases."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured, Tripped, UnitLacks
from seqrun.files.expression import WattsExpression
from seqrun.files.unit.points import DeviceCase
from seqrun.files.unit.sheet import Unit
from seqrun.measure.cases import Visit, Warmth, departures, untouched, warmths
from seqrun.measure.temperature import pt100_temperature_c, pt100_tolerance_k
from seqrun.plan.context import Context, Indication
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Hookup, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Celsius, Hertz, Seconds
from seqrun.steps.common.drive import Drive, drive_needs
from seqrun.steps.common.sink import PT100_EXPECTED_OHM, read_temperature
from seqrun.values import COVERAGE_FACTOR

PROBE = "sensor.probe"
LOOK_S = 3.0  # between two looks at a case while a tone is held
#: case to heatsink of a device with its insulation and compound, K/W (from memory: 0.4 to 1)
JOINT = 0.6
REPEATS = 4  # within a second: more would see the case move

CASE_HEAT = Measurand(
    "case_heat",
    "%",
    title="warmth of a device's case",
    what=(
        "How much more or less the case of an output device warms over its heatsink, when the unit "
        "is driven, than the middle one of all its cases: 0 % is alike, -100 % gives no heat."
    ),
    how=(
        "One probe is held on each case in turn. A large tone, a small one and a rest follow one "
        "another, and what the case does within these seconds, less what the heatsink does "
        "meanwhile, is its device's heat times its joint; the probe's own error cancels. The tones "
        "are off while the probe is moved."
    ),
    fooled_by=(
        "Heat and joint cannot be told apart by it: healthy joints differ by half, so a device "
        "that carries a third too much does not show. Of an integrated power stage the case is "
        "felt, and not what goes on among the devices within it; a stage that idles higher than "
        "its neighbours does not show. A probe that touches badly reads low."
    ),
    contact=(
        "A case that gets warmer with the tone is felt. One that does not is read only where the "
        "probe shows the metal's warmth over the room."
    ),
)
CASE_RISE = Measurand(
    "case_rise",
    "K",
    title="rise of a device's case",
    what="How much warmer a case gets over its heatsink by the large tone.",
    how="As case_heat.",
    fooled_by="A case that has not settled within the time that the tone is held reads too little.",
)
SMALL_TONE_HEAT = Measurand(
    "small_tone_heat",
    "%",
    title="heat by a small tone",
    what=(
        "How far a device's heat by a small tone, as a part of its heat by a large one, is from "
        "that of the middle one of all devices. Devices in parallel that are not alike share a "
        "large current by their ballasts, and at the size of the idle current not at all."
    ),
    how=(
        "From the cases as case_heat felt them: the small tone's warmth over the large one's, in "
        "which joint and contact of the probe cancel; against the middle one of all devices."
    ),
    fooled_by=(
        "A channel that idles higher than the other shows as well, all its devices alike. Where "
        "more than half of all devices are of the wrong kind, these are the measure of the others."
    ),
    contact="Only cases that case_heat has felt are told.",
)


@dataclass(frozen=True, slots=True)
class Felt:
    """What the cases of a unit came to: whose they are and how warm each got."""

    cases: tuple[DeviceCase, ...]
    heat: tuple[Warmth | None, ...]


def key_of(step_id: str) -> str:
    return f"cases felt by {step_id}"


def by_thermometer(view: BenchView) -> bool:
    """Whether a thermometer is held to the cases, for want of a probe that the meter reads."""
    moved = any(sensor.point == PROBE for sensor in view.bench.sensor)
    return view.has("thermometer") and (view.by_hand("meter") or not moved)


def cases_of(unit: Unit) -> tuple[DeviceCase, ...]:
    """The cases that a probe can be held on.

    Raises:
        UnitLacks: none, or only one.
    """
    cases = unit.device_cases()
    if len(cases) < 2:
        raise UnitLacks(
            "the cases of its output devices are not accessible"
            if not cases
            else "one case, and nothing to hold it against",
            expected='cases = "accessible" in the unit sheet, when a probe can be held on each',
            where=unit.model,
        )
    return cases


class CaseHeat(Step):
    """How warm the case of each output device gets by a tone, each felt in turn by one probe."""

    kind: ClassVar[str] = "case_heat"
    yields: ClassVar = (
        judged(CASE_HEAT, "several", each="case"),
        shown(CASE_RISE, "several", each="case"),
    )
    id_fields: ClassVar[tuple[str, ...]] = ("ambient",)

    ambient: str = Field(description="id of the room's temperature")
    power: WattsExpression = Field(description="of the large tone, into each load")
    small_power: WattsExpression = Field(
        description="of the small tone, into each load: its current about that of idle"
    )
    frequency: Hertz = Field(default=400.0, gt=0.0)
    hold: Seconds = Field(
        default=30.0, ge=20.0, le=300.0, description="each tone, and the rest after them"
    )
    drift: Seconds = Field(
        default=30.0, ge=10.0, le=300.0, description="the heatsink's own drift is watched for"
    )
    hottest: Celsius = Field(default=90.0, description="a case that is hotter ends the run")

    def needs(self, view: BenchView) -> Needs:
        cases = cases_of(view.unit)
        watts = max(p.evaluate_in("W", view.unit.names()) for p in (self.power, self.small_power))
        seconds = 3.0 * self.hold + len(cases) * (3.5 * self.hold + self.drift)
        driven = drive_needs(view, view.unit.channels, watts, seconds=seconds)
        if by_thermometer(view):
            return replace(driven, roles=driven.roles | {"thermometer"})
        view.sensor(PROBE)
        return replace(
            driven,
            roles=driven.roles | {"meter"},
            hookups=(*driven.hookups, *(h for case in cases for h in _held_on(view, case))),
            meter={"resistance_4w": PT100_EXPECTED_OHM},
            by_itself=frozenset({"meter"}),
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """By a usual joint and the heat of a class-B stage; the middle one is better known."""
        unit = view.unit
        watts = self.power.evaluate_in("W", unit.names())
        volts = unit.rail_voltage * len(unit.rail_names)
        heat = volts * unit.supply_current_at(watts) - watts * len(unit.channels)
        rise = max(heat, 0.1 * watts) / len(cases_of(unit)) * JOINT
        halves = (_step_k(view), view.bench.dirt.sensor_contact * rise, 0.1 * rise)
        u = math.hypot(*(half / math.sqrt(3.0) for half in halves)) / rise
        return Forecast(
            0.0,
            100.0 * COVERAGE_FACTOR * u,
            better="a larger power, or a probe that is clamped on",
        )

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        cases = cases_of(ctx.view.unit)
        room = ctx.measured(self.ambient)[-1][1]
        visits: list[Visit] = []
        drive = Drive(ctx, self.frequency)
        try:
            if not by_thermometer(ctx.view):
                ctx.connect(*_held_on(ctx.view, cases[0]))
                ctx.meter.configure("resistance_4w", PT100_EXPECTED_OHM, 10.0)
            drive.to_power(ctx.evaluate(self.small_power, "W"))
            small = dict(drive.levels)
            drive.to_power(ctx.evaluate(self.power, "W"))
            large = dict(drive.levels)
            self._play(ctx, drive, (large, small), "before the first case", lambda: None)
            for number, case in enumerate(cases):
                drive.stop()  # while hands are at a case that may be live
                done = f"case {number + 1} of {len(cases)}"
                visits.append(self._visit(ctx, drive, case, (large, small), done))
        finally:
            drive.stop()
        names = (_reader(ctx),)
        heat = warmths(visits, ctx.view.bench.dirt.sensor_contact)
        why = untouched(visits, heat, room)
        felt = [None if no else one for one, no in zip(heat, why, strict=True)]
        ctx.keep(key_of(self.id), Felt(cases, tuple(felt)))
        found = departures([one and one.large for one in felt])
        for case, one, no, departure in zip(cases, felt, why, found, strict=True):
            if one is None or departure is None:
                alone = "no other case got warmer: there is nothing to hold it against"
                yield self.not_measured(CASE_HEAT, no or alone, channel=case.name)
                continue
            yield self.reading(
                CASE_HEAT, 100.0 * departure, channel=case.name, instruments=names, note=case.words
            )
            yield self.reading(CASE_RISE, one.large, channel=case.name, instruments=names)

    def _visit(
        self,
        ctx: Context,
        drive: Drive,
        case: DeviceCase,
        levels: tuple[dict[str, float], dict[str, float]],
        told: str,
    ) -> Visit:
        read = _on(ctx, case)
        times, celsius = [], []

        def look() -> None:
            celsius.append(read())
            times.append(ctx.clock.now())
            self._not_too_hot(float(celsius[-1].nominal_value))

        self._pass(ctx, self.hold / 2.0, told)
        look()
        self._play(ctx, drive, levels, told, look)
        self._pass(ctx, self.drift, told)
        look()
        return Visit(tuple(celsius), tuple(times))

    def _play(
        self,
        ctx: Context,
        drive: Drive,
        levels: tuple[dict[str, float], dict[str, float]],
        told: str,
        look: Callable[[], None],
    ) -> None:
        """The tones and the rest after them. Once before the first case, so that the heatsink has
        gone through the same before each of them."""
        for tone in levels:
            drive.set(tone)
            self._pass(ctx, self.hold, told)
            drive.powers()  # the tone is there, through the loads
            look()
        drive.stop()
        self._pass(ctx, self.hold, told)
        look()

    def _not_too_hot(self, celsius: float) -> None:
        """See that a case is no hotter than any should be.

        Raises:
            Tripped: it is.
        """
        if celsius > self.hottest:
            raise Tripped(
                f"a case is at {celsius:.0f} °C",
                expected=f"at most {self.hottest:.0f} °C",
                where=self.id,
                hint="its joint to the heatsink is dry, or it carries what others should",
            )

    def _pass(self, ctx: Context, seconds: float, told: str) -> None:
        """Let time pass with an eye on the case, where the meter reads it."""
        begun = ctx.clock.now()
        seen = not by_thermometer(ctx.view)

        def over() -> bool | None:
            passed = ctx.clock.now() - begun
            if seen:
                celsius = pt100_temperature_c(ctx.meter.read_raw())
                ctx.progress(f"{told}: {celsius:.1f} °C", None, Indication("case", celsius, "°C"))
                self._not_too_hot(celsius)
            return True if passed >= seconds else None

        ctx.wait_until(over, every_s=LOOK_S, at_most_s=seconds + 60.0, what="the case to warm")


class SmallToneHeat(Step):
    """Whether devices in parallel share at the size of their idle current, from their cases."""

    kind: ClassVar[str] = "small_tone_heat"
    yields: ClassVar = (judged(SMALL_TONE_HEAT, "several", each="case"),)

    of: str = Field(description="id of a case_heat step")

    def needs(self, view: BenchView) -> Needs:
        cases_of(view.unit)
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        step = 0.1 if by_thermometer(view) else 0.02
        return Forecast(0.0, 100.0 * step / 0.2, better="a sensor on the meter, clamped on")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        felt = ctx.kept(key_of(self.of))
        if not isinstance(felt, Felt):
            raise NotMeasured(
                f"'{self.of}' has felt no case", expected="a case_heat step, done before this one",
                where=self.id,
            )  # fmt: skip
        parts: list[UFloat | None] = [
            None if one is None or one.small is None else one.small / one.large for one in felt.heat
        ]
        found = departures(parts)
        for case, departure in zip(felt.cases, found, strict=True):
            if departure is None:
                yield self.not_measured(
                    SMALL_TONE_HEAT,
                    "its case was not felt, or moves too slowly: see case_heat",
                    channel=case.name,
                )
            else:
                yield self.reading(
                    SMALL_TONE_HEAT,
                    100.0 * departure,
                    channel=case.name,
                    instruments=(_reader(ctx),),
                    note=case.words,
                )


def _held_on(view: BenchView, case: DeviceCase) -> tuple[Hookup, Hookup]:
    """The meter on its probe, and the probe on a case."""
    name = f"case.{case.name}"
    words = (
        f"hold the insulated probe on the case of {case.words} (hot metal; a case may be live, so "
        "nothing bare of the probe may touch it)"
    )
    return view.meter_four_wire(PROBE), Hookup(((PROBE, name),), words)


def _on(ctx: Context, case: DeviceCase) -> Callable[[], UFloat]:
    """Have the probe held on a case; what reads it then, °C."""
    view, name = ctx.view, f"case.{case.name}"
    if by_thermometer(view):
        words = f"{view.point(name).words}; its probe insulated: a case may be live"
        return lambda: ctx.thermometer.read(name, words)
    ctx.connect(*_held_on(view, case))
    ctx.meter.configure("resistance_4w", PT100_EXPECTED_OHM, 10.0)
    return lambda: read_temperature(ctx, PROBE, REPEATS)


def _reader(ctx: Context) -> str:
    return ctx.thermometer.name if by_thermometer(ctx.view) else ctx.meter.name


def _step_k(view: BenchView) -> float:
    """How closely two readings of one thermometer can be told apart, K."""
    if by_thermometer(view):
        row = view.drivers[view.key("thermometer")].row("temperature", 40.0)
        return math.hypot(row.resolution, row.noise)
    return 0.02 + 0.02 * pt100_tolerance_k(40.0, view.sensor(PROBE).tolerance_class)
