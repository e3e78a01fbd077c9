"""A whole run, asked for and answered, in an interpreter that has no POSIX module at all."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from seqrun.record import Store
from seqrun.values import Disposition

MASKED = (
    "termios",
    "tty",
    "fcntl",
    "pty",
    "resource",
    "pwd",
    "grp",
    "syslog",
    "readline",
    "curses",
)
#: a console that always has a key and a keyboard whose every line is Enter, as a stand-in
WITHOUT = f"""
import sys, types
import asyncio, subprocess, socket  # Python's own, which take a console for all of Windows
for name in {MASKED!r}:
    sys.modules[name] = None
keys = list("xyz")
sys.modules["msvcrt"] = types.SimpleNamespace(
    kbhit=lambda: bool(keys) or waiting(), getwch=lambda: keys.pop() if keys else "\\r",
    locking=None,
)
import inspect
waiting = lambda: any(frame.function == "waits" for frame in inspect.stack())
import select
def sockets_only(*_):
    raise OSError("sockets only")
class Keyboard:
    encoding = "utf-8"
    closed = False
    def isatty(self): return True
    def fileno(self): return 0
    def readline(self): return "\\n"
sys.stdin = Keyboard()
from seqrun.cli import main
select.select = sockets_only
sys.argv = ["seqrun", "run", "short.toml", "--bench", "demo", "--serial", "M-1", "--rehearse"]
try:
    main()
finally:
    for name in {MASKED!r}:
        assert sys.modules[name] is None, name
    assert not keys, "what was typed before a question was not thrown away"
"""
SHORT = """
title = "A look at a unit that is off"
revision = "A"
cautions = ["Mains work is for licensed people, under local codes."]
step = [
  { id = "short", do = "dead_resistance", at = "rail.pos", limit = { at_least = "10 Ω" } },
  { id = "other", do = "dead_resistance", at = "rail.neg", limit = { at_least = "10 Ω" } },
]
"""


def test_a_run_with_its_prompts_locks_and_record_needs_no_posix_module(tmp_path: Path) -> None:
    (tmp_path / "short.toml").write_text(SHORT, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT], cwd=tmp_path, capture_output=True, text=True, timeout=120,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "HOOKUP" in done.stdout and "STANDING LEADS" in done.stdout
    (run,) = Store(tmp_path / "results").runs()
    assert run.disposition is Disposition.ACCEPT and run.finished
    assert Store(tmp_path / "results").verify() == {run.run_id: ()}
