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
#: at the console somebody types "q" and Enter too early for each question, then answers with Enter
WITHOUT = f"""
import sys
import asyncio, subprocess, socket  # Python's own, which take a console for all of Windows
for name in {MASKED!r}:
    sys.modules[name] = None
sys.path.insert(0, {str(Path(__file__).parent)!r})
from windows_console import Answering, install
console = Answering("q\\r", "\\r")
install(console)
import select
from seqrun.cli import main
def sockets_only(*_):
    raise OSError("sockets only")
select.select = sockets_only
sys.argv = ["seqrun", "run", "short.toml", "--bench", "demo", "--serial", "M-1", "--rehearse"]
try:
    main()
finally:
    for name in {MASKED!r}:
        assert sys.modules[name] is None, name
    assert console.early > 3, "nothing was typed before a question"
    assert console.as_found, "the console was left as a reader of keys wants it"
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
