"""The commands as a person meets them: in 80 columns, in a pipe, with colour off."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import demo_sim
from seqrun.files.shipped import folder

ANSI = re.compile(r"\x1b\[")


@pytest.fixture
def short(short_sequence: Callable[..., str]) -> str:
    return short_sequence()


@pytest.mark.parametrize(
    ("faults", "code", "word"),
    [
        ((), 0, "ACCEPT"),
        (("dc_offset@left=1",), 1, "REJECT"),
        (("shorted_device@left",), 4, "ABORTED"),
    ],
)
def test_the_exit_code_is_the_disposition(
    seqrun: Callable, short: str, faults: tuple[str, ...], code: int, word: str
) -> None:
    words = [word for fault in faults for word in ("--fault", fault)]
    answer = seqrun("run", short, "--bench", "demo", "--serial", "S-1", *words)
    assert answer.code == code
    assert word in answer.out
    assert "SIMULATED" in answer.out


def test_output_in_a_pipe_has_no_colour_and_keeps_to_80_columns(
    seqrun: Callable, short: str
) -> None:
    answer = seqrun("run", short, "--bench", "demo", "--serial", "S-1")
    assert not ANSI.search(answer.out)
    summary = answer.out[answer.out.index("SIMULATED -") :]
    long = [line for line in summary.splitlines() if len(line) > 80 and "report:" not in line]
    assert long == []


def test_the_plan_keeps_to_80_columns_and_says_what_the_bench_decides(seqrun: Callable) -> None:
    answer = seqrun("plan", "acceptance", "--bench", "demo")
    assert answer.code == 0
    assert "decides" in answer.out
    assert max(map(len, answer.out.splitlines())) <= 80


def test_the_record_of_the_last_run_is_shown_again(seqrun: Callable, short: str) -> None:
    seqrun("run", short, "--bench", "demo", "--serial", "S-1")
    answer = seqrun("report", "last", "--budget")
    assert answer.code == 0
    assert "ACCEPT" in answer.out and "offset.left" in answer.out


def test_every_file_that_ships_is_right(seqrun: Callable) -> None:
    files = [
        str(path)
        for kind in ("sequence", "unit", "driver")
        for path in sorted(folder(kind).glob("*.toml"))  # type: ignore[arg-type]
    ]
    answer = seqrun("check", *files)
    assert answer.code == 0, answer.err
    assert all(f"{file}: " in answer.out for file in files)


@pytest.mark.parametrize("kind", ["sequence", "unit", "bench", "driver"])
def test_each_kind_of_file_has_a_schema(seqrun: Callable, kind: str) -> None:
    answer = seqrun("schema", kind)
    assert answer.code == 0
    assert json.loads(answer.out)["$schema"].startswith("https://json-schema.org")


def test_every_fault_of_the_catalogue_is_listed(seqrun: Callable) -> None:
    answer = seqrun("faults")
    assert answer.code == 0
    for fault in demo_sim.fault_catalogue():
        assert fault.name in answer.out
    assert max(map(len, answer.out.splitlines())) <= 80


def test_the_served_bench_prints_its_resources_and_stops_on_a_signal(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    server = subprocess.Popen(
        [sys.executable, "-m", "seqrun", "bench", "serve", "--switch", "--file", str(file)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert server.stdout is not None
    lines = [next(server.stdout) for _ in range(12)]
    server.send_signal(signal.SIGTERM)
    assert server.wait(timeout=20.0) == 0
    server.stdout.close()
    assert any("TCPIP0::127.0.0.1::" in line for line in lines)
    text = file.read_text(encoding="utf-8")
    assert "[simulator]" in text
    assert "[instrument.switch]" in text


def test_a_scope_of_nine_bits_is_not_to_be_had(seqrun: Callable) -> None:
    done = seqrun("bench", "serve", "--scope-bits", "9")
    assert done.code == 2
    assert "expected: 8 or 12" in done.err


def test_a_schema_is_utf_8_whatever_the_locale(tmp_path: Path) -> None:
    plain = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    words = [sys.executable, "-m", "seqrun", "schema", "unit"]
    printed = subprocess.run(words, env=plain, capture_output=True, check=True, cwd=tmp_path)
    assert "Ω" in printed.stdout.decode("utf-8")
    assert json.loads(printed.stdout)


def test_check_says_which_limits_the_findings_know_nothing_of(seqrun: Callable[..., Any]) -> None:
    text = """title = "Mine"
revision = "A"
decision = "guarded"
[[step]]
id = "z"
do = "channel_balance"
limit = { between = ["-1 dB", "1 dB"] }
[[step]]
id = "g"
do = "gain"
limit = { at_least = "20 dB" }
[[step]]
id = "down"
do = "power_down"
"""
    Path("mine.toml").write_text(text, encoding="utf-8")
    answer = seqrun("check", "mine.toml")
    assert "findings do not look at: channel_balance" in answer.out, answer.err


def test_a_rehearsal_is_for_a_person_at_a_simulated_bench(
    tmp_path: Path, seqrun: Callable[..., Any], as_real: Callable[[str], str]
) -> None:
    bench = tmp_path / "bench.toml"
    text = demo_sim.open_bench(unit_sheet="demo-2x40").bench_toml()
    bench.write_text(as_real(text), encoding="utf-8")
    for words, told in (
        (("--bench", str(bench)), "the simulated bench"),
        (("--bench", "demo"), "no terminal"),
        (("--bench", "demo", "--yes"), "one of them"),
    ):
        code, _, err = seqrun("run", "quick", *words, "--serial", "X", "--rehearse")
        assert code == 2 and told in err
    assert not (tmp_path / "results").exists()


def test_a_sequence_for_other_units_is_no_mistake_of_the_files(
    seqrun: Callable, tmp_path: Path
) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(demo_sim.open_bench(unit_sheet="demo-2x40").bench_toml(), encoding="utf-8")
    answer = seqrun("check", "preamp", "quick", "demo-2x40", str(bench))
    assert answer.code == 0, answer.err
    assert "quick.toml on bench.toml: it can be planned" in answer.out
    assert "preamp.toml on bench.toml" not in answer.out
    answer = seqrun("check", "preamp", "demo-2x40", "demo-receiver")
    assert answer.code == 0, answer.err
    assert "preamp.toml with demo-2x40.toml: it is for units with a line input" in answer.out
    assert "preamp.toml with demo-receiver.toml: 4" in answer.out  # so many steps
