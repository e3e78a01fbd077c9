"""Hunting random bursts: the output is watched while one part at a time is cooled, warmed, tapped.

The operator marks by a key press what is being done; afterwards the rate of bursts under each mark
is held against the rate at rest. With nobody there, the unit's own heat is cycled by drive level.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.files.expression import WattsExpression
from seqrun.measure import hunting
from seqrun.measure.counts import least_events, most_events
from seqrun.measure.noise import burst_rate, unseen_rate
from seqrun.plan.context import Context, Indication, Key, Press
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Seconds, render
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.forecasts import near_limit
from seqrun.steps.common.heard import Kept
from seqrun.steps.common.listening import Listening, listening_needs
from seqrun.steps.common.sink import driven_and_watched, let_pass, watch_sink
from seqrun.steps.disturbances import BURST_RATE
from seqrun.values import COVERAGE_FACTOR

Array = NDArray[np.float64]
#: what a key means, and for how many seconds after it what was done may show
DONE: dict[str, tuple[str, float]] = {
    "t": ("tap", 3.0),
    "f": ("flex", 5.0),
    "c": ("cool", 30.0),
    "w": ("warm", 30.0),
}
REST, ENOUGH = " ", "q"
LOOK_EVERY_S = 5.0  # at the heatsink, while it is warmed or cools
SURE = 0.01  # chance below which a change counts as one
KEYS = "t tap, f flex, c cool, w warm; 1-9 the part; space: hands off; q: enough"
MEANT = (
    *(Key(key, word) for key, (word, _) in DONE.items()),
    *(Key(str(part), f"part {part}") for part in range(1, 10)),
    Key(REST, "hands off"),
    Key(ENOUGH, "enough"),
)


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of bench time under one mark."""

    label: str
    start_s: float
    end_s: float


@dataclass
class Watch:
    """Records of a watch: their beginnings, lengths and frames."""

    starts: list[float] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    frames: list[Array] = field(default_factory=list)
    kept: Kept = field(default_factory=Kept)
    step_v: float = 0.0  # of the converter, the coarsest of all records

    @property
    def threshold_v(self) -> float:
        """A frame above it belongs to a burst, V rms."""
        quiet = hunting.quiet_rms(np.concatenate(self.frames))
        # A record between two codes of the converter tells nothing of what is below half a step.
        return hunting.LOUDER * max(quiet, 0.5 * self.step_v)

    def bursts(self) -> list[float]:
        """Bench times at which bursts began."""
        threshold = self.threshold_v
        return [
            start + float(offset)
            for start, frames in zip(self.starts, self.frames, strict=True)
            for offset in hunting.burst_starts(frames, threshold)
        ]

    def levels(self, spans: list[Span], out: bool = False) -> list[float]:
        """rms of each record whose middle lies within one of the spans (``out``: within none)."""
        found = []
        for start, length, frames in zip(self.starts, self.seconds, self.frames, strict=True):
            middle = start + 0.5 * length
            if any(s.start_s <= middle < s.end_s for s in spans) is not out:
                found.append(float(np.sqrt(np.mean(frames**2))))
        return found

    def quiet_within(self, spans: list[Span]) -> float:
        """Seconds between bursts within spans that do not overlap: only then can one begin."""
        threshold, total = self.threshold_v, 0
        for start, frames in zip(self.starts, self.frames, strict=True):
            at = start + hunting.FRAME_S * np.arange(frames.size)
            inside = np.any([(s.start_s <= at) & (at < s.end_s) for s in spans], axis=0)
            total += int(np.count_nonzero(inside & (frames <= threshold)))
        return total * hunting.FRAME_S

    def quiet(self) -> float:
        """Seconds between bursts in the whole watch."""
        return self.quiet_within([Span("", -math.inf, math.inf)])


def spans_of(presses: list[tuple[str, float]], end_s: float) -> list[Span]:
    """What was done when, from the keys pressed and their bench times.

    A digit names the part that the next marks are about; a mark lasts until the next key that means
    something, and no longer than what was done may show.
    """
    spans: list[Span] = []
    part = ""
    for number, (key, start) in enumerate(presses):
        if key.isdigit():
            part = f" part {key}"
            continue
        if key not in DONE:
            continue
        word, lasts = DONE[key]
        later = [at for other, at in presses[number + 1 :] if other in DONE or other == REST]
        end = min([start + lasts, end_s, *later])
        if end > start:
            spans.append(Span(word + part, start, end))
    return spans


