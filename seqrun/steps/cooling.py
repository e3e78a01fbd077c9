"""Output devices whose currents nobody can reach, told apart by cooling one after another."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.files.unit.points import DeviceCase
from seqrun.measure.cooling import OF_SINK, UNLIKE, Cooled, compared
from seqrun.plan.context import Context, Indication
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Hookup, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Seconds, render
from seqrun.steps.cases import cases_of
from seqrun.steps.common.settling import settle
from seqrun.values import COVERAGE_FACTOR

#: what is held on a case: not a lead, but put on and taken off like one
COOLER = "cooler"
LOOK_S = 2.0
OWN = 1.0 - OF_SINK[0]  # of a fall: the device's own
REPEATS = 10  # of the read-back at each of the three moments
BACK = 0.1  # of the fall: so near to where it was counts as come back
#: of the current that a device carries, the part that a case gives up when it is cooled by some
#: fifteen kelvins (from memory: -2 mV/K on kT/q and a ballast's drop of a few millivolts)
GIVES_UP = 0.3

COOLED_SHARE = Measurand(
    "cooled_share",
    "%",
    title="idle current by cooling",
    what=(
        "How much more or less the current of the whole unit falls when the case of one output "
        "device is cooled than when those beside it in parallel are: 0 % is alike, -100 % carries "
        "nothing."
    ),
    how=(
        "At idle, with no tone. One case after another is cooled for the same time, by a cold "
        "metal block or freezing spray, and the supply's current on all rails is read before, "
        "while it is cold, and once it has come back. Drift over these minutes and the "
        "read-back's resolution are in U."
    ),
    fooled_by=(
        "No hand cools two cases alike; 30 % for that are in U. A case that was not cooled at all "
        "reads as one that carries nothing: cool it once more before anything is taken out. Cold "
        "that gets into a neighbour, or into the bias transistor. Field-effect devices biased near "
        "the current that heat does not change show next to nothing. A dry joint to the heatsink "
        "lets the case get colder, and reads high."
    ),
    contact="A fall of the current shows that the case was cooled; without one, look again.",
)
COOLED_FALL = Measurand(
    "cooled_fall",
    "A",
    title="fall of the current by cooling",
    what="How far the supply's current, all rails together, fell while the case was cold.",
    how="As cooled_share.",
    fooled_by="As cooled_share.",
)


class CooledShare(Step):
    """What each output device carries at idle, by cooling one case after another and following
    the supply's current: a stand-in where no current of a device can be reached."""

    kind: ClassVar[str] = "cooled_share"
    yields: ClassVar = (
        judged(COOLED_SHARE, "several", each="case"),
        shown(COOLED_FALL, "several", each="case"),
    )

    hold: Seconds = Field(
        default=20.0, ge=5.0, le=120.0, description="each case is kept cold for so long"
    )
    recover: Seconds = Field(
        default=90.0, ge=20.0, le=600.0, description="at most, until the current has come back"
    )

    def needs(self, view: BenchView) -> Needs:
        cases = cases_of(view.unit)
        return Needs(
            roles=frozenset({"supply"}),
            seconds=len(cases) * (self.hold + 0.6 * self.recover + 10.0),
            live=True,
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """By even shares of the idle current, and what resolution and noise leave of a fall."""
        unit, rails = view.unit, len(view.rails)
        each = unit.expected_supply_current * rails / len(cases_of(unit))
        driver = view.drivers[view.key("supply")]
        row = driver.row("readback_current", unit.expected_supply_current)
        once = math.hypot(row.resolution / math.sqrt(12.0), row.noise / math.sqrt(REPEATS))
        reading = 1.5 * once * math.sqrt(rails) / (GIVES_UP * each)
        hand = UNLIKE / math.sqrt(3.0)
        return Forecast(
            0.0,
            100.0 * COVERAGE_FACTOR * math.hypot(reading, hand) * math.sqrt(2.0) / OWN,
            better="a supply or ammeter that resolves its current more finely",
        )

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        cases = cases_of(ctx.view.unit)
        cooled: list[Cooled] = []
        ctx.acknowledge(CAUTION)
        if self.settle is not None:
            settle(ctx, lambda: self._of_usual(ctx), self.settle, "%", "current of all rails")
        before = self._read(ctx)
        for number, case in enumerate(cases):
            told = f"case {number + 1} of {len(cases)}"
            cooled.append(self._cool(ctx, case, before, told))
            before = (cooled[-1].after, cooled[-1].times[-1])
        found = compared(cooled, [_bank(case) for case in cases])
        names = (ctx.supply.name,)
        for case, one, share in zip(cases, cooled, found, strict=True):
            if share.share is None:
                yield self.not_measured(COOLED_SHARE, share.why, channel=case.name)
            else:
                yield self.reading(
                    COOLED_SHARE,
                    100.0 * share.share,
                    channel=case.name,
                    instruments=names,
                    note=case.words,
                )
            yield self.reading(COOLED_FALL, one.fall, channel=case.name, instruments=names)

    def _cool(
        self, ctx: Context, case: DeviceCase, before: tuple[UFloat, float], told: str
    ) -> Cooled:
        start, _ = before
        ctx.connect(_cold_on(case))
        try:
            self._pass(ctx, self.hold, f"{told}: kept cold", None)
            cold, at = self._read(ctx)
        finally:
            ctx.disconnect(COOLER, f"{case.words}: the cold away, and wiped dry")
        fell = float((start - cold).nominal_value)
        back = (float(start.nominal_value), BACK * fell) if fell > 0.0 else None
        self._pass(ctx, self.recover, f"{told}: coming back", back)
        after, last = self._read(ctx)
        return Cooled(start, cold, after, (before[1], at, last))

    @staticmethod
    def _now(ctx: Context) -> float:
        """One look at the current of all rails, A."""
        return math.fsum(ctx.supply.current_raw(n) for n in ctx.view.rails.values())

    def _of_usual(self, ctx: Context) -> float:
        """The same in % of what the sheet leads to expect."""
        view = ctx.view
        return 100.0 * self._now(ctx) / (view.unit.expected_supply_current * len(view.rails))

    def _read(self, ctx: Context) -> tuple[UFloat, float]:
        """The current of all rails, A, and the middle of the time in which it was read, s."""
        begun = ctx.clock.now()
        repeats = 1 if ctx.view.by_hand("supply") else REPEATS
        total = sum(ctx.supply.current(n, repeats) for n in ctx.view.rails.values())
        return total, 0.5 * (begun + ctx.clock.now())

    def _pass(
        self, ctx: Context, seconds: float, told: str, back: tuple[float, float] | None
    ) -> None:
        """Let time pass; at most until the current is back ``back`` A within so much, where a
        remote supply tells it: a hand is not asked again and again."""
        begun = ctx.clock.now()
        seen = not ctx.view.by_hand("supply")

        def over() -> bool | None:
            passed = ctx.clock.now() - begun
            if seen:
                amperes = self._now(ctx)
                ctx.progress(
                    f"{told}: {render(amperes, 'A', digits=4)}",
                    None,
                    Indication("current", amperes, "A"),
                )
                if back is not None and abs(amperes - back[0]) < back[1]:
                    return True
            return True if passed >= seconds else None

        ctx.wait_until(over, every_s=LOOK_S, at_most_s=seconds + 60.0, what="the case to follow")


CAUTION = (
    "COOLING ONE CASE AT A TIME, unit powered, no tone. Cases and tabs may be live: hold a cold "
    "metal block in an insulating grip, with a dry insulating film under it, so that it touches "
    "that one case and nothing else; no ice, and no water or frost that runs down. Freezing spray: "
    "only one sold as neither flammable nor conducting, in short bursts, with air to breathe; a "
    "flammable one near power burns. Shield the neighbours and the bias transistor with card. Live "
    "work: one hand, no rings; local codes and licensed practice rule."
)


def _cold_on(case: DeviceCase) -> Hookup:
    return Hookup(
        ((COOLER, f"case.{case.name}"),),
        f"cool the case of {case.words}, and nothing beside it (live metal); keep it cold until "
        "something else is asked for",
    )


def _bank(case: DeviceCase) -> str:
    """Name of the devices, or integrated stages, that are in parallel with one."""
    return case.name.rpartition(".")[0]
