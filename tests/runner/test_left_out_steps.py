"""A step that was left out never helps a unit to an accept."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition

STEPS = """
[[step]]
id = "offset"
do = "dc_voltage"
at = "out.left"
limit = { between = ["-50 mV", "50 mV"] }
[[step]]
id = "unlimited"
do = "dc_voltage"
at = "out.right"
[[step]]
id = "again"
do = "dc_voltage"
at = "out.right"
only_if = "CONDITION"
limit = { between = ["-50 mV", "50 mV"] }
"""


@pytest.mark.parametrize(
    ("condition", "disposition"),
    [
        ("offset passed", Disposition.ACCEPT),  # it was done
        ("offset failed", Disposition.ACCEPT),  # not needed
        ("offset not measured", Disposition.ACCEPT),  # not needed
        ("unlimited passed", Disposition.HOLD),  # can never come: nothing was decided
    ],
)
def test_a_limit_that_waits_for_a_pass_that_never_comes_holds_the_unit(
    tmp_path: Path, short_sequence: Callable[..., str], condition: str, disposition: Disposition
) -> None:
    sequence = short_sequence(STEPS.replace("CONDITION", condition))
    plan, files = prepare(sequence, "demo", None)
    outcome = execute(
        plan, files, None, Watcher(), Options("T-1", "", tmp_path / "r"), Interrupts()
    )
    assert outcome.disposition is disposition, outcome.reason


def test_a_limit_on_a_step_that_yields_nothing_for_it_holds_the_unit(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    odd = """
[[step]]
id = "again_protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "1.5 * supply_at_rated_power"
limit = { at_most = "1" }
"""
    plan, files = prepare(short_sequence(odd), "demo", None)
    outcome = execute(
        plan, files, None, Watcher(), Options("T-1", "", tmp_path / "r"), Interrupts()
    )
    assert outcome.disposition is Disposition.HOLD
    assert "again_protection" in outcome.reason
