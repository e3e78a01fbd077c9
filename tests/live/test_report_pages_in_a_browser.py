"""Pages about runs in the system's own browser: nothing that axe finds wrong, nothing too wide."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

if sys.platform == "win32":
    pytest.skip("the browser of a POSIX system", allow_module_level=True)

from browsing import browser, no_browser, violations
from test_in_a_browser import WIDTHS

import seqrun
from seqrun.record import Store, load_run
from seqrun.report.compare.page import write_page as write_compare
from seqrun.report.compare.pairs import compare
from seqrun.report.history.collect import model_histories, unit_history
from seqrun.report.history.page import models_page, unit_page
from seqrun.report.release.sheet import release, write_sheet
from seqrun.report.run.page import write_page

WHY_NOT = no_browser()
if WHY_NOT and os.environ.get("SEQRUN_BROWSER") == "required":  # as .ci/run has it
    raise RuntimeError(f"the pages have to be looked at in a browser: {WHY_NOT}")
pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT or "there is a browser")
STEPS = """
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
[[step]]
id = "noise_at_the_left_output_with_a_long_name"
do = "output_noise"
at = "out.left"
records = 3
record_time = "0.1 s"
limit = { at_most = "2 mV" }
"""


@pytest.fixture
def pages(tmp_path: Path, short_sequence: Callable[..., str]) -> list[Path]:
    """A page of each kind, of a unit that was bad, then good, and good again."""
    path = Path(short_sequence(STEPS))
    text = path.read_text(encoding="utf-8").replace("cautions =", "releases = true\ncautions =", 1)
    path.write_text(text, encoding="utf-8")
    results = tmp_path / "r"
    runs = [
        load_run(
            results,
            seqrun.run(path, bench="demo", serial="P-1", faults=faults, results=results).run_id,
        )
        for faults in (("dc_offset@right=0.5",), (), ())
    ]
    sheet = release(runs[1], "DC at one output", "mended", complaint="thumps", signed_by="A. N.",
                    cautions=[], before=runs[0], others=Store(results).runs())  # fmt: skip
    told = tmp_path / "history.html"
    told.write_text(unit_page(unit_history(Store(results), "P-1", True)), encoding="utf-8")
    models = tmp_path / "models.html"
    models.write_text(models_page(model_histories(Store(results), None, True)), encoding="utf-8")
    return [
        write_page(runs[0], runs[0].folder / "report.html"),
        write_page(runs[1], runs[1].folder / "report.html"),
        write_compare(compare(runs[0], runs[1], 0.2), tmp_path / "compare.html"),
        write_sheet(sheet, tmp_path / "release.html"),
        told,
        models,
    ]


@pytest.fixture
def seen(tmp_path: Path) -> Iterator[Any]:
    found = browser(tmp_path / "profile")
    try:
        yield found
    finally:
        found.quit()


def test_no_page_has_a_violation_or_is_wider_than_its_screen(seen: Any, pages: list[Path]) -> None:
    found: list[str] = []
    for page in pages:
        seen.get(page.resolve().as_uri())
        for width, height in WIDTHS:
            size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
            seen.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
            wide = seen.execute_script("return document.documentElement.scrollWidth")
            if wide > width:
                found.append(f"{page.name}: {wide} px at {width} px")
            found += [f"{page.name} at {width} px: {one}" for one in violations(seen)]
        dark = {"features": [{"name": "prefers-color-scheme", "value": "dark"}]}
        seen.execute_cdp_cmd("Emulation.setEmulatedMedia", dark)
        ground = "return getComputedStyle(document.documentElement).backgroundColor"
        light = [int(part) for part in re.findall(r"\d+", seen.execute_script(ground))]
        assert max(light) < 64, f"{page.name} is light in the dark"
        found += [f"{page.name} in the dark: {one}" for one in violations(seen)]
        seen.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    assert found == []
