"""What a unit gives less of is not taken for a lead that came off."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from short_runs import run

from seqrun.values import Verdict

RELAYS = '[[step]]\nid = "relays"\ndo = "await_output"\n'
SWEEP = (
    '[[step]]\nid = "ends"\ndo = "{kind}"\nlow = "{low}"\nhigh = "{high}"\nlimit = {{ {limit} }}\n'
)


@pytest.mark.parametrize(
    ("fault", "kind", "low", "high", "limit"),
    [
        ("loss_of_treble@left=1", "upper_corner", "500 Hz", "60 kHz", 'at_least = "30 kHz"'),
        ("loss_of_bass@left=1", "lower_corner", "10 Hz", "2 kHz", 'at_most = "20 Hz"'),
    ],
)
def test_a_band_that_is_far_too_narrow_fails(
    short_sequence: Callable[..., str],
    tmp_path: Path,
    fault: str,
    kind: str,
    low: str,
    high: str,
    limit: str,
) -> None:
    """At the far end of the sweep next to nothing is left, through a lead that is on."""
    steps = RELAYS + SWEEP.format(kind=kind, low=low, high=high, limit=limit)
    outcome = run(tmp_path / "results", short_sequence(steps), fault)
    found = {j.channel: j.verdict for j in outcome.judged if j.quantity == kind}
    assert found == {"left": Verdict.FAIL, "right": Verdict.PASS}
