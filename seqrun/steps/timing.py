"""When outputs go and come back: relay release, mute length on a change of input."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.measure.timing import watched_event
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Seconds, Volts
from seqrun.steps.base import Context, Explained, Measured, Step
from seqrun.steps.drive import Drive, drive_needs
from seqrun.values import COVERAGE_FACTOR, Bound, Reading, rectangular

PRESENT = 0.5  # of the level: more is a closed relay, less an open one
LOOK_CYCLES = 10
LOOK_S = 0.03  # what one look takes, about
LOOK_PER_CYCLE = 50


class _Watch:
    """A small tone at every input, and whether it comes out."""

    def __init__(self, ctx: Context, frequency_hz: float, output_v: float) -> None:
        self.ctx = ctx
        self.drive = Drive(ctx, frequency_hz)
        self.output_v = output_v
        self.channels = self.drive.channels

    def begin(self) -> None:
        """Tone on, and see that it comes out of every channel.

        Raises:
            NotMeasured: an output is silent before anything was done.
        """
        self.drive.set({c: self.output_v / self.drive.gain[c] for c in self.channels})
        silent = [c for c, present in self.look()[1].items() if not present]
        if silent:
            raise NotMeasured(
                f"no tone at {', '.join(f'out.{c}' for c in silent)} to begin with",
                expected="relays that are closed",
                hint="put the step after await_output",
            )

    def look(self) -> tuple[tuple[float, float], dict[str, bool]]:
        """Bench time before and after one look, and which outputs carry the tone."""
        before = self.ctx.clock.now()
        waves = self.drive.capture(cycles=LOOK_CYCLES, per_cycle=LOOK_PER_CYCLE)
        present = {c: w.rms_v > PRESENT * self.output_v for c, w in waves.items()}
        return (before, self.ctx.clock.now()), present


def _needs(view: BenchView, output_v: float, seconds: float) -> Needs:
    power = output_v**2 / view.unit.rated_load
    return drive_needs(view, view.unit.channels, power, seconds=seconds)


def _by_looking(every_s: float) -> Forecast:
    """An event between two looks, each of which takes a record and its transfer."""
    return Forecast(
        0.0,
        COVERAGE_FACTOR * 0.5 * (every_s + LOOK_S) / math.sqrt(3.0),
        better="looking more often, as far as the scope is quick enough",
    )


class RelayRelease(Step):
    """How soon the output relays open once the power goes: the supply is switched off with a
    small tone playing, and stays off.

    They should let go before the rails are too low for the amplifier to behave. Known to one
    interval of the watching.
    """

    kind: ClassVar[str] = "relay_release"
    unit: ClassVar[str] = "s"
    quantity: ClassVar[str] = "relay_release"
    explains: ClassVar = {
        "relay_release": Explained(
            "s",
            "The time from switching the power off to the opening of the output relay.",
            "A small tone plays; the supply's outputs are switched off and the scope looks again "
            "and again until the tone is gone. Known to one interval of looking.",
            "With no load the reservoirs hold the rails for long; a tone that fades as the rails "
            "fall looks like a relay that opens. The unit is off after this step.",
        )
    }

    at_most: Seconds = Field(default=60.0, gt=0.0)
    every: Seconds = Field(default=0.02, gt=0.0)
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    output: Volts = Field(default=0.5, gt=0.0, description="at the output, V rms")

    def needs(self, view: BenchView) -> Needs:
        needs = _needs(view, self.output, 6.0)
        return replace(needs, switches_off=True, forecast=_by_looking(self.every))

    def perform(self, ctx: Context) -> Iterator[Reading | Measured]:
        watch = _Watch(ctx, self.frequency, self.output)
        last_there: dict[str, float] = {}
        gone: dict[str, float] = {}
        why = ""
        try:
            watch.begin()
            before = ctx.clock.now()
            ctx.supply.enable(False)
            after = ctx.clock.now()
            ctx.powered_off()
            off = rectangular(0.5 * (before + after), 0.5 * (after - before), "moment of switching")

            def all_gone() -> bool | None:
                (begun, ended), present = watch.look()
                for channel, there in present.items():
                    if there:
                        last_there[channel] = begun
                    elif channel not in gone:
                        gone[channel] = ended
                ctx.progress(f"{len(gone)} of {len(present)} open")
                return True if len(gone) == len(present) else None

            ctx.wait_until(
                all_gone, every_s=self.every, at_most_s=self.at_most, what="the relays to open"
            )
        except NotMeasured as reason:
            why = reason.found
        finally:
            watch.drive.stop()
        for channel in watch.channels:
            if channel not in gone:
                yield Reading(
                    "relay_release", "s", None, channel=channel, note=why or "the tone stays"
                )
                continue
            opened = watched_event(last_there.get(channel, before), gone[channel])
            yield Measured(
                "relay_release", "s", opened - off, channel=channel, instruments=(ctx.scope.name,)
            )


class MuteLength(Step):
    """How long the outputs stay muted when a control (the input selector) is changed.

    A small tone plays on the input that is changed to; a mute that was over before the first
    look is at most as long as that took.
    """

    kind: ClassVar[str] = "mute_length"
    unit: ClassVar[str] = "s"
    quantity: ClassVar[str] = "mute_length"
    explains: ClassVar = {
        "mute_length": Explained(
            "s",
            "How long an output stays silent when the input is changed.",
            "A small tone plays; the control is turned and the scope looks again and again until "
            "the tone is back. Known to one interval of looking.",
            "The tone has to be on the input changed to. The time that a hand takes between the "
            "change and the first look counts: short mutes come out as 'at most'.",
        )
    }

    control: str = Field("input", description="the control that is turned")
    to: str = Field(description="the position that it is turned to")
    at_most: Seconds = Field(default=20.0, gt=0.0)
    every: Seconds = Field(default=0.05, gt=0.0)
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    output: Volts = Field(default=0.5, gt=0.0, description="at the output, V rms")

    def needs(self, view: BenchView) -> Needs:
        return replace(_needs(view, self.output, 8.0), forecast=_by_looking(self.every))

    def perform(self, ctx: Context) -> Iterator[Reading | Measured]:
        watch = _Watch(ctx, self.frequency, self.output)
        last_silent: dict[str, float] = {}
        back: dict[str, float] = {}
        try:
            watch.begin()
            before = ctx.clock.now()
            ctx.turn(self.control, self.to)
            after = ctx.clock.now()

            def all_back() -> bool | None:
                (begun, ended), present = watch.look()
                for channel, there in present.items():
                    if not there:
                        last_silent[channel] = begun
                        back.pop(channel, None)
                    else:
                        back.setdefault(channel, ended)
                ctx.progress(f"{len(back)} of {len(present)} back")
                return True if len(back) == len(present) else None

            ctx.wait_until(
                all_back, every_s=self.every, at_most_s=self.at_most, what="the tone to come back"
            )
        finally:
            watch.drive.stop()
        for channel in watch.channels:
            names = (ctx.scope.name,)
            begun = rectangular(0.5 * (before + after), 0.5 * (after - before), "moment of turning")
            if channel not in last_silent:
                yield Measured(
                    "mute_length",
                    "s",
                    back[channel] - begun + 0.5 * (after - before),
                    channel=channel,
                    bound=Bound.AT_MOST,
                    instruments=names,
                    note="the tone was there at the first look",
                )
                continue
            ended = watched_event(last_silent[channel], back[channel])
            yield Measured("mute_length", "s", ended - begun, channel=channel, instruments=names)
