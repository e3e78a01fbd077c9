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

from browsing import AtTerminal, browser, no_browser, until, violations
from PIL import Image
from serving import Served

from seqrun.errors import UsageError
from seqrun.live.network import lan_address, qr_lines
from seqrun.live.past import Past
from seqrun.live.photographing import photograph_of
from seqrun.live.server import served as page_of
from seqrun.record import Store
from seqrun.record.cases import Cases
from seqrun.runner.prompts import Asked, Key, Prompt
from seqrun.steps.hunt import MEANT
from seqrun.values import Disposition

WHY_NOT = no_browser()
if WHY_NOT and os.environ.get("SEQRUN_BROWSER") == "required":  # as .ci/run has it
    raise RuntimeError(f"the page has to be looked at in a browser: {WHY_NOT}")
pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT or "there is a browser")
RUN = ("run", "short.toml", "--bench", "bench.toml", "--serial", "K-1", "--live")
#: two resistances of a unit that is off: leads to move, and nothing to wait for
REHEARSED = """
title = "A look at a unit that is off"
revision = "A"
cautions = ["Mains work is for licensed people, under local codes."]
step = [
  { id = "short", do = "dead_resistance", at = "rail.pos", limit = { at_least = "10 Ω" } },
  { id = "other", do = "dead_resistance", at = "rail.neg", limit = { at_least = "10 Ω" } },
]
"""
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
    found = []
    for scheme in ("light", "dark"):
        feature = {"name": "prefers-color-scheme", "value": scheme}
        seen.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})
        found += [f"{scheme}: {one}" for one in violations(seen)]
    return found


def test_a_whole_run_is_answered_at_the_page(seen: Any, by_hand: Path) -> None:
    at = AtTerminal(by_hand, *RUN)
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


def test_a_rehearsal_on_the_lan_is_answered_at_one_page_while_another_watches(
    seen: Any, tmp_path: Path
) -> None:
    try:
        lan = lan_address()
    except UsageError as why:
        pytest.skip(f"no LAN: {why.found}")
    (tmp_path / "short.toml").write_text(REHEARSED, encoding="utf-8")
    words = ("run", "short.toml", "--bench", "demo", "--serial", "R-1", "--rehearse", "--lan")
    at = AtTerminal(tmp_path, *words)
    first = seen.current_window_handle
    try:
        address = at.address
        assert address.startswith(f"http://{lan}:") and "?token=" in address
        until(lambda: qr_lines(address)[-2] in at.shown, lambda: at.shown)
        seen.get(address.partition("?")[0])
        assert (
            "the address that the terminal shows" in seen.find_element("css selector", "main").text
        )
        seen.get(address)
        until(lambda: "CAUTIONS" in _text(seen) or "licensed" in _text(seen), lambda: at.shown)
        _press(seen, "")
        until(lambda: "rail.pos" in _text(seen), lambda: _text(seen))
        seen.switch_to.new_window("tab")
        seen.get(address)
        take = seen.find_element("id", "take")
        until(take.is_displayed, lambda: _text(seen))
        assert not seen.find_elements("css selector", "#todo [data-answer]:not(:disabled)")
        take.click()
        until(lambda: "Another page is in command" in seen.find_element("id", "refusal").text)
        seen.close()
        seen.switch_to.window(first)
        seen.refresh()
        until(lambda: "rail.pos" in _text(seen), lambda: _text(seen))
        while "The run is over" not in _text(seen):
            _press(seen, "")
        assert at.code() == 0 and "SIMULATED" in seen.find_element("id", "state").text, at.shown
        assert "(at the page)" in at.shown
    finally:
        at.close()


def _served_question(served: Served) -> Any:
    leads = (("meter.hi", "out.left"), ("meter.lo", "ground"))
    keys = (Key("", "done"), Key("r", "read again"), Key("s", "skip it"), Key("q", "end the run"))
    asked = Asked("lead", "HOOKUP  meter: red to out.left", keys, True, "What for.", leads)
    return served.answers.asking(Prompt("", asked))


def test_a_wrong_token_gets_a_page_that_says_so(seen: Any, served: Served) -> None:
    seen.get(f"http://{served.host}/?token=guess")
    text = seen.find_element("css selector", "main").text
    assert "not, or no longer, the one" in text and "S-1" not in text
    assert _violations(seen) == [] and _overflow(seen) == []


def _clicked(element: Any) -> bool:
    """Whether it could be clicked: it was there, and nothing was being drawn over it."""
    from selenium.common.exceptions import WebDriverException

    try:
        element.click()
    except WebDriverException:
        return False
    return True


