"""Quiet readings whose lead a tone has to prove, on a bench that cannot give or hear one; and what
a splitter hides."""

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
        for why in filter(None, (_mute(view, action, c) for c in action.needs.proved_on)):
            ids = silent.setdefault(why, [])
            if action.id not in ids:
                ids.append(action.id)
    for why, ids in silent.items():
        yield (
            f"{', '.join(ids)}: no tone can show that the lead is on the output ({why}). You are "
            "asked to look; where nobody looks, as with --yes or on a simulated bench, it is not "
            "measured"
        )


def crossed(view: BenchView, actions: Sequence[Action]) -> Iterator[str]:
    """That one output into several inputs cannot tell channels that are crossed, and which steps
    drive them."""
    if not view.has("generator"):
        return
    driven = [a.id for a in actions if "generator" in a.needs.roles and a.needs.load_power_w]
    for together in {_together(view, c) for c in view.unit.channels}:
        if len(together) > 1 and driven:
            inputs = " and ".join(f"in.{c}" for c in together)
            yield (
                f"one generator output feeds {inputs}: channels that are crossed, at a lead or in "
                f"the unit, read as right ({driven[0]} to {driven[-1]}). Drive one input alone and "
                "see which output answers, or give each input an output of its own"
            )


def _together(view: BenchView, channel: str) -> tuple[str, ...]:
    try:
        return view.driven_with(channel)
    except UsageError:
        return ()


def _mute(view: BenchView, action: Action, channel: str) -> str:
    """Why no tone proves the lead on that channel's output; "" when one can."""
    try:
        view.generator_on(channel)
    except UsageError as missing:
        return missing.found
    if action.needs.proved_by == "meter" and view.has("meter"):
        driver = view.drivers[view.key("meter")]
        if not driver.can("configure_ac_voltage"):
            return f"the meter, which would hear it, has no AC volts in its driver '{driver.name}'"
    return ""
