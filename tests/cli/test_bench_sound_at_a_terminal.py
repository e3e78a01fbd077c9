"""``bench sound`` as it is used: at a terminal, a person moving leads and typing yes, a meter on a
serial line, and the table in the bench file afterwards."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest
from sound_at_a_terminal import IN_V, OUT_V

from seqrun.files.bench.load import load_bench

BENCH = """name = "Loop"
unit = "demo-2x40"
[instrument.meter]
resource = "METER"
driver = "agilent-34401a-serial"
line = { data_bits = 8, parity = "none" }
[instrument.generator]
resource = "sound::usb"
driver = "sound-output"
[instrument.scope]
resource = "sound::usb"
driver = "sound-input"
[[lead]]
from = "generator.1"
to = "in.left"
[[lead]]
from = "generator.2"
to = "in.right"
"""
PROMPT = "Type yes:"


def at_a_terminal(bench: Path, typed: str) -> tuple[int, str]:
    """Runs it with somebody who answers each question as it stands there; exit code, and all that
    the terminal showed."""
    ours, theirs = os.openpty()
    child = Path(__file__).with_name("sound_at_a_terminal.py")
    run = subprocess.Popen(
        [sys.executable, str(child), str(bench)], stdin=theirs, stdout=theirs, stderr=theirs,
        start_new_session=True,
    )  # fmt: skip
    os.close(theirs)
    shown, answered = "", 0
    give_up = time.monotonic() + 120.0
    try:
        while time.monotonic() < give_up:
            if not select.select([ours], [], [], 0.1)[0]:
                if run.poll() is not None:
                    break
                continue
            try:
                shown += os.read(ours, 65536).decode()
            except OSError:  # the other end is closed
                break
            while PROMPT in shown[answered:]:
                answered = shown.index(PROMPT, answered) + len(PROMPT)
                os.write(ours, f"{typed}\n".encode())
        return run.wait(10.0), shown
    finally:
        run.kill()
        run.wait()
        os.close(ours)


def test_it_is_levelled_by_hand_and_the_table_is_added(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(BENCH, encoding="utf-8")
    code, shown = at_a_terminal(file, "yes")
    assert code == 0, shown
    for asked in ("without power", "tip of input 1 to in.left", "meter: red (HI) to in.right"):
        assert asked in shown
    sound = load_bench(str(file)).sound
    assert sound is not None
    assert "34401A" in sound.against
    assert sound.input_full_scale == pytest.approx((IN_V, IN_V), rel=sound.level_uncertainty)
    loaded = (
        1.0 + 0.5 * 100.0 / 10e3
    )  # the unit's input draws on the output, and that is allowed for
    assert sound.output_full_scale == pytest.approx((OUT_V * loaded,) * 2, rel=0.01)


def test_without_the_word_nothing_plays(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(BENCH, encoding="utf-8")
    code, shown = at_a_terminal(file, "no")
    assert code == 2
    assert "not confirmed" in shown and "Traceback" not in shown
    assert "tip of input" not in shown
    assert "[sound]" not in file.read_text(encoding="utf-8")
