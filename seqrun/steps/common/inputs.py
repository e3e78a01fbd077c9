"""The generator's leads on the unit's inputs."""

from __future__ import annotations

from seqrun.plan.needs import Hookup
from seqrun.plan.view import BenchView


def generator_to(view: BenchView, channel: str, name: str) -> Hookup:
    """The generator's lead of a channel moved to one of its inputs ("" : where it is fixed)."""
    number = view.generator_on(channel)
    point = view.point(f"in.{channel}.{name}" if name else f"in.{channel}")
    terminal = view.outlets("generator")[number - 1]
    return Hookup(((terminal, point.hot),), f"generator {terminal} to {point.hot} - {point.words}")
