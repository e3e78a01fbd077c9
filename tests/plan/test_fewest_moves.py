"""Leads that are there already are read first."""

from __future__ import annotations

from seqrun.runner.preparation import prepare


def test_the_output_that_the_meter_was_left_on_is_read_first() -> None:
    plan, _ = prepare("acceptance", "demo", None)
    order = [action.id for action in plan.actions]
    # the loads were measured left, right: the meter is on the right output
    assert order.index("load.left") < order.index("load.right")
    assert order.index("offset.right") + 1 == order.index("offset.left")
    # where no lead is there yet the order stays as it is written
    assert order.index("cold.left.upper.1") < order.index("cold.right.upper.1")
    assert order.index("protection_opens.left") < order.index("protection_opens.right")
