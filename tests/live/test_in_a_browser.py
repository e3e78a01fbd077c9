"""A run answered at the page, in the system's own browser."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

if sys.platform == "win32":
    pytest.skip("a pseudo-terminal is POSIX", allow_module_level=True)

from browsing import AtTerminal, browser, no_browser, until

WHY_NOT = no_browser()
if WHY_NOT and os.environ.get("SEQRUN_BROWSER") == "required":  # as .ci/run has it
    raise RuntimeError(f"the page has to be looked at in a browser: {WHY_NOT}")
pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT or "there is a browser")
WIDTHS = ((390, 844), (768, 1024), (1200, 900))


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One browser for all of them."""
    found = browser(tmp_path_factory.mktemp("profile"))
    try:
        yield found
    finally:
        found.quit()


def _text(seen: Any) -> str:
    return str(seen.find_element("id", "todo").text)


def _question(seen: Any) -> str:
    script = "return document.querySelector('#todo [data-question]')?.dataset.question ?? '';"
    return str(seen.execute_script(script))


def _next(seen: Any, before: str) -> None:
    """Wait until another question stands, or the run is over."""

    def asked() -> bool:
        return _question(seen) not in ("", before) or "The run is over" in _text(seen)

    until(asked, lambda: _text(seen))


def _press(seen: Any, answer: str, wait: bool = True) -> None:
    """Press a button of the question that stands, as soon as it takes presses."""
    before = _question(seen)
    css = f'#todo [data-answer="{answer}"]:not(:disabled)'
    until(lambda: seen.find_elements("css selector", css), lambda: _text(seen))[0].click()
    if wait:
        _next(seen, before)


def _type(seen: Any, value: str, unit: str) -> None:
    before = _question(seen)
    seen.find_element("id", "value").send_keys(value)
    seen.find_element("css selector", f'#todo input[value="{unit}"] + span').click()
    css = "#todo [type=submit]:not(:disabled)"
    until(lambda: seen.find_elements("css selector", css), lambda: _text(seen))[0].click()
    _next(seen, before)


def _overflow(seen: Any) -> list[str]:
    """What is wider than the page, at each width, light and dark."""
    found = []
    for scheme in ("light", "dark"):
        feature = {"name": "prefers-color-scheme", "value": scheme}
        seen.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})
        for width, height in WIDTHS:
            size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
            seen.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
            wide = seen.execute_script("return document.documentElement.scrollWidth")
            if wide > width:
                found.append(f"{wide} px at {width} px, {scheme}")
    seen.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    return found


def _violations(seen: Any) -> list[str]:
    """What axe finds wrong, light and dark."""
    import axe_core_python
    from axe_core_python.sync_playwright import Axe  # noqa: F401 - only its script is used

    script = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    found = []
    for scheme in ("light", "dark"):
        feature = {"name": "prefers-color-scheme", "value": scheme}
        seen.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})
        seen.execute_script(script)
        told = seen.execute_async_script(
            "const done = arguments[0]; axe.run().then(r => done(r.violations.map(v => "
            "v.id + ': ' + v.nodes.map(n => n.html + ' ' + n.failureSummary).join(' | '))))"
        )
        found += [f"{scheme}: {one}" for one in told]
    return found


def test_a_whole_run_is_answered_at_the_page(seen: Any, by_hand: Path) -> None:
    at = AtTerminal(
        by_hand, "run", "short.toml", "--bench", "bench.toml", "--serial", "K-1", "--live"
    )
    try:
        seen.get(at.address)
        assert "token" not in seen.current_url
        until(lambda: "licensed" in _text(seen), lambda: at.shown)
        _press(seen, "")
        assert "rail.pos" in _text(seen)
        drawn = seen.find_element("css selector", "#leads svg").get_attribute("aria-label")
        assert "meter red (HI) to rail.pos" in drawn
        assert _violations(seen) == []
        seen.refresh()  # in the middle: the page finds the question again, and commands still
        until(lambda: "rail.pos" in _text(seen))
        _press(seen, "")
        assert _overflow(seen) == []
        _type(seen, "4.7", "kΩ")
        assert "4.7 kΩ" in _text(seen)
        _press(seen, "")
        until(lambda: "out.only" in _text(seen), lambda: _text(seen))
        at.type("")  # the same question, answered at the terminal
        until(lambda: seen.find_elements("id", "value"), lambda: _text(seen))
        _type(seen, "0.5", "Ω")
        assert _overflow(seen) == []
        _press(seen, "")
        until(lambda: "The run is over" in _text(seen), lambda: _text(seen))
        assert "REJECT" in _text(seen) and at.code() == 1, at.shown
        assert "(at the page) 4.7 kΩ" in at.shown
        assert _violations(seen) == [] and _overflow(seen) == []
    finally:
        at.close()
