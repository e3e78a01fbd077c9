"""An idle current that runs away is not measured, and the reason says how fast it went."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from seqrun.files.shipped import find

STEP = (
    '[[step]]\nid = "cold"\ndo = "device_current"\nat = "ballast.mono.upper.1"\n'
    'settle = { within = "1 mA", for = "1 s", at_most = "15 s" }\n'
)


def test_the_reason_says_which_way_and_how_far_it_went(
    powered: Callable[..., Any], tmp_path: Path
) -> None:
    text = Path(find("unit", "demo-mono", None)).read_text(encoding="utf-8")
    hot = tmp_path / "hot.toml"
    assert 'idle_current = "30 mA"' in text
    hot.write_text(text.replace('"30 mA"', '"100 mA"'), encoding="utf-8")
    (read,) = powered("thermal_runaway@mono=1", unit=str(hot)).do(STEP).all("idle_current")
    assert read.value is None
    assert "to settle within 1 mA: it climbs all the while, by " in read.note
