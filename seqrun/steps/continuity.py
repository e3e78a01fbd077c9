"""What is heard of the outputs, while a soak goes on and hot at rest: drop-outs and crackles."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar

from pydantic import Field, PrivateAttr

from seqrun.errors import NotMeasured
from seqrun.files.expression import VoltsExpression
from seqrun.measure.counts import rate_in_any_stretch, surely_beyond
from seqrun.measure.noise import unseen_rate
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs, ScopeRecord, Unforecast
from seqrun.plan.view import BenchView
from seqrun.quantity import Seconds
from seqrun.steps.common.contact import BY_TONE
from seqrun.steps.common.ears import QUIET_HZ, RECORD_S, START_V, Ears, key_of
from seqrun.steps.common.faintest import (
    WORDS,
    faintest_v,
    least_driven,
    least_quiet,
    refuse_deaf,
    too_coarse,
)
from seqrun.steps.disturbances import BURST_PEAK, BURST_RATE
from seqrun.steps.heat import Soak
from seqrun.values import COVERAGE_FACTOR, Bound

LEAST_SHARE = 0.5  # of the time listened to, in which the faintest crackle would have been heard

_HOW = (
    "While a soak goes on, the scope takes records of one to two seconds of all outputs, one after "
    "another. What begins in them is counted over the time in them; the bound is the exact one of "
    "a Poisson count (97.7 %), also when nothing was heard. It holds for every stretch as long as "
    "the soak was to listen, not for the whole alone: what comes only hot is not thinned out."
)

DROP_OUT_RATE = Measurand(
    "drop_out_rate",
    "Hz",
    title="drop-outs",
    what=(
        "How often the level of a tone at the output departs by more than a tenth, for a period of "
        "it or longer: a relay or a contact that lets go for a moment."
    ),
    how=_HOW,
    fooled_by="A load lead that moves; the generator's own lead. Somebody at the bench.",
    contact="The driven tone itself, seen through the same lead.",
)
CRACKLE_RATE = Measurand(
    "crackle_rate",
    "Hz",
    title="crackles",
    what="How often something crackles at the output, beside a tone or in silence.",
    how=_HOW,
    fooled_by=(
        "Lamps and tools switched nearby. Beside a tone a crackle has to stand out of the "
        "converter's steps: a scope of 8 bits hears less of it."
    ),
    contact=BY_TONE,
)
LISTENED = Measurand(
    "listened",
    "s",
    title="time listened",
    what="How long an output was listened to.",
    how="The length of all records that were looked through. Shown, not judged.",
    fooled_by="Nothing.",
)
LOST_TIME = Measurand(
    "lost_time",
    "s",
    what="The total time for which the tone was missing while the output was listened to.",
    how="As drop_out_rate. Shown, not judged.",
    fooled_by="As drop_out_rate.",
)
CRACKLE_PEAK = Measurand(
    "crackle_peak",
    "V",
    what="The largest magnitude within a crackle.",
    how="As crackle_rate. Shown, not judged.",
    fooled_by="As crackle_rate.",
)


def deaf_to(ears: Ears, channel: str) -> str:
    """Why an output was not listened to; "" where it was."""
    if channel in ears.deaf or not ears.heard[channel].live_s > 0.0:
        return ears.deaf.get(channel, "no record of it could be looked through")
    return ""


def rate_of(
    step: Step,
    ctx: Context,
    channel: str,
    seen: Sequence[int],
    live_s: Sequence[float],
    what: str,
    *,
    stretch_s: float,
    at_least: bool = False,
) -> Yielded:
    """The reading that a step judges: what was ``seen`` in each record over the time that it was
    listened to, in the worst stretch of so many seconds."""
    found = rate_in_any_stretch(seen, live_s, stretch_s)
    high = ctx.limit.high if ctx.limit is not None else None
    rate = surely_beyond(found.rate, found.rate_of, high)
    among = f", {found.worst_seen} of them within {found.worst_s:.0f} s" if found.uneven else ""
    return step.reading(
        step.judges[0],
        rate.value,
        channel=channel,
        bound=Bound.AT_LEAST if at_least else rate.bound,
        instruments=(ctx.scope.name,),
        note=f"{found.seen} {what} in {found.live_s:.0f} s of listening{among}; bound 97.7 %, "
        f"k = {COVERAGE_FACTOR:g}",
    )


def crackles_of(
    step: Step,
    ctx: Context,
    channel: str,
    ears: Ears,
    peak: Measurand,
    wanted_v: float,
    stretch_s: float,
) -> Iterator[Yielded]:
    """The crackles of an output that was listened to. Only time counts in which those of
    ``wanted_v`` (rms over 5 ms) would have been heard."""
    names, heard = (ctx.scope.name,), ears.heard[channel]
    live = ears.heard_s(channel, wanted_v)
    deaf = math.fsum(live) < LEAST_SHARE * heard.live_s
    if deaf and not heard.crackles:
        why = too_coarse(ears.least_v(channel), wanted_v)
        yield step.not_measured(step.judges[0], why, channel=channel)
        return
    records = ears.records[channel]
    seen = [one.crackles for one in records]
    if deaf:
        # What was heard was there, however deaf the bench: then it is at least that.
        live = [one.live_s for one in records]
    yield rate_of(step, ctx, channel, seen, live, "crackles", stretch_s=stretch_s, at_least=deaf)
    if heard.crackles:
        yield step.plain(peak, heard.peak_v, channel=channel, instruments=names)
    yield step.plain(LISTENED, heard.live_s, channel=channel, instruments=names)


class OutputBursts(Step):
    """All outputs listened to at once with no signal, for bursts and crackles.

    What ``noise_bursts`` does at one point after the other takes as long for each.
    """

    kind: ClassVar[str] = "output_bursts"
    yields: ClassVar = (
        judged(BURST_RATE, "channel"),
        shown(BURST_PEAK, "channel"),
        shown(LISTENED, "channel"),
    )

    watch: Seconds = Field(default=60.0, gt=0.0, description="how long each output is heard")
    faintest: VoltsExpression | None = Field(None, description=WORDS)

    def leans_on(self, view: BenchView, others: Mapping[str, Step]) -> None:
        wanted = faintest_v(view, self.faintest)
        for channel in self.channels(view):
            refuse_deaf(view, least_quiet(view, f"out.{channel}"), wanted, self.id)

    def needs(self, view: BenchView) -> Needs:
        roles = {"scope"} | ({"generator"} if view.has("generator") else set())
        return Needs(
            roles=frozenset(roles),
            hookups=tuple(view.scope_on(f"out.{c}")[2] for c in self.channels(view)),
            seconds=1.1 * self.watch + 4.0,
            live=True,
            record=ScopeRecord(round(RECORD_S * QUIET_HZ), QUIET_HZ, peak_v=START_V),
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return Forecast(0.0, unseen_rate(self.watch), better="a longer watch")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        ears = Ears(ctx, None)

        def over() -> bool | None:
            if ears.live_s >= self.watch:
                return True  # also when no output can be heard
            ears.listen()
            done = min(ears.live_s / self.watch, 1.0)
            ctx.progress(f"{ears.told()} in {ears.live_s:.0f} s", done)
            return None

        ctx.wait_until(
            over, every_s=0.0, at_most_s=2.0 * self.watch + 60.0, what="the outputs to be heard"
        )
        ears.finish()
        wanted = faintest_v(ctx.view, self.faintest)
        for channel in self.channels(ctx.view):
            if why := deaf_to(ears, channel):
                yield self.not_measured(BURST_RATE, why, channel=channel)
                continue
            yield from crackles_of(self, ctx, channel, ears, BURST_PEAK, wanted, self.watch)


class _OverTheSoak(Step):
    """What a soak with ``listen`` has heard of each output."""

    of: str
    _listens_s: float = PrivateAttr(default=0.0)

    def leans_on(self, view: BenchView, others: Mapping[str, Step]) -> None:
        soak = others.get(self.of)
        self._listens_s = soak.listen if isinstance(soak, Soak) else 0.0

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast | Unforecast:
        if not self._listens_s:
            return Unforecast(f"'{self.of}' does not listen to the outputs")
        return Forecast(0.0, unseen_rate(self._listens_s), better="a soak that listens for longer")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        ears = ctx.kept(key_of(self.of))
        if not isinstance(ears, Ears):
            raise NotMeasured(
                f"'{self.of}' has not listened to the outputs",
                expected="a soak with listen = a time, done before this one",
                where=self.id,
            )
        for channel in self.channels(ctx.view):
            if why := deaf_to(ears, channel):
                yield self.not_measured(self.judges[0], why, channel=channel)
                continue
            yield from self._told(ctx, channel, ears)

    def _told(self, ctx: Context, channel: str, ears: Ears) -> Iterator[Yielded]:
        raise NotImplementedError


class DropOuts(_OverTheSoak):
    """Continuity of the outputs through a driven soak: drop-outs counted."""

    kind: ClassVar[str] = "drop_outs"
    yields: ClassVar = (
        judged(DROP_OUT_RATE, "channel"),
        shown(LOST_TIME, "channel"),
        shown(LISTENED, "channel"),
    )

    def _told(self, ctx: Context, channel: str, ears: Ears) -> Iterator[Yielded]:
        names, heard = (ctx.scope.name,), ears.heard[channel]
        records = ears.records[channel]
        drops = [one.drop_outs for one in records]
        live = [one.live_s for one in records]
        yield rate_of(self, ctx, channel, drops, live, "drop-outs", stretch_s=self._listens_s)
        yield self.plain(LOST_TIME, heard.lost_s, channel=channel, instruments=names)
        yield self.plain(LISTENED, heard.live_s, channel=channel, instruments=names)


class Crackles(_OverTheSoak):
    """Crackles that were heard while a soak went on, driven or at idle.

    Only time counts in which the faintest that matters would have been heard.
    """

    kind: ClassVar[str] = "crackles"
    yields: ClassVar = (
        judged(CRACKLE_RATE, "channel"),
        shown(CRACKLE_PEAK, "channel"),
        shown(LISTENED, "channel"),
    )

    faintest: VoltsExpression | None = Field(None, description=WORDS)

    def leans_on(self, view: BenchView, others: Mapping[str, Step]) -> None:
        super().leans_on(view, others)
        soak, wanted = others.get(self.of), faintest_v(view, self.faintest)
        if not isinstance(soak, Soak):
            return
        soak.must_hear(wanted)
        watts = None
        if soak.power is not None:
            watts = soak.power.evaluate_in("W", view.unit.names())
        for channel in self.channels(view):
            point = f"out.{channel}"
            least = least_quiet(view, point)
            if watts is not None:
                least = least_driven(view, point, watts)
            refuse_deaf(view, least, wanted, self.id, driven=watts is not None)

    def _told(self, ctx: Context, channel: str, ears: Ears) -> Iterator[Yielded]:
        wanted = faintest_v(ctx.view, self.faintest)
        stretch = self._listens_s
        yield from crackles_of(self, ctx, channel, ears, CRACKLE_PEAK, wanted, stretch)
