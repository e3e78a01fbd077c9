"""A page that is served, without a run; a bench with nothing but a meter that is read by hand."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from serving import Served

BENCH = """
name = "Kitchen table"
unit = "small.toml"
[instrument.meter]
resource = "by hand"
driver = "handheld-meter"
"""
SHEET = """
model = "Practice 1x20"
channels = ["only"]
topology = "single_ended"
rails = "split"
rail_voltage = "24 V"
rated_power = "20 W"
rated_load = "8 Ω"
gain = "26 dB"
output_devices = 1
ballast = "0.33 Ω"
idle_current = "30 mA"
sink_rise_limit = "40 K"
"""
SHORT = """
title = "A look by hand"
revision = "A"
cautions = ["Mains work is for licensed people, under local codes."]
[[step]]
id = "short"
do = "dead_resistance"
at = "rail.pos"
limit = { at_least = "50 Ω" }
[[step]]
id = "offset"
do = "dead_resistance"
at = "out.only"
limit = { at_least = "1 Ω" }
"""


@pytest.fixture
def by_hand(tmp_path: Path) -> Path:
    """A folder with ``bench.toml``, its unit sheet and ``short.toml``."""
    for name, text in (("bench", BENCH), ("small", SHEET), ("short", SHORT)):
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    return tmp_path


@pytest.fixture
def served() -> Iterator[Served]:
    """A page that is served."""
    found = Served()
    try:
        yield found
    finally:
        found.live.close()
        found.serving.stop()
