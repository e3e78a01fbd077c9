"""Quiet readings whose lead a tone has to prove, on a bench that can give no tone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from seqrun.errors import UsageError

if TYPE_CHECKING:
    from seqrun.plan.actions import Action
    from seqrun.plan.view import BenchView


def warnings(view: BenchView, actions: Sequence[Action]) -> Iterator[str]:
    """Which steps need somebody at the bench who looks, one line for each reason."""
    silent: dict[str, list[str]] = {}
    for action in actions:
        channel = action.needs.proved_on
        if not channel:
            continue
        try:
            view.generator_on(channel)
        except UsageError as missing:
            silent.setdefault(missing.found, []).append(action.id)
    for why, ids in silent.items():
        yield (
            f"{', '.join(ids)}: no tone can show that the lead is on the output ({why}). You are "
            "asked to look; where nobody looks, as with --yes or on a simulated bench, it is not "
            "measured"
        )
