"""Channels that are not always the same: what brings it about, and whether it is so now.

``ChannelSpec.other`` is what a channel becomes, ``ChannelSpec.when`` says under which conditions.
Rails, load and inputs are looked at as time passes; nothing here knows the heat, for which there is
``ChannelSpec.warm``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Driven = Literal["any", "driven", "quiet"]


@dataclass(frozen=True, slots=True)
class When:
    """Under what a channel is another; all of it has to hold.

    Args:
        rail_above, rail_below: the smaller rail lies between these, as parts of the rated one.
        ups: the rails are up, for the ``ups``-th time since the unit was built or a later one; 0:
            whether they are up does not matter.
        load_above_a: the load takes at least this, A (mean magnitude).
        overdriven: the output falls short of what the input asks for.
        own, others: whether there is a signal at this channel's input, and at any other's.
        for_s: so long, before the channel becomes another. left_s: so long it stays so afterwards.
        latched: it stays so until the rails have been down.
    """

    rail_above: float = 0.0
    rail_below: float = math.inf
    ups: int = 0
    load_above_a: float = 0.0
    overdriven: bool = False
    own: Driven = "any"
    others: Driven = "any"
    for_s: float = 0.0
    left_s: float = 0.0
    latched: bool = False


ALWAYS = When()


@dataclass(frozen=True, slots=True)
class Seen:
    """What is looked at, of one channel. ``rail``: the smaller one over the rated one. ``ups``: how
    often the rails have come up; ``up``: whether they are."""

    rail: float
    up: bool
    ups: int
    load_a: float
    overdriven: bool
    own: bool
    others: bool


class Changeable:
    """Whether a channel is another now; times in bench seconds."""

    def __init__(self, when: When) -> None:
        self.when = when
        self.on = False
        self._turns_at = math.inf

    def observe(self, now: float, seen: Seen) -> None:
        """Take note of what is so at ``now``."""
        when = self.when
        if when.latched and self.on and seen.up:
            return
        if self.met(seen) == self.on:
            self._turns_at = math.inf
        elif math.isinf(self._turns_at):
            wait = when.left_s if self.on and seen.up else 0.0 if self.on else when.for_s
            self._turns_at = now + wait
        if self._turns_at <= now:
            self.on, self._turns_at = not self.on, math.inf

    def met(self, seen: Seen) -> bool:
        """Whether all conditions hold, as they are seen."""
        when = self.when
        return (
            when.rail_above < seen.rail < when.rail_below
            and (not when.ups or (seen.up and seen.ups >= when.ups))
            and seen.load_a >= when.load_above_a
            and (seen.overdriven or not when.overdriven)
            and when.own in ("any", "driven" if seen.own else "quiet")
            and when.others in ("any", "driven" if seen.others else "quiet")
        )

    @property
    def next_event(self) -> float:
        """When it turns, as far as anybody knows now; inf: it does not."""
        return self._turns_at
