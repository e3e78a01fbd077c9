"""What the loudspeaker gets when the unit is switched on and off: DC and thumps."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from typing import ClassVar, Literal

import numpy as np
from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.files.expression import SecondsExpression
from seqrun.measure.timing import closes_between
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs, ScopeRecord
from seqrun.plan.view import BenchView
from seqrun.quantity import Seconds, Volts
from seqrun.steps.common.contact import BY_TONE, TONE_HZ, loudness_at, prove_contact
from seqrun.steps.common.drive import Drive, Waveform, across
from seqrun.steps.common.forecasts import BETTER_SCOPE, near_limit, scope_share
from seqrun.steps.first_tone import key_of, listen_first
from seqrun.steps.just_on import kept_by, look_after, look_before
from seqrun.steps.timing import CLOSES
from seqrun.values import COVERAGE_FACTOR, Bound

RECORD_S = 1.6  # between two records the trips are looked at
#: of the record in which the relays have to close, at the longest: a click between two records
#: would not be seen. Nothing plays meanwhile, and the supply's own protection watches.
CLOSING_S = 5.0
#: what lies between two records at the most, s, and by how much of its delay a relay may close
#: sooner or later than it did the time before (our own choice)
GAP_S, LIKE_BEFORE = 0.3, 0.05
LEAST_S = 0.2  # of a record
RATE_HZ = 5e3  # a cone follows no faster (common practice)
LEAST_POINTS = 1000
LEAST_HZ = LEAST_POINTS / RECORD_S
TRIED_V = 0.2  # rms of a tone that tells whether a relay has closed
MEAN_S = 0.1  # over which DC is told from what only clicks
AT_AN_END_S = 0.01  # the first and the last of a record
AS_GOOD, FAR_BELOW = 0.95, 0.5  # of the largest
STANDS_OUT = 5.0  # times the quietest record: what does may be a thump

THUMP = Measurand(
    "thump",
    "V",
    title="thump",
    what="The largest magnitude at the output, DC and all, while the unit is switched on or off.",
    how=(
        "No signal; one record after another from the switching on, the scope coupled to DC. The "
        "note tells what share of the time was looked at; a thump that began or grew between two "
        "records is 'at least' what was seen of it."
    ),
    fooled_by=(
        "Rails that a bench supply raises slowly let a unit wake up more gently than its own mains "
        "does. A click shorter than the gap between two records may fall into it: where an "
        "await_output step has told when the relays close, one record holds that moment. A probe "
        "that comes off as the unit is switched off shows nothing: no tone can prove it then, and "
        "the switching on after it, through the same lead, tells."
    ),
    contact=BY_TONE,
)
THUMP_MEAN = Measurand(
    "thump_dc",
    "V",
    title="DC while switching",
    what="The largest mean over a tenth of a second at the output meanwhile: what moves a cone.",
    how="As thump. Shown, not judged.",
    fooled_by="As thump.",
)


@dataclass
class _OutputSeen:
    """What was seen of one output. ``peak`` is the record with the largest magnitude."""

    peak: Waveform | None = None
    peak_v: float = 0.0
    mean_v: float = 0.0
    seen_s: float = 0.0
    at: list[float] = field(default_factory=list)  # since the switching, s
    volts: list[float] = field(default_factory=list)
    ends: list[tuple[float, float]] = field(default_factory=list)  # of each record

    def take(self, wave: Waveform, at_s: float) -> None:
        size = np.abs(wave.volts)
        top, few = float(size.max()), max(1, round(AT_AN_END_S / wave.dt_s))
        self.at.append(at_s)
        self.volts.append(top)
        self.ends.append((float(size[:few].max()), float(size[-few:].max())))
        self.seen_s += wave.volts.size * wave.dt_s
        many = max(1, round(MEAN_S / wave.dt_s))
        means = np.convolve(wave.volts, np.full(many, 1.0 / many), "valid")
        self.mean_v = max(self.mean_v, float(np.abs(means).max(initial=0.0)))
        if self.peak is None or top > self.peak_v:
            self.peak, self.peak_v = wave, top

    @property
    def cut(self) -> bool:
        """Whether it was larger perhaps than what was seen of it: the range clipped it, or it was
        on its way down when its record began, or up when it ended, and on the other side of the gap
        there is nothing of it."""
        assert self.peak is not None, "a record was taken"
        number = self.volts.index(self.peak_v)
        begins, ends = self.ends[number]
        before = self.ends[number - 1][1] if number else math.inf
        after = self.ends[number + 1][0] if number + 1 < len(self.ends) else 0.0
        good, low = AS_GOOD * self.peak_v, FAR_BELOW * self.peak_v
        fell = begins > good > ends and before < low
        rose = ends > good > begins and after < low
        stands_out = self.peak_v > STANDS_OUT * min(self.volts)
        return self.peak.clipped or (stands_out and (fell or rose))


def _closing(ctx: Context, channels: tuple[str, ...]) -> tuple[float, float] | None:
    """From when until when the output relays close; None where nothing tells, or it is known too
    badly for one record at the rate that the step cannot do without."""
    kept = ctx.kept(CLOSES)
    delays = [kept[c] for c in channels if c in kept] if isinstance(kept, dict) else []
    if len(delays) < len(channels):
        return None
    window = closes_between(ctx.rails_up, delays, LIKE_BEFORE)
    longest = min(CLOSING_S, ctx.scope.max_points / LEAST_HZ - GAP_S - LEAST_S)
    return window if window[1] - window[0] <= longest else None


def record_length(now: float, window: tuple[float, float] | None) -> float:
    """Of the next record, s: of the usual length, unless it or the gap after it would lie where the
    relays close."""
    if window is None or now >= window[1] or now + RECORD_S + GAP_S <= window[0]:
        return RECORD_S
    until = window[0] - GAP_S - now
    return until if until >= LEAST_S else max(window[1] - now, LEAST_S)


class SwitchingThump(Step):
    """DC and thumps at every output while the unit is switched off or on.

    ``when = "off"`` switches the supply off and watches for ``watch``; ``when = "on"`` goes after
    the step that raised the rails and watches until the output relays have closed, and a little
    longer; then it gives the first quiet tone, for a ``first_tone`` step, and looks once more at
    what was looked at before the unit was switched off, for a ``just_on`` step. Both want no signal
    at the inputs.
    """

    kind: ClassVar[str] = "switching_thump"
    yields: ClassVar = (judged(THUMP, "channel"), shown(THUMP_MEAN, "channel"))

    when: Literal["on", "off"]
    watch: Seconds | SecondsExpression = Field(4.0, description='how long, such as "4 s"')
    up_to: Volts = Field(default=10.0, gt=0.0, description="largest voltage that is looked for")

    def needs(self, view: BenchView) -> Needs:
        hookups = tuple(view.scope_on(f"out.{c}")[2] for c in self.channels(view))
        roles = {"scope", "supply"} | ({"generator"} if view.has("generator") else set())
        needs = Needs(
            roles=frozenset(roles),
            hookups=hookups,
            seconds=self._seconds(view) + 2.0,
            live=True,
            record=ScopeRecord(LEAST_POINTS, LEAST_HZ, peak_v=self.up_to, dc=True),
        )
        if self.when == "off":
            return replace(needs, switches_off=True, by_itself=frozenset({"supply"}))
        return needs

    def _seconds(self, view: BenchView) -> float:
        if isinstance(self.watch, float | int):
            return float(self.watch)
        return self.watch.evaluate_in("s", view.unit.names())

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        value = near_limit(self, view, 0.1)
        u = value * scope_share(view, self.up_to)
        return Forecast(value, COVERAGE_FACTOR * u, better=BETTER_SCOPE)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        channels = self.channels(ctx.view)
        found = {channel: _OutputSeen() for channel in channels}
        deaf: dict[str, str] = {}
        if self.when == "off":
            deaf = self._prove(ctx, channels)
            if ctx.view.has("generator"):
                look_before(ctx, channels)
            since = ctx.clock.now()
            ctx.supply.enable(False)
            ctx.powered_off()
        else:
            since = ctx.powered_at
            deaf = self._too_late(ctx, channels)
        self._look(ctx, found, since)
        if self.when == "on":
            if ctx.view.has("generator"):
                # Where somebody's tone has been through it before, the first is not known.
                ctx.keep(key_of(self.id), {**listen_first(ctx, channels), **deaf})
            changed = look_after(ctx, channels) if ctx.view.has("generator") else {}
            off = self._prove(ctx, channels)
            ctx.keep(kept_by(self.id), {**changed, **off})
            deaf = {**off, **deaf}
        for channel, one in found.items():
            if channel in deaf:
                yield self.not_measured(THUMP, deaf[channel], channel=channel)
                continue
            assert one.peak is not None, "a record was taken"
            took = max(ctx.clock.now() - since, one.seen_s)
            late = "" if self.when == "off" else f", from {one.at[0]:.1f} s after the rails were up"
            yield self.reading(
                THUMP,
                one.peak_v * one.peak.gain + one.peak.offset_v,
                channel=channel,
                bound=Bound.AT_LEAST if one.cut else Bound.EXACT,
                instruments=(ctx.scope.name,),
                note=f"switching {self.when}, {100.0 * one.seen_s / took:.0f} % of "
                f"{took:.1f} s looked at{late}",
            )
            yield self.plain(THUMP_MEAN, one.mean_v, channel=channel, instruments=(ctx.scope.name,))
            ctx.trace(f"{self.id}-{channel}", {"time_s": one.at, "peak_v": one.volts})

    def _look(self, ctx: Context, found: dict[str, _OutputSeen], since: float) -> None:
        watch = self._seconds(ctx.view)
        began = ctx.clock.now()
        window = _closing(ctx, tuple(found)) if self.when == "on" else None

        def over() -> bool | None:
            at = ctx.clock.now()
            waves = self._records(ctx, tuple(found), record_length(at, window))
            for channel, wave in waves.items():
                found[channel].take(wave, at - since)
            top = max(one.peak_v for one in found.values())
            seconds = ctx.clock.now() - began
            ctx.progress(f"largest {top:.3g} V", min(seconds / watch, 1.0))
            return True if seconds >= watch else None

        ctx.wait_until(
            over, every_s=0.0, at_most_s=watch + 30.0, what="the outputs to come to rest"
        )

    def _records(
        self, ctx: Context, channels: tuple[str, ...], seconds: float
    ) -> dict[str, Waveform]:
        probes = {c: ctx.view.scope_on(f"out.{c}")[:2] for c in channels}
        wanted = [n for pair in probes.values() for n in pair if n is not None]
        unit = ctx.view.unit
        # Each terminal of a bridge on a single rail rests at half of it.
        rest = 0.5 * unit.rail_voltage if unit.bridged and unit.rails == "single" else 0.0
        points = min(round(seconds * RATE_HZ), ctx.scope.max_points)
        got = ctx.scope.acquire(
            dict.fromkeys(wanted, rest + self.up_to),
            sample_rate_hz=points / seconds,
            points=points,
            coupling="DC",
        )
        return {c: across(got, *pair) for c, pair in probes.items()}

    def _too_late(self, ctx: Context, channels: tuple[str, ...]) -> dict[str, str]:
        """Outputs whose relay has closed while the rails were raised, before anybody looked."""
        if not ctx.view.unit.relay_delay[0] > 0.0:
            return {}  # no relay that waits
        drive = Drive(ctx, TONE_HZ, channels)
        try:
            drive.set({c: TRIED_V / drive.gain[c] for c in channels})
            waves = drive.capture(cycles=32, per_cycle=50, may_be_silent=True)
        finally:
            drive.stop()
        why = "its output relay closed while the rails were raised: raise them in fewer stages"
        return {c: why for c, wave in waves.items() if wave.rms_v > 0.3 * TRIED_V}

    def _prove(self, ctx: Context, channels: tuple[str, ...]) -> dict[str, str]:
        """Why an output cannot be said to have been looked at, by channel."""
        deaf: dict[str, str] = {}
        for channel in channels:
            hot, cold, hookup = ctx.view.scope_on(f"out.{channel}")
            try:
                prove_contact(ctx, f"out.{channel}", hookup, partial(loudness_at, ctx, hot, cold))
            except NotMeasured as reason:
                deaf[channel] = reason.found
        return deaf
