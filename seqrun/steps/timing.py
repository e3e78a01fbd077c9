"""When outputs come, go and come back: relay pull-in and release, mute on a change of input."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured, WaitedInVain
from seqrun.measure.timing import Look, Lost, mute_length, pull_in_time, release_time, silent_for
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.supply_checks import LISTENING_W
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Seconds, Volts
from seqrun.steps.common.drive import Drive, drive_needs
from seqrun.steps.common.forecasts import SWITCHING_S, watched
from seqrun.steps.common.looked_at import kept_of_each
from seqrun.values import Bound

PRESENT = 0.5  # of the level: more is a closed relay, less an open one
CLOSED = 0.08  # of it, to begin with: one that has lost 20 dB has closed all the same
LOOK_CYCLES = 10
LOOK_S = 0.03  # what one look takes, about
LOOK_PER_CYCLE = 50
SMALL_V = 0.5  # at an output, rms, that says whether it is there
#: of what may go into a load that nobody has measured: into less than 3 Ω half a volt is more
SMALL_SHARE = 0.8
SMALL = "V rms; left out: half a volt, or what gives less than a tenth of a watt"
RAMP_S = 2.5  # of a bring-up, from where the relay may begin to count to where the rails are up


def small_tone(view: BenchView, output_v: float | None) -> float:
    """The tone at an output, V rms: as stated, or small enough for any load."""
    most = math.sqrt(SMALL_SHARE * LISTENING_W * view.unit.rated_load)
    return min(SMALL_V, most) if output_v is None else output_v


class _SmallTone:
    """A small tone at every input, and whether it comes out.

    Args:
        present: share of the tone that counts as it being there.
    """

    def __init__(
        self,
        ctx: Context,
        frequency_hz: float,
        output_v: float,
        channels: tuple[str, ...] | None = None,
        present: float = PRESENT,
    ) -> None:
        self.ctx = ctx
        self.drive = Drive(ctx, frequency_hz, channels)
        self.output_v = output_v
        self.least_v = present * output_v
        self.channels = self.drive.channels
        self.looks: dict[str, list[Look]] = {c: [] for c in self.channels}

    def play(self) -> None:
        """Tone on."""
        self.drive.set({c: self.output_v / self.drive.gain[c] for c in self.channels})

    def begin(self) -> None:
        """Tone on, and see that it comes out of every channel.

        Raises:
            NotMeasured: an output is silent before anything was done.
        """
        self.play()
        self.look()
        silent = [c for c in self.channels if not self.looks[c].pop().present]
        if silent:
            raise NotMeasured(
                f"no tone at {', '.join(f'out.{c}' for c in silent)} to begin with",
                expected="relays that are closed",
                hint="put the step after await_output",
            )

    def look(self) -> None:
        """One look at every output."""
        begun = self.ctx.clock.now()
        waves = self.drive.capture(cycles=LOOK_CYCLES, per_cycle=LOOK_PER_CYCLE, may_be_silent=True)
        ended = self.ctx.clock.now()
        for channel, wave in waves.items():
            looks = self.looks[channel]
            # Behind a contact that has just closed there is more than the tone: half of the rail at
            # either end of a bridge, seen with AC coupling, drives the record beyond its range.
            silent = not looks or not looks[-1].present
            there = wave.rms_v > self.least_v or (silent and wave.clipped)
            looks.append(Look(begun, ended, there))

    def seen(self, channel: str, present: bool) -> bool:
        """Whether a look has shown the channel with (or without) its tone."""
        return any(look.present is present for look in self.looks[channel])


def _needs(view: BenchView, output_v: float, seconds: float) -> Needs:
    power = output_v**2 / view.unit.rated_load
    look = LOOK_CYCLES * LOOK_PER_CYCLE
    return drive_needs(view, view.unit.channels, power, seconds=seconds, points=look)


def by_looking(every_s: float, moment_s: float = 0.0) -> Forecast:
    """Of an event between two looks, each of which takes a record and its transfer."""
    better = "looking more often, as far as the scope is quick enough"
    return watched(every_s + LOOK_S, better, moment_s)


BACK_S = 5.0  # for a relay that chatters to come to rest
LISTEN_HZ, LISTEN_PER_CYCLE = 20e3, 8.0  # samples per second, and in a period at the least


def chatter_of(step_id: str) -> str:
    """Under which a step keeps what was lost after the relays had closed."""
    return f"relay chatter {step_id}"


#: under which is kept when each channel's relay closed, s after the rails were up
CLOSES = "output relays close"
LATE_S = 3.0  # than the sheet says: a ramp in stages blurs when the rails were up
RELAY_DELAY = Measurand(
    "relay_delay",
    "s",
    what="The time from the rails being up to the output relay closing.",
    how=(
        "A small tone at the input; the scope looks at the outputs again and again "
        "until the tone is there. The time is known to within one interval between looks."
    ),
    fooled_by="DC at the output keeps a relay open: look at dc_offset first. 2 s to 10 s is usual.",
    contact="The output was seen silent and then with the tone: it is the change that is timed.",
)


class AwaitOutput(Step):
    """Wait until the output relay has closed: a small tone at the input appears at the output.

    The delay counts from when the rails came up. A ramp leaves open where in it that was; beyond
    that the delay is known to one interval of the watching.
    """

    kind: ClassVar[str] = "await_output"
    yields: ClassVar = (judged(RELAY_DELAY, "channel"),)

    at_most: Seconds = Field(default=20.0, gt=0.0)
    every: Seconds = Field(default=0.25, gt=0.0)
    frequency: Hertz = 1000.0
    output: Volts | None = Field(None, gt=0.0, description="expected at the output, " + SMALL)
    listen: Seconds = Field(
        default=0.0, ge=0.0, le=5.0, description="so long afterwards, for a relay_chatter step"
    )

    def needs(self, view: BenchView) -> Needs:
        power = small_tone(view, self.output) ** 2 / view.unit.rated_load
        needs = drive_needs(view, self.channels(view), power, seconds=3.0 + self.listen)
        # Rails that a hand raises come up at a moment that nobody knows to a second.
        return replace(needs, by_itself=frozenset({"supply"})) if self.limit else needs

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """By the looking, and by where in a ramp the rails were up for the relay to count."""
        return by_looking(self.every, RAMP_S)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        output = small_tone(ctx.view, self.output)
        watch = _SmallTone(ctx, self.frequency, output, self.channels(ctx.view), CLOSED)
        watch.play()

        def all_closed() -> bool | None:
            watch.look()
            waiting = [c for c in watch.channels if not watch.seen(c, True)]
            ctx.progress(f"waiting for {', '.join(waiting)}" if waiting else "closed")
            return None if waiting else True

        why = ""
        try:
            ctx.wait_until(
                all_closed, every_s=self.every, at_most_s=self._wait(ctx), what="the output relays"
            )
            if self.listen:
                ctx.keep(chatter_of(self.id), self._lost(watch))
        except NotMeasured as reason:
            why = f"no tone at the output: {reason.found}"
        finally:
            watch.drive.stop()
        for channel in watch.channels:
            if not watch.seen(channel, True):
                yield self.not_measured(RELAY_DELAY, why, channel=channel)
                continue
            delay = pull_in_time(watch.looks[channel], ctx.powered_at, ctx.rails_up)
            delays = ctx.kept(CLOSES)
            known = delays if isinstance(delays, dict) else {}
            ctx.keep(CLOSES, {**known, channel: delay})
            yield self.reading(RELAY_DELAY, delay, channel=channel, instruments=(ctx.scope.name,))

    def _lost(self, watch: _SmallTone) -> dict[str, Lost | str]:
        """What of the tone is lost right after the relays have closed; in a short memory a part of
        the time has room."""
        most, least_hz = watch.ctx.scope.max_points, LISTEN_PER_CYCLE * self.frequency
        seconds = min(self.listen, most / least_hz)
        points = min(round(seconds * max(LISTEN_HZ, least_hz)), most)
        found: dict[str, Lost | str] = {}
        # Behind a coupling half of the rail of a bridge has just come, and goes within seconds.
        follows = watch.drive.coupling == "AC"
        waves = watch.drive.capture(
            peak_v=watch.ctx.view.unit.rail_voltage if follows else None,
            rate_hz=points / seconds,
            points=points,
            may_be_silent=True,
        )
        for channel, wave in waves.items():
            rate = 1.0 / wave.dt_s
            try:
                found[channel] = silent_for(wave.volts, rate, self.frequency, clipped=wave.clipped)
            except NotMeasured as reason:
                found[channel] = reason.found
        left = {c for c, lost in found.items() if isinstance(lost, Lost) and lost.at_end}
        return found | self._not_back(watch, left)

    def _not_back(self, watch: _SmallTone, left: set[str]) -> dict[str, str]:
        """Why nothing is said of outputs whose tone had gone at the end: a contact that chatters
        comes back, a lead that has come off does not."""
        back: set[str] = set()

        def all_back() -> bool | None:
            watch.look()
            back.update(c for c in left if watch.looks[c][-1].present)
            return True if back == left else None

        if left:
            with suppress(WaitedInVain):
                watch.ctx.wait_until(
                    all_back, every_s=self.every, at_most_s=BACK_S, what="the tone to come back"
                )
        why = "the tone has gone and is not back: see to the lead, and to the relay"
        return dict.fromkeys(left - back, why)

    def _wait(self, ctx: Context) -> float:
        """How long to wait from now, s: at least until every relay must have closed, as the unit
        sheet says. The step that waits for all of them may have been left out, where not all can
        be driven."""
        since = ctx.clock.now() - ctx.powered_at
        return max(self.at_most, ctx.view.unit.relay_delay[1] + LATE_S - since)


RELAY_CHATTER = Measurand(
    "relay_chatter",
    "s",
    title="relay chatter",
    what="How long a tone is lost, all in all, within a second of the output relay's closing.",
    how=(
        "The small tone that has shown the relay to close is recorded on; the periods of it that "
        "have less than half of the level of the loudest are added up."
    ),
    fooled_by=(
        "What bounces for less than the interval of the watching is over before the record begins; "
        "some milliseconds are any relay's. A lead that moves within that second."
    ),
    contact="The tone itself, in the same record.",
)


class RelayChatter(Step):
    """Whether the relays that an ``await_output`` step with ``listen`` saw closing stay closed."""

    kind: ClassVar[str] = "relay_chatter"
    yields: ClassVar = (judged(RELAY_CHATTER, "channel"),)

    of: str = Field(description="id of an await_output step with listen")

    def needs(self, view: BenchView) -> Needs:
        return Needs(frozenset({"scope"}), seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return watched(1e-3, "a tone of a higher frequency")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        for channel, lost in kept_of_each(
            ctx,
            chatter_of(self.of),
            Lost,
            self.channels(ctx.view),
            of=self.of,
            where=self.id,
            nothing="not listened on",
            expected='an await_output step with listen = "1 s", whose relays have closed',
        ):
            if isinstance(lost, str):
                yield self.not_measured(RELAY_CHATTER, lost, channel=channel)
                continue
            yield self.reading(
                RELAY_CHATTER,
                lost.seconds,
                channel=channel,
                instruments=(ctx.scope.name,),
                note=f"{lost.times} times within {lost.listened_s:.2g} s",
            )


RELAY_RELEASE = Measurand(
    "relay_release",
    "s",
    what="The time from switching the power off to the opening of the output relay.",
    how=(
        "A small tone plays; the supply's outputs are switched off and the scope looks again "
        "and again until the tone is gone. The time is known to within one interval between looks."
    ),
    fooled_by=(
        "With no load the reservoirs hold the rails for long; a tone that fades as the rails "
        "fall looks like a relay that opens. The unit is off after this step."
    ),
    contact=(
        "The output was seen with the tone and then silent; a lead that is off shows no tone first."
    ),
)


class RelayRelease(Step):
    """How soon the output relays open once the power goes: the supply is switched off with a
    small tone playing, and stays off.

    They should let go before the rails are too low for the amplifier to behave. Known to one
    interval of the watching.
    """

    kind: ClassVar[str] = "relay_release"
    yields: ClassVar = (judged(RELAY_RELEASE, "several", each="channel"),)

    at_most: Seconds = Field(default=60.0, gt=0.0)
    every: Seconds = Field(default=0.02, gt=0.0)
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    output: Volts | None = Field(None, gt=0.0, description="at the output, " + SMALL)

    def needs(self, view: BenchView) -> Needs:
        needs = _needs(view, small_tone(view, self.output), 1.2)
        return replace(needs, switches_off=True, by_itself=frozenset({"supply"}))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return by_looking(self.every, SWITCHING_S)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        watch = _SmallTone(ctx, self.frequency, small_tone(ctx.view, self.output))
        before = after = ctx.clock.now()
        why = ""
        try:
            watch.begin()
            before = ctx.clock.now()
            ctx.supply.enable(False)
            after = ctx.clock.now()
            ctx.powered_off()

            def all_gone() -> bool | None:
                watch.look()
                gone = sum(watch.seen(c, False) for c in watch.channels)
                ctx.progress(f"{gone} of {len(watch.channels)} open")
                return True if gone == len(watch.channels) else None

            ctx.wait_until(
                all_gone, every_s=self.every, at_most_s=self.at_most, what="the relays to open"
            )
        except NotMeasured as reason:
            why = reason.found
        finally:
            watch.drive.stop()
        for channel in watch.channels:
            if not watch.seen(channel, False):
                yield self.not_measured(RELAY_RELEASE, why, channel=channel)
                continue
            time = release_time(watch.looks[channel], (before, after))
            yield self.reading(RELAY_RELEASE, time, channel=channel, instruments=(ctx.scope.name,))


MUTE_LENGTH = Measurand(
    "mute_length",
    "s",
    what="How long an output stays silent when the input is changed.",
    how=(
        "A small tone plays; the control is turned and the scope looks again and again until "
        "the tone is back. The time is known to within one interval between looks."
    ),
    fooled_by=(
        "The tone has to be on the input changed to. The time that a hand takes between the "
        "change and the first look counts: short mutes come out as 'at most'."
    ),
    contact="The tone is seen before and after the silence that is timed.",
)


class MuteLength(Step):
    """How long the outputs stay muted when a control (the input selector) is changed.

    A small tone plays on the input that is changed to; a mute that was over before the first
    look is at most as long as that took.
    """

    kind: ClassVar[str] = "mute_length"
    yields: ClassVar = (judged(MUTE_LENGTH, "several", each="channel"),)

    control: str = Field("input", description="the control that is turned")
    to: str = Field(description="the position that it is turned to")
    at_most: Seconds = Field(default=20.0, gt=0.0)
    every: Seconds = Field(default=0.05, gt=0.0)
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    output: Volts | None = Field(None, gt=0.0, description="at the output, " + SMALL)

    def needs(self, view: BenchView) -> Needs:
        return replace(_needs(view, small_tone(view, self.output), 1.0), acts=1)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return by_looking(self.every)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        watch = _SmallTone(ctx, self.frequency, small_tone(ctx.view, self.output))
        try:
            watch.begin()
            before = ctx.clock.now()
            ctx.turn(self.control, self.to)
            after = ctx.clock.now()

            def all_back() -> bool | None:
                watch.look()
                back = sum(looks[-1].present for looks in watch.looks.values())
                ctx.progress(f"{back} of {len(watch.channels)} back")
                return True if back == len(watch.channels) else None

            ctx.wait_until(
                all_back, every_s=self.every, at_most_s=self.at_most, what="the tone to come back"
            )
        finally:
            watch.drive.stop()
        for channel, looks in watch.looks.items():
            length = mute_length(looks, (before, after))
            at_once = length.bound is Bound.AT_MOST
            yield self.reading(
                MUTE_LENGTH,
                length.value,
                channel=channel,
                bound=length.bound,
                instruments=(ctx.scope.name,),
                note="the tone was there at the first look" if at_once else "",
            )
