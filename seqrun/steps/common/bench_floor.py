"""What generator and scope bring into a reading themselves."""

from __future__ import annotations

import math

from seqrun.plan.context import Context
from seqrun.plan.floors import distortion_floor
from seqrun.plan.needs import Hookup
from seqrun.plan.view import BenchView
from seqrun.steps.common.drive import Waveform
from seqrun.steps.common.listening import on_ground, spare_probe

__all__ = ["distortion_floor", "floor_probe", "level_seen"]


def floor_probe(view: BenchView, channels: tuple[str, ...]) -> tuple[int, Hookup] | None:
    """A spare probe that can sit on ground and read the scope's own noise, and its hookup."""
    used = [n for c in channels for n in view.scope_on(f"out.{c}")[:2]]
    spare = spare_probe(view, tuple(used))
    return None if spare is None else (spare, on_ground(view, spare))


def level_seen(ctx: Context, wave: Waveform) -> float:
    """Peak of a record over what the range holds."""
    half_scale = wave.lsb_v * math.pow(2.0, ctx.scope.bits - 1)
    return min(float(abs(wave.volts).max()) / half_scale, 1.0)
