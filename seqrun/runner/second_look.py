"""A fail is looked at once more before it is one.

What an open lead reads, or an instrument that lost its settings, is often no number that a good
unit would give: too little current, no power, a channel that is quieter than the other. So a
reading that fails waits until its step is over. Where its own leads have shown a tone in that very
step it stands. Else a tone has to arrive through them now, a probe on a rail has to see the rail,
or somebody looks. Where a tone had gone while it was read, and is back, something came and went,
and the reading tells nothing; where it stays away with every lead in its place, it is the unit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from seqrun.errors import InstrumentRefused, NotMeasured, UsageError
from seqrun.plan.actions import Action
from seqrun.plan.contract import Yielded
from seqrun.plan.needs import Hookup
from seqrun.quantity import render
from seqrun.runner.lent import Lent
from seqrun.steps.common.contact import output_channel, prove_contact, prove_rail, seen_through
from seqrun.values import Bound, Judged, Verdict

FAILS = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)
CUT_OFF = "the step was cut off before the leads of this reading were looked at once more"

#: a reading, and what it was judged to be where it is in doubt
Held = tuple[Yielded, Judged | None]


def doubtful(action: Action, judged: Judged, shown: set[str], lost: set[str]) -> bool:
    """Whether a reading fails, and an open lead might have made it.

    Args:
        shown, lost: terminals through which, in this step, a tone was seen, or was seen to go.
    """
    needs = action.needs
    acts = needs.energises or needs.switches_off or needs.safe or needs.mains
    if judged.verdict not in FAILS or judged.value is None or acts or not needs.live:
        return False
    leads = {t for hookup in own_hookups(action, judged.channel) for t in hookup.terminals}
    if leads:
        return not leads <= shown or bool(leads & lost)
    # What a rail gives is read through the supply's own leads: one that is off draws nothing.
    low = judged.limit.low if judged.limit is not None else None
    return "supply" in needs.roles and low is not None and judged.value < low


def lost(made: Yielded, why: str) -> Yielded:
    """A reading as not measured, with the reason and what it was."""
    value = made.reading.value
    told = f"{why}; it had read {render(value, made.reading.unit, digits=4)}" if value else why
    bare = replace(made.reading, value=None, budget=(), bound=Bound.EXACT, note=told)
    return Yielded(bare, None, made.judged)


def own_hookups(action: Action, channel: str = "") -> tuple[Hookup, ...]:
    """The hookups of a step without its sensors: those at the channel's own output, if any are."""
    found = tuple(
        hookup
        for hookup in action.needs.hookups
        if not any(node.startswith("sensor.") for _, node in hookup.leads)
    )
    at = f"out.{channel}"
    own = [h for h in found if any(n == at or n.startswith(f"{at}.") for _, n in h.leads)]
    return tuple(own) if channel and own else found


def why_not(ctx: Lent, action: Action, held: Sequence[Judged], lost: set[str]) -> str:
    """Why readings that fail tell nothing of the unit; "" when they stand.

    Args:
        held: they, as they were judged.
        lost: see :func:`doubtful`.
    """
    told = ", ".join(_told(one) for one in held)
    own = dict.fromkeys(h for one in held for h in own_hookups(action, one.channel))
    # What a step has put on and taken off again cannot be looked at any more.
    hookups = [h for h in own if all(ctx.where.get(t) == node for t, node in h.leads)]
    went = any(hookup.terminals & lost for hookup in hookups)
    unseen = [h for h in hookups if not _seen(ctx, h)]
    if hookups and not unseen:
        came = "a tone had gone while it was read, and is back: a lead, or an instrument"
        return f"{told}, but {came}" if went else ""
    if ctx.see_on(told, *unseen, *_others(ctx, action)):
        return ""
    return f"{told}, as a lead that has come off would; nothing shows that each is in its place"


def _told(one: Judged) -> str:
    value = render(one.value, one.unit, digits=3) if one.value is not None else "nothing"
    return f"{one.channel} reads {value}" if one.channel else f"it reads {value}"


def _seen(ctx: Lent, hookup: Hookup) -> bool:
    """Whether what is at the nodes of a hookup is seen through its leads now."""
    nodes = [node for _, node in hookup.leads if node != "ground"]
    if not nodes or not ctx.live:
        return False
    read = seen_through(ctx, hookup)
    if read is None:
        return False
    rms_v, dc_v = read
    at = nodes[0]
    try:
        if at in ctx.view.rails or at == "standby":
            prove_rail(ctx, at, dc_v)
            return True
        channel = output_channel(ctx.view, at)
        if not channel or not ctx.tone_path_known:
            return False
        prove_contact(ctx, f"out.{channel}", hookup, rms_v, again=True, looks=False)
    except (NotMeasured, UsageError, InstrumentRefused):
        return False
    return True


def _others(ctx: Lent, action: Action) -> Iterator[Hookup]:
    """What else a reading hangs on: standing leads of the roles that the step plays, and the loads
    that it drives."""
    view = ctx.view
    roles = action.needs.roles & {"generator", "supply"}
    keys = {key for key, driver in view.drivers.items() if driver.role in roles}
    loads = {view.load(channel).name for channel in action.needs.load_power_w}
    for terminal in view.fixed:
        node = ctx.where.get(terminal, "")
        first, _, rest = terminal.partition(".")
        if not node:
            continue  # a step has taken it off
        if first in keys or (first == "load" and rest.rpartition(".")[0] in loads):
            yield Hookup(((terminal, node),), f"{terminal} on {node}")
