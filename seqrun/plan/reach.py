"""What a bench's switch does not reach, told before power: it is asked of the operator, and with
nobody to ask it is not measured."""

from __future__ import annotations

from seqrun.plan.actions import Plan


def beyond_the_switch(plan: Plan) -> list[tuple[str, str]]:
    """Leads (terminal, node) that a plan has to move and that the switch is not wired for.

    Nothing on a bench without a switch, and of a matrix whose driver lists no terminals or nodes.
    """
    if not plan.view.has("switch"):
        return []
    words = plan.view.drivers[plan.view.key("switch")].words
    terminals, nodes = words.get("terminal"), words.get("node")
    if terminals is None and nodes is None:
        return []
    moving = plan.moving
    found: list[tuple[str, str]] = []
    for terminal, places in moving.items():
        for node in places:
            reached = (terminals is None or terminal in terminals) and (
                nodes is None or node in nodes
            )
            if not reached and plan.view.fixed.get(terminal) != node:
                found.append((terminal, node))
    return found
