"""Test loads taken off the outputs and put back: first power is given without them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from seqrun.plan.needs import Hookup, Needs
from seqrun.plan.view import BenchView
from seqrun.steps.base import Context, Measured, Step
from seqrun.values import Reading


class _Loads(Step):
    """Of the channel that it is repeated for, or of all."""

    def channels(self, view: BenchView) -> tuple[str, ...]:
        return (self.channel,) if self.channel else tuple(view.unit.channels)

    def needs(self, view: BenchView) -> Needs:
        for channel in self.channels(view):
            view.load(channel)
        return Needs(seconds=5.0 * len(self.channels(view)))


class TakeLoadsOff(_Loads):
    """One lead of each test load off its speaker terminal."""

    kind: ClassVar[str] = "take_loads_off"

    def perform(self, ctx: Context) -> Iterator[Reading | Measured]:
        for channel in self.channels(ctx.view):
            load = ctx.view.load(channel)
            hot = ctx.view.point(f"out.{channel}").hot
            ctx.disconnect(f"load.{load.name}.1", f"one lead of load {load.name} off {hot}")
        yield from ()


class PutLoadsOn(_Loads):
    """The test loads back across the speaker terminals."""

    kind: ClassVar[str] = "put_loads_on"

    def perform(self, ctx: Context) -> Iterator[Reading | Measured]:
        for channel in self.channels(ctx.view):
            load = ctx.view.load(channel)
            hot = ctx.view.point(f"out.{channel}").hot
            lead = ((f"load.{load.name}.1", hot),)
            ctx.connect(Hookup(lead, f"load {load.name} back onto {hot}"))
        yield from ()
