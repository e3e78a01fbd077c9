"""The system's own browser, headless, and a run at a pseudo-terminal with its page."""

from __future__ import annotations

import os
import pty
import re
import select
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

T = TypeVar("T")
GUARD_S = 60.0  # nothing takes so long; what does has hung
_FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage", "--window-size=1200,900",
)  # fmt: skip
_ADDRESS = re.compile(r"bench page: (http://\S+)")
_CODES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


def no_browser() -> str:
    """Why no browser can be driven here; "" when one can."""
    try:
        import selenium  # noqa: F401
    except ImportError:
        return "selenium is not installed"
    for name in ("chromium", "chromedriver"):
        if shutil.which(name) is None:
            return f"there is no {name} (Debian: apt-get install chromium chromium-driver)"
    return ""


def browser(folder: Path) -> Any:
    """A browser with a profile of its own."""
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for flag in (*_FLAGS, f"--user-data-dir={folder}"):
        options.add_argument(flag)
    service = webdriver.ChromeService(executable_path=str(shutil.which("chromedriver")))
    found = webdriver.Chrome(options=options, service=service)
    found.set_page_load_timeout(GUARD_S)
    found.set_script_timeout(GUARD_S)
    return found


def violations(seen: Any) -> list[str]:
    """What axe finds wrong with the page as it is now; of what is right nothing is put together."""
    import axe_core_python

    if not seen.execute_script("return 'axe' in window"):
        script = Path(axe_core_python.__file__).parent / "axe.min.js"
        seen.execute_script(script.read_text(encoding="utf-8"))
    found: list[str] = seen.execute_async_script(
        "const done = arguments[0]; axe.run({resultTypes: ['violations']}).then(r => "
        "done(r.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html + ' ' + "
        "n.failureSummary).join(' | '))))"
    )
    return found


def until(what: Callable[[], T], told: Callable[[], object] = lambda: "") -> T:
    """What it gives once that is true."""
    end = time.monotonic() + GUARD_S
    while not (found := what()):
        assert time.monotonic() < end, told()
        time.sleep(0.05)
    return found


class AtTerminal:
    """The command line at a terminal of its own, which nobody looks at but the test."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        self._keyboard, screen = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "seqrun", *arguments],
            stdin=screen, stdout=screen, stderr=screen, cwd=folder,
            env={**os.environ, "TERM": "dumb", "COLUMNS": "200", "NO_COLOR": "1"},
        )  # fmt: skip
        os.close(screen)
        self.shown = ""
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        while True:
            try:
                if not select.select([self._keyboard], [], [], 0.2)[0]:
                    if self.process.poll() is not None:
                        return
                    continue
                text = os.read(self._keyboard, 65536).decode("utf-8", "replace")
            except (OSError, ValueError):
                return
            self.shown += _CODES.sub("", text)

    @property
    def address(self) -> str:
        """The address of the page, as the terminal shows it."""
        found = until(lambda: _ADDRESS.search(self.shown), lambda: self.shown)
        return found[1]

    def type(self, text: str) -> None:
        """Type a line."""
        os.write(self._keyboard, f"{text}\n".encode())

    def code(self) -> int:
        """The exit code, when it has ended."""
        return self.process.wait(GUARD_S)

    def close(self) -> None:
        """End it, whatever it does."""
        self.process.kill()
        self.process.wait()
        os.close(self._keyboard)