@dataclass(frozen=True, slots=True)
class MarkTold:
    """What a mark came to: its change of rate and of level (``louder`` times, None: too few
    records), and the chance of each after all that were tried."""

    label: str
    change: hunting.RateChange
    chance: float
    louder: float | None
    louder_chance: float

    @property
    def counted(self) -> tuple[int, float]:
        """Bursts under it, and the seconds in which one could begin."""
        return self.change.bursts, self.change.seconds

    @property
    def sure(self) -> bool:
        return min(self.chance, self.louder_chance) < SURE

    @property
    def words(self) -> str:
        c = self.change
        counts = (
            f"{c.bursts} in {c.seconds:.0f} s against {c.rest_bursts} in {c.rest_seconds:.0f} s"
        )
        if self.chance < SURE:
            way = "more" if c.bursts / c.seconds > c.rest_bursts / c.rest_seconds else "fewer"
            most = "any" if math.isinf(c.high) else f"{c.high:.3g}"
            text = f"{way} bursts, {c.low:.3g} to {most} times the rate ({counts}); by chance "
            return f"{self.label}: {text}{_odds(self.chance)}"
        if self.sure:
            text = f"{self.louder:.3g} times as loud, at a rate like that at rest ({counts})"
            return f"{self.label}: {text}; by chance {_odds(self.louder_chance)}"
        return f"{self.label}: {counts}: no change beyond chance ({_odds(self.chance)})"


def _odds(chance: float) -> str:
    if chance >= 0.2:
        return f"{100.0 * chance:.0f} in 100"
    return f"1 in {1.0 / chance:.0f}" if chance > 1e-6 else "less than 1 in a million"


def compare(watch: Watch, spans: list[Span]) -> tuple[list[MarkTold], int, float]:
    """Each label's bursts and level against those outside all spans.

    Returns:
        The labels, surest first; the bursts and the seconds between them at rest.
    """
    bursts = watch.bursts()
    inside = [b for b in bursts if any(s.start_s <= b < s.end_s for s in spans)]
    rest, rest_s = len(bursts) - len(inside), watch.quiet() - watch.quiet_within(spans)
    swarm = _swarming(watch, bursts, spans)
    found: list[tuple[str, hunting.RateChange, float | None, float]] = []
    for label in dict.fromkeys(span.label for span in spans):
        mine = [span for span in spans if span.label == label]
        seconds = watch.quiet_within(mine)
        if not (seconds > 0.0 and rest_s > 0.0):
            continue
        count = sum(any(s.start_s <= b < s.end_s for s in mine) for b in bursts)
        change = hunting.rate_change(count, seconds, rest, rest_s, dispersion=swarm)
        try:
            louder, chance = hunting.level_change(watch.levels(mine), watch.levels(spans, out=True))
        except NotMeasured:
            found.append((label, change, None, 1.0))
        else:
            found.append((label, change, louder, chance))
    # Two questions are put to each mark: both are paid for.
    chances = hunting.together([f[1].probability for f in found] + [f[3] for f in found])
    told = [
        MarkTold(label, change, chances[i], louder, chances[len(found) + i])
        for i, (label, change, louder, _) in enumerate(found)
    ]
    return sorted(told, key=lambda one: min(one.chance, one.louder_chance)), rest, rest_s


def _swarming(watch: Watch, bursts: list[float], spans: list[Span]) -> float:
    """How far bursts at rest come in swarms, by records that no span touches."""
    counts, seconds = [], []
    for start, length in zip(watch.starts, watch.seconds, strict=True):
        if not any(s.start_s < start + length and start < s.end_s for s in spans):
            counts.append(sum(start <= b < start + length for b in bursts))
            seconds.append(length)
    return hunting.dispersion(counts, seconds)


