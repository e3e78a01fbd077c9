"""Where does a disturbance live? Cut the signal's path at one place after another and look again.

What stays when everything before the cut is taken away comes from behind it; what goes came from
before it. Each cut is chosen so that it halves what is left under suspicion.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.files.common import Strict
from seqrun.measure.bounds import Bounded
from seqrun.measure.lines import hum
from seqrun.measure.noise import level_of_records
from seqrun.measure.pick_up import beside_pick_up
from seqrun.measure.uncertain import magnitude
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Hookup, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, custom_error, render
from seqrun.steps.common.contact import BY_TONE, channels_proved, prove_contact
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.forecasts import near_limit, quiet_volts
from seqrun.steps.common.listening import Heard, Listening, listening_needs
from seqrun.values import COVERAGE_FACTOR, Bound

STAYS = 0.7  # of its level: more is left than a cut before it would leave
GOES = 0.35  # less is left than what comes from behind the cut would leave
BY_ITSELF = 0.5  # a change of the level without any cut by more than this share proves nothing
NOISE_RATE_HZ, HUM_RATE_HZ = 100e3, 20e3

LookFor = Literal["noise", "hum", "offset"]


class Cut(Strict):
    """A place where the signal's path can be cut, and how.

    Either a control is turned (``control``, ``position`` and ``back``), or the generator's lead is
    taken off the input (``lead_off``).
    """

    name: str = Field(description='in words, such as "volume down"')
    after: str = Field(description="the last of the suspects that the cut takes away")
    control: str = ""
    position: str = ""
    back: str = Field("", description="where the control stands again afterwards")
    words: str = Field("", description="more for the operator")
    lead_off: bool = Field(False, description="true: the generator's lead off the input")
    effort: float = Field(default=1.0, gt=0.0, description="how much work it is, against the rest")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        turned = bool(self.control and self.position and self.back)
        if turned == self.lead_off or (self.lead_off and self.control):
            raise custom_error(
                "a cut that is neither a control nor a lead",
                "control, position and back together, or lead_off = true",
            )
        return self


def next_cut(suspects: Sequence[str], left: Sequence[str], cuts: Iterable[Cut]) -> Cut | None:
    """The cut that splits what is left most evenly; the less work of two alike; None: none does.

    Args:
        suspects: all of them, in the order in which the signal passes them.
        left: those that are not ruled out, in the same order.
    """
    order = {name: number for number, name in enumerate(suspects)}
    best: tuple[int, float] | None = None
    chosen = None
    for cut in cuts:
        before = sum(order[name] <= order[cut.after] for name in left)
        worst = max(before, len(left) - before)
        if worst == len(left):
            continue
        if best is None or (worst, cut.effort) < best:
            best, chosen = (worst, cut.effort), cut
    return chosen


@dataclass(frozen=True, slots=True)
class CutResult:
    """What a cut told: the suspects that are left, those ruled out by it, and how it was."""

    left: tuple[str, ...]
    ruled_out: tuple[str, ...]
    how: Literal["stays", "goes", "partly"]


def told(suspects: Sequence[str], left: Sequence[str], cut: Cut, share: float) -> CutResult:
    """What is left after a cut.

    Args:
        share: the level with the cut over the level without it.
    """
    order = {name: number for number, name in enumerate(suspects)}
    before = tuple(name for name in left if order[name] <= order[cut.after])
    behind = tuple(name for name in left if order[name] > order[cut.after])
    if share >= STAYS:
        return CutResult(behind, before, "stays")
    if share <= GOES:
        return CutResult(before, behind, "goes")
    return CutResult(tuple(left), (), "partly")


CUTTING = (
    "Above its limit the signal's path is cut at one place after another: what stays comes from "
    "behind the cut, what goes from before it."
)
OFFSET_DISTURBANCE = Measurand(
    "offset_disturbance",
    "V",
    title="DC to be isolated",
    what=(
        "The DC at an output with everything connected and no signal; the note tells which "
        "sections it can come from."
    ),
    how=f"As dc_offset. {CUTTING}",
    fooled_by="A disturbance that comes and goes by itself; two faults at once.",
    contact=BY_TONE,
)
HUM_DISTURBANCE = Measurand(
    "hum_disturbance",
    "V",
    title="hum to be isolated",
    what=(
        "The hum at an output with everything connected and no signal; the note tells which "
        "sections it can come from."
    ),
    how=f"As hum. {CUTTING}",
    fooled_by="As offset_disturbance; and a ground loop that a cut opens as well.",
    contact=BY_TONE,
)
NOISE_DISTURBANCE = Measurand(
    "noise_disturbance",
    "V",
    title="noise to be isolated",
    what=(
        "The noise at an output with everything connected and no signal; the note tells which "
        "sections it can come from."
    ),
    how=f"As noise. {CUTTING}",
    fooled_by="As offset_disturbance.",
    contact=BY_TONE,
)
DISTURBANCES = {
    "offset": OFFSET_DISTURBANCE,
    "hum": HUM_DISTURBANCE,
    "noise": NOISE_DISTURBANCE,
}
DISTURBANCE_CUT = Measurand(
    "disturbance_cut",
    "V",
    title="disturbance with the path cut",
    what="What is left with the path cut at the place that the note tells. Shown, not judged.",
    how="As offset_disturbance, hum_disturbance or noise_disturbance.",
    fooled_by="A plug that was not really off.",
)
SUSPECTS_LEFT = Measurand(
    "suspects_left",
    "",
    what="How many sections are still under suspicion after all cuts; the note names them.",
    how="Counted. Shown, not judged.",
    fooled_by="Two sections between which this unit cannot be cut stay suspects together.",
)


class Isolate(Step):
    """Narrow down which section a disturbance at an output comes from.

    The level is read with everything connected. Above the limit, the path is cut at one place
    after another, each chosen to halve the sections still under suspicion; after each it is said
    what is ruled out. In the end everything is as before, and the level must be so, too: a
    disturbance that comes and goes by itself proves nothing.
    """

    kind: ClassVar[str] = "isolate"
    yields: ClassVar = (
        judged(OFFSET_DISTURBANCE),
        judged(HUM_DISTURBANCE),
        judged(NOISE_DISTURBANCE),
        shown(DISTURBANCE_CUT, "several", each="cut"),
        shown(SUSPECTS_LEFT),
    )

    at: str
    look_for: LookFor
    suspects: tuple[str, ...] = Field(min_length=2, description="sections, in the signal's order")
    cuts: tuple[Cut, ...] = Field(min_length=1)
    input: str = Field("", description="the input that the generator is on; none: the fixed one")
    mains: Hertz = Field(default=50.0, description="50 Hz or 60 Hz")
    records: int = Field(default=6, ge=1, le=100)

    @property
    def judges(self) -> tuple[Measurand, ...]:
        return (DISTURBANCES[self.look_for],)

    @model_validator(mode="after")
    def _known(self) -> Self:
        if len(set(self.suspects)) < len(self.suspects):
            raise custom_error("a suspect that stands twice", "each section once")
        for cut in self.cuts:
            if cut.after not in self.suspects[:-1]:
                raise custom_error(
                    f"after = '{cut.after}'", f"one of {', '.join(self.suspects[:-1])}"
                )
        return self

    def needs(self, view: BenchView) -> Needs:
        view.generator_on(self._of())
        seconds = 1.2 * (len(self.cuts) + 2)
        if self.look_for == "offset":
            return Needs(
                roles=frozenset({"meter", "generator"}),
                hookups=(view.meter_across(self.at),),
                seconds=seconds,
                live=True,
                proved_on=channels_proved(view, self.at),
                proved_by="meter",
            )
        needs = listening_needs(view, self.at, seconds)
        return replace(needs, roles=needs.roles | {"generator"})

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        if self.look_for != "offset":
            return quiet_volts(self, view)
        u = view.standard_uncertainty("meter", "dc_voltage", near_limit(self, view, 0.0))
        return Forecast(0.0, COVERAGE_FACTOR * u, better="a lower range or a better meter")

    def _of(self) -> str:
        return self.channel or self.at.partition(".")[2].partition(".")[0]

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        self._prove(ctx)
        source = Drive(ctx, 1000.0, (self._of(),))
        source.terminate()
        try:
            begun = self._level(ctx)
            high = ctx.limit.high if ctx.limit is not None else None
            least = abs(high) if high is not None else 0.0
            if float(begun.value.nominal_value) <= least:
                yield self._reading(ctx, begun, "nothing to look for: it is within its limit")
                return
            name = self.channel or self.at
            ctx.say(
                f"{name}: {self.look_for} of {_volts(begun)} with everything connected; it may come"
                f" from: {', '.join(self.suspects)}"
            )
            left, tried = self.suspects, []
            open_cuts = list(self.cuts)
            while len(left) > 1 and (cut := next_cut(self.suspects, left, open_cuts)):
                open_cuts.remove(cut)
                try:
                    with self._cut(ctx, cut):
                        now = self._level(ctx)
                except NotMeasured as reason:
                    ctx.say(f"{name}: {cut.name} is not possible here: {reason.found}")
                    continue
                tried.append((cut, now))
                share = float(now.value.nominal_value) / float(begun.value.nominal_value)
                found = told(self.suspects, left, cut, share)
                ctx.say(f"{name}: {cut.name}: {_said(now, share, found)}")
                left = found.left
                yield self._reading(ctx, now, cut.name, DISTURBANCE_CUT)
            self._check_still_there(ctx, begun, bool(tried))
        finally:
            source.stop()
        verdict = f"comes from: {', '.join(left)}"
        if not tried:
            verdict = f"nothing could be cut; {verdict}"
        ctx.say(f"{name}: the {self.look_for} {verdict}")
        yield self._reading(ctx, begun, verdict)
        yield self.plain(SUSPECTS_LEFT, float(len(left)), channel=name, note=", ".join(left))

    def _check_still_there(self, ctx: Context, begun: Bounded, tried: bool) -> None:
        if not tried:
            return
        again = self._level(ctx)
        was, now = float(begun.value.nominal_value), float(again.value.nominal_value)
        if abs(now - was) > BY_ITSELF * was:
            raise NotMeasured(
                f"{self.look_for} of {_volts(begun)} has become {_volts(again)} by itself, so that "
                "the cuts prove nothing",
                expected="a disturbance that is as it was once everything is connected again",
                where=self.id,
                hint="a disturbance that comes and goes is found by 'noise-hunt'",
            )

    def _prove(self, ctx: Context) -> None:
        """See that what the level is read with is on the output, before nothing may pass there.

        Raises:
            NotMeasured: nothing shows it.
        """
        if self.look_for != "offset":
            Listening(ctx, self.at, sample_rate_hz=HUM_RATE_HZ, seconds=0.5).prove()
            return

        def rms_v() -> float:
            ctx.meter.configure("ac_voltage", None, 1.0)
            return ctx.meter.read_raw()

        hookup = ctx.view.meter_across(self.at)
        ctx.connect(hookup)
        prove_contact(ctx, self.at, hookup, rms_v)

    # --- the level -----------------------------------------------------------------------------

    def _level(self, ctx: Context) -> Bounded:
        if self.look_for == "offset":
            return Bounded(self._dc(ctx), Bound.EXACT)
        rate = NOISE_RATE_HZ if self.look_for == "noise" else HUM_RATE_HZ
        listening = Listening(ctx, self.at, sample_rate_hz=rate, seconds=0.5)
        found: list[Bounded] = []
        mains: list[float] = []
        for number in range(1, self.records + 1):
            heard = listening.hear()
            level, mains_v = self._one(heard)
            found.append(level)
            mains.append(mains_v)
            ctx.progress(_volts(level), number / self.records)
        at_mains = math.sqrt(math.fsum(v * v for v in mains) / len(mains))
        return beside_pick_up(level_of_records(found)[0], at_mains, heard.pick_up_v(ctx.view))

    def _one(self, heard: Heard) -> tuple[Bounded, float]:
        """What is looked for in one record, and its line at the mains, V rms."""
        if self.look_for == "hum":
            lines = hum(
                heard.wave.volts,
                heard.rate_hz,
                mains_hz=self.mains,
                multiples=10,
                gain=heard.wave.gain,
                clipped=heard.wave.clipped,
            )
            return lines.total, lines.mains_v
        noise = heard.noise()
        return noise.rms, noise.mains_v

    def _dc(self, ctx: Context) -> UFloat:
        ctx.connect(ctx.view.meter_across(self.at))
        ctx.meter.configure("dc_voltage", None, 10.0)
        before = np.inf

        def still() -> bool | None:
            nonlocal before
            now = ctx.meter.read_raw()
            steady = abs(now - before) < max(2e-3, 0.02 * abs(now))
            before = now
            return True if steady else None

        ctx.wait_until(still, every_s=0.5, at_most_s=30.0, what=f"{self.at} to settle")
        return magnitude(ctx.meter.read(3))

    # --- cutting -------------------------------------------------------------------------------

    @contextmanager
    def _cut(self, ctx: Context, cut: Cut) -> Iterator[None]:
        """The path cut for as long as this lasts."""
        if cut.control:
            ctx.turn(cut.control, cut.position, cut.words or cut.name)
            try:
                yield
            finally:
                ctx.turn(cut.control, cut.back, "as it was")
            return
        view, channel = ctx.view, self._of()
        terminal = view.generator_lead(channel)[1]
        node = f"in.{channel}.{self.input}" if self.input else f"in.{channel}"
        ctx.disconnect(terminal, cut.words or cut.name)
        try:
            yield
        finally:
            ctx.connect(Hookup(((terminal, node),), f"generator {terminal} back to {node}"))

    # --- results -------------------------------------------------------------------------------

    def _names(self, ctx: Context) -> tuple[str, ...]:
        return (ctx.meter.name,) if self.look_for == "offset" else (ctx.scope.name,)

    def _reading(
        self, ctx: Context, level: Bounded, note: str, of: Measurand | None = None
    ) -> Yielded:
        return self.reading(
            of or DISTURBANCES[self.look_for],
            level.value,
            channel=self.channel or self.at,
            bound=level.bound,
            instruments=self._names(ctx),
            note=f"{self.look_for}; {note}",
        )


def _volts(level: Bounded) -> str:
    word = "at most " if level.bound is Bound.AT_MOST else ""
    return word + render(float(level.value.nominal_value), "V", digits=3)


def _said(now: Bounded, share: float, found: CutResult) -> str:
    level = f"{_volts(now)} is left ({100.0 * share:.0f} %)"
    if found.how == "partly":
        return f"{level}: part of it goes; both sides of the cut have a share in it"
    ruled = ", ".join(found.ruled_out) or "nothing more"
    how = "it stays" if found.how == "stays" else "it goes"
    return f"{level}: {how}; ruled out: {ruled}; left: {', '.join(found.left)}"