def test_two_pages_watch_and_one_commands(seen: Any, served: Served) -> None:
    address = f"http://{served.host}/?token={served.door.token}"
    first = seen.current_window_handle
    with _served_question(served) as given:
        seen.get(address)
        usable = '#todo [data-answer=""]:not(:disabled)'
        until(lambda: seen.find_elements("css selector", usable), lambda: _text(seen))
        seen.switch_to.new_window("tab")
        second = seen.current_window_handle
        seen.get(address)
        take = seen.find_element("id", "take")
        until(take.is_displayed, lambda: _text(seen))
        assert "red to out.left" in _text(seen)  # it watches
        assert not seen.find_elements("css selector", usable)
        take.click()
        refusal = seen.find_element("id", "refusal")
        until(lambda: "Another page is in command" in refusal.text)
        assert _violations(seen) == [] and _overflow(seen) == []
        seen.switch_to.window(first)
        seen.close()
        seen.switch_to.window(second)
        # The first is gone once it was not heard of; nobody has to wait here for the clock.
        served.goes_by = True
        until(lambda: _clicked(take), lambda: _text(seen))  # the page may be drawing itself anew
        until(lambda: seen.find_elements("css selector", usable), lambda: refusal.text)
        seen.find_element("css selector", usable).click()
        until(lambda: given() == "")


def test_the_keys_of_a_hunt_by_press_and_by_keyboard(seen: Any, served: Served) -> None:
    served.board.change(index=0, steps=3, step="hunt", text="3.2 mV, 4 bursts", keys=MEANT)
    seen.get(f"http://{served.host}/?token={served.door.token}")
    part = '#keys [data-key="3"]:not(:disabled)'
    found = until(lambda: seen.find_elements("css selector", part), lambda: _text(seen))
    with served.answers.presses() as pressed:  # at the page alone: no terminal is here
        found[0].click()
        got: list[str] = []

        def taken() -> bool:
            got.extend(press.key for press in pressed())
            return len(got) == 2

        seen.switch_to.active_element.send_keys("t")
        until(taken, lambda: got)
        assert sorted(got) == ["3", "t"]
    assert _violations(seen) == [] and _overflow(seen) == []


def test_the_run_is_ended_from_the_page_by_two_presses_and_its_end_stays(
    seen: Any, served: Served
) -> None:
    served.board.change(index=0, steps=3, step="soak", text="sink 40 °C")
    seen.get(f"http://{served.host}/?token={served.door.token}")
    until(lambda: served.live.fed == 1)
    seen.find_element("id", "stop").click()
    assert _violations(seen) == [] and served.stopped == []
    seen.find_element("id", "stop-now").click()
    until(lambda: served.stopped == [True])
    until(lambda: "Ending the run" in seen.find_element("id", "state").text)
    served.board.change(safe=True, confirmed=("supply",))
    served.board.change(disposition=Disposition.ABORTED, reason="interrupted by the bench page")
    until(lambda: "ABORTED" in _text(seen), lambda: _text(seen))
    served.live.close()
    served.serving.stop()
    lost = seen.find_element("id", "lost")
    until(lambda: "stays as it is" in lost.text, lambda: lost.text)
    assert "ABORTED" in _text(seen) and not seen.find_element("id", "stop").is_enabled()


def test_a_page_that_is_fed_no_more_says_so_and_takes_no_answer(seen: Any, served: Served) -> None:
    with _served_question(served):
        seen.get(f"http://{served.host}/?token={served.door.token}")
        usable = '#todo [data-answer=""]:not(:disabled)'
        until(lambda: seen.find_elements("css selector", usable), lambda: _text(seen))
        served.serving.stop()
        lost = seen.find_element("id", "lost")
        until(lambda: "look at the terminal" in lost.text, lambda: lost.text)
        until(lambda: not seen.find_elements("css selector", usable))


def test_records_are_read_on_a_phone(seen: Any, tmp_path: Path) -> None:
    results = tmp_path / "results"
    Cases(Store(results)).add("S-1", "complaint", "hums loudly, in the left channel only")
    with page_of(Past(results).app) as page:
        seen.get(page.address)
        assert _violations(seen) == [] and _overflow(seen) == []
        seen.find_element("link text", "S-1").click()
        until(lambda: "hums loudly" in seen.find_element("css selector", "main").text)
        assert _violations(seen) == [] and _overflow(seen) == []


def test_a_photograph_is_sent_from_the_page_and_seen_with_the_case(
    seen: Any, tmp_path: Path
) -> None:
    results = tmp_path / "results"
    Image.new("RGB", (80, 60), "brown").save(tmp_path / "fuse.jpg")
    served = Served(photograph_of(results, "S-1", "the bench page"))
    try:
        seen.get(f"http://{served.host}/?token={served.door.token}")
        file = until(lambda: seen.find_elements("css selector", "#photo-file:not(:disabled)"))[0]
        assert _violations(seen) == [] and _overflow(seen) == []
        seen.find_element("id", "photo-note").send_keys("the fuse is black")
        file.send_keys(str(tmp_path / "fuse.jpg"))
        said = seen.find_element("id", "photo-said")
        until(lambda: "Kept with the case" in said.text, lambda: said.text)
    finally:
        served.live.close()
        served.serving.stop()
    with page_of(Past(results).app) as page:
        seen.get(page.address)
        seen.find_element("link text", "S-1").click()
        until(lambda: seen.find_elements("css selector", ".photos img"))
        wide = "return document.querySelector('.photos img').naturalWidth"
        until(lambda: seen.execute_script(wide) == 80)
        assert "the fuse is black" in seen.find_element("css selector", ".photos").text
        assert _violations(seen) == [] and _overflow(seen) == []