BURST_RATE_RATIO = Measurand(
    "burst_rate_ratio",
    "",
    what=(
        "How many times more bursts came while something was done than at rest; the note tells "
        "what was done and how likely chance alone would do that."
    ),
    how=(
        "The operator marks by a key when a part is tapped, flexed, cooled or warmed (or the "
        "heat is cycled by drive level); counts and times under each mark are held against "
        "those at rest as Poisson counts, corrected for the number of marks tried. Time within "
        "a burst does not count: no other can be seen to begin then."
    ),
    fooled_by=(
        "A part that stays warm after its mark; a tap that shakes a lead; what was done is "
        "only as well known as the key was pressed in time. Repeat it: chance does not."
    ),
)


class NoiseHunt(Step):
    """Watch an output for random bursts while something is done to one part at a time.

    With an operator at the terminal each doing is marked by a key; with nobody there the heat is
    cycled by drive level and the bursts hot are held against those cool.
    """

    kind: ClassVar[str] = "noise_hunt"
    yields: ClassVar = (judged(BURST_RATE), shown(BURST_RATE_RATIO, "several", each="mark"))

    at: str
    mode: Literal["operator", "unattended", "auto"] = "auto"
    watch: Seconds = Field(default=300.0, ge=20.0, description="with an operator: how long at most")
    record_time: Seconds = Field(default=0.5, ge=0.1)
    sample_rate: Hertz = Field(default=20e3, ge=10e3)
    power: WattsExpression | None = Field(None, description="unattended: into each load, to warm")
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    sensor: str = "sensor.sink"
    warm: Seconds = Field(default=240.0, gt=0.0, description="unattended: how long it is driven")
    cool: Seconds = Field(default=600.0, gt=0.0, description="unattended: how long it then rests")
    listen: Seconds = Field(default=40.0, ge=5.0, description="unattended: each look, hot and cool")
    cycles: int = Field(default=2, ge=1, le=20)

    def needs(self, view: BenchView) -> Needs:
        quiet = listening_needs(view, self.at, self.watch)
        if self.mode == "operator":
            return quiet
        seconds = self.cycles * (self.warm + self.cool + 2.0 * self.listen) + self.listen
        heat = driven_and_watched(view, self.sensor, self._planned(view), seconds)
        return replace(
            heat,
            roles=heat.roles | quiet.roles,
            hookups=(*heat.hookups, *quiet.hookups),
            proved_on=quiet.proved_on,
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """Of the rate at rest: the count's own chance over the shortest time that it is listened
        to."""
        rest = (self.cycles + 1) * self.listen if self.mode == "unattended" else 0.5 * self.watch
        rate = near_limit(self, view, unseen_rate(rest))
        return Forecast(
            0.0,
            COVERAGE_FACTOR * math.sqrt(rate / rest),
            floor=unseen_rate(rest),
            better="a longer watch",
        )

    def _planned(self, view: BenchView) -> float:
        if self.power is None:
            return view.unit.rated_power / 8.0
        return self.power.evaluate_in("W", view.unit.names())

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        listening = Listening(
            ctx, self.at, sample_rate_hz=self.sample_rate, seconds=self.record_time
        )
        watch = Watch()
        listening.prove()
        if self.mode == "unattended":
            spans = self._by_heat(ctx, listening, watch)
        else:
            try:
                with ctx.presses(MEANT) as pressed:
                    spans = self._by_hand(ctx, listening, watch, pressed)
            except NotMeasured as nobody:
                if self.mode == "operator" or watch.starts:
                    raise
                ctx.say(f"{nobody.found}: the heat is cycled by drive level instead")
                spans = self._by_heat(ctx, listening, watch)
        listening.prove(again=True)
        yield from self._results(ctx, watch, spans)

    # --- watching ------------------------------------------------------------------------------

    def _look(self, ctx: Context, listening: Listening, watch: Watch) -> float:
        """One record; its loudest frame, V rms."""
        start = ctx.clock.now()
        heard = listening.count()
        frames = hunting.frame_rms(heard.wave.volts, heard.rate_hz)
        watch.starts.append(start)
        watch.seconds.append(frames.size * hunting.FRAME_S)
        watch.frames.append(frames)
        watch.step_v = max(watch.step_v, heard.wave.lsb_v)
        watch.kept.add(start, heard)
        return float(frames.max())

    def _by_hand(
        self,
        ctx: Context,
        listening: Listening,
        watch: Watch,
        pressed: Callable[[], list[Press]],
    ) -> list[Span]:
        ctx.say(f"watching {self.at}: {KEYS}")
        begun = ctx.clock.now()
        keys: list[tuple[str, float]] = []
        while (now := ctx.clock.now()) - begun < self.watch:
            loudest = self._look(ctx, listening, watch)
            keys += [(p.key, ctx.clock.now() - p.ago_s) for p in pressed()]
            doing = [s.label for s in spans_of(keys, now + 60.0) if s.start_s <= now < s.end_s]
            ctx.progress(
                f"{render(loudest, 'V', digits=3)}, {len(watch.bursts())} bursts; "
                f"{doing[-1] if doing else 'hands off'}",
                (now - begun) / self.watch,
                Indication("loudest", loudest, "V"),
            )
            if any(key == ENOUGH for key, _ in keys):
                break
        return spans_of(keys, ctx.clock.now())

    def _by_heat(self, ctx: Context, listening: Listening, watch: Watch) -> list[Span]:
        """Cycles of warm and cool; the spans are those after warming."""
        watch_sink(ctx)
        watts = ctx.evaluate(self.power, "W") if self.power else self._planned(ctx.view)
        spans: list[Span] = []
        self._listen(ctx, listening, watch, "cool, before")
        for cycle in range(1, self.cycles + 1):
            drive = Drive(ctx, self.frequency)
            try:
                drive.to_power(watts)
                let_pass(
                    ctx,
                    self.warm,
                    every_s=LOOK_EVERY_S,
                    doing=f"warming, cycle {cycle} of {self.cycles}",
                )
            finally:
                drive.stop()
            begun = ctx.clock.now()
            self._listen(ctx, listening, watch, f"hot, cycle {cycle}")
            spans.append(Span("heat", begun, ctx.clock.now()))
            let_pass(
                ctx,
                self.cool,
                every_s=LOOK_EVERY_S,
                doing=f"cooling, cycle {cycle} of {self.cycles}",
            )
            self._listen(ctx, listening, watch, f"cool, cycle {cycle}")
        return spans

    def _listen(self, ctx: Context, listening: Listening, watch: Watch, what: str) -> None:
        begun = ctx.clock.now()
        while (passed := ctx.clock.now() - begun) < self.listen:
            loudest = self._look(ctx, listening, watch)
            ctx.progress(f"{what}: {render(loudest, 'V', digits=3)}", passed / self.listen)

    # --- results -------------------------------------------------------------------------------

    def _results(self, ctx: Context, watch: Watch, spans: list[Span]) -> Iterator[Yielded]:
        place, names = self.channel or self.at, (ctx.scope.name,)
        told, rest, rest_s = compare(watch, spans)
        begun = watch.starts[0]
        watch.kept.leave(ctx, f"hunt-{self.id}", watch.threshold_v)
        counted = [("at rest", rest, rest_s), *((m.label, *m.counted) for m in told)]
        ctx.fact(
            "rates",
            self.id,
            [
                [of, n, s, least_events(n) / s, most_events(n) / s]
                for of, n, s in counted
                if s > 0.0
            ],
        )
        ctx.fact(
            "marks",
            self.id,
            [[s.label, round(s.start_s - begun, 2), round(s.end_s - begun, 2)] for s in spans],
        )
        note = f"{rest} in {rest_s:.0f} s at rest above {render(watch.threshold_v, 'V', digits=3)}"
        rate = burst_rate(rest, rest_s, hunting.FRAME_S)
        yield self.reading(
            BURST_RATE,
            rate.value,
            bound=rate.bound,
            channel=place,
            instruments=names,
            note=note,
        )
        if not told:
            ctx.say(f"{place}: {note}; nothing was marked, so nothing can be said of any part")
        for one in told:
            ctx.say(f"{place}: {one.words}")
            yield self._ratio(one, place, names)

    def _ratio(self, one: MarkTold, place: str, names: tuple[str, ...]) -> Yielded:
        ratio = one.change.bounded
        if ratio is None:
            return self.not_measured(
                BURST_RATE_RATIO, f"{one.label}: no burst at all", channel=place
            )
        return self.reading(
            BURST_RATE_RATIO,
            ratio.value,
            bound=ratio.bound,
            channel=place,
            instruments=names,
            note=one.words,
        )
