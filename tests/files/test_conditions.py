"""only_if: what an earlier step must have come to."""

import pytest

from seqrun.files.sequence.condition import OnlyIf
from seqrun.values import Verdict

DONE = {
    "offset.left": [Verdict.PASS],
    "offset.right": [Verdict.CONDITIONAL_FAIL],
    "idle": [Verdict.CONDITIONAL_PASS, Verdict.NONE],
    "noise": [Verdict.NOT_MEASURED],
    "ambient": [Verdict.NONE],
    "skipped": [],
}


@pytest.mark.parametrize(
    ("text", "holds"),
    [
        ("offset.left passed", True),
        ("offset.left failed", False),
        ("offset.right failed", True),
        ("offset.* passed", False),  # passed means all of them
        ("offset.* failed", True),  # failed means any of them
        ("offset.* measured", True),
        ("idle passed", True),
        ("noise passed", False),
        ("noise failed", False),
        ("noise measured", False),
        ("noise not measured", True),
        ("ambient measured", True),
        ("ambient passed", False),
        ("skipped measured", False),
        ("skipped not measured", True),
        ("unreached passed", False),
        ("unreached not measured", True),
    ],
)
def test_a_condition_holds_when_the_verdicts_say_so(text: str, holds: bool) -> None:
    assert OnlyIf(text).holds(DONE) is holds
