"""Keys typed before a question is shown do not answer it: a whole run at a terminal."""

from __future__ import annotations

import os
import re
import select
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

import demo_sim
from seqrun.files.unit.sheet import load_unit
from seqrun.record import Store
from seqrun.values import Disposition

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is POSIX")

HANG_S = 120.0
QUESTION = re.compile("q to end the run")
LOADS = """title = "Loads"
revision = "A"
cautions = ["Stored charge: below 2 V by meter before touching."]
[[step]]
id = "load.{channel}"
each = "channel"
do = "load_resistance"
limit = { between = ["0.9 * rated_load", "1.1 * rated_load"] }
"""


class Terminal:
    """A person who sees every question and types too much."""

    def __init__(self, command: list[str], folder: Path) -> None:
        import pty

        self._keyboard, screen = pty.openpty()
        self.process = subprocess.Popen(
            command, stdin=screen, stdout=screen, stderr=screen, cwd=folder, start_new_session=True
        )
        os.close(screen)
        self.seen = ""

    @property
    def questions(self) -> int:
        return len(QUESTION.findall(self.seen))

    def look(self, until: Callable[[], bool]) -> None:
        """Read what is shown until something is true, or the program is gone."""
        end = time.monotonic() + HANG_S
        while not until():
            assert time.monotonic() < end, f"nothing more came after: {self.seen[-400:]}"
            if not select.select([self._keyboard], [], [], 1.0)[0]:
                continue
            try:
                data = os.read(self._keyboard, 4096)
            except OSError:  # the other side is closed
                break
            if not data:
                break
            self.seen += data.decode("utf-8", "replace")

    def type(self, keys: bytes) -> None:
        os.write(self._keyboard, keys)

    def leave(self) -> int:
        self.look(lambda: False)
        os.close(self._keyboard)
        return self.process.wait(HANG_S)


def test_twelve_enters_at_each_question_answer_that_question_and_no_other(
    tmp_path: Path, as_real: Callable[[str], str]
) -> None:
    (tmp_path / "loads.toml").write_text(LOADS, encoding="utf-8")
    unit = load_unit("demo-2x40").plain()
    bench = demo_sim.open_bench(unit, unit_sheet="demo-2x40", real_time=True)
    with bench.serve() as server:
        (tmp_path / "bench.toml").write_text(as_real(server.bench_toml()), encoding="utf-8")
        command = [sys.executable, "-m", "seqrun", "run", "loads.toml", "--bench", "bench.toml"]
        person = Terminal([*command, "--serial", "T-1"], tmp_path)
        wanted = ["CAUTION", "STANDING", "load left", "load right"]
        for number in range(1, len(wanted)):
            person.look(lambda number=number: person.questions >= number)  # type: ignore[misc]
            person.type(b"\n" * 12)  # one of them answers; the others come while it measures
        person.look(lambda: person.questions >= len(wanted))
        person.type(b"q\n")
        code = person.leave()
    assert (code, person.questions) == (4, len(wanted)), person.seen
    assert "ended the run" in person.seen
    run = Store(tmp_path / "results").run("last")
    assert run.disposition is Disposition.ABORTED
    judged = list(Store(tmp_path / "results").readings())
    assert {j.step for j in judged} == {"load.left"}
