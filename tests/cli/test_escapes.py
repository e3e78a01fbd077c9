"""Whatever stands in a file or comes from an instrument, it cannot steer the terminal: not by
escape sequences, not by C1 controls, not by marks of writing direction; on neither stream."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import demo_sim
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import load_unit
from seqrun.report.shared.cleaned import CleanedStream, through
from seqrun.report.shared.screen import console

#: as TOML writes them: clear the screen, a title, C1's CSI, an override of direction, a tag
EVIL = r"\u001b[2J\u001b]0;x\u0007\u009b31m\u202egnp\u2066\u200f\r\u0008\U000E0041"
SEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\U000e0041]")


def seen(text: str) -> str:
    """What would steer a terminal."""
    return "".join(SEEN.findall(text))


def evil(kind: str, name: str, at: str) -> str:
    """A shipped file with something nasty in a text of it."""
    text = find(kind, name).read_text(encoding="utf-8")  # type: ignore[arg-type]
    spoilt = re.sub(rf'^({at} = ")', lambda m: m[1] + EVIL, text, count=1, flags=re.MULTILINE)
    assert spoilt != text
    return spoilt


FILES = {
    "sequence.toml": ("sequence", "quick", "title"),
    "words.toml": ("sequence", "quick", "why"),
    "step.toml": ("sequence", "quick", "id"),
    "do.toml": ("sequence", "quick", "do"),
    "unit.toml": ("unit", "demo-2x40", "model"),
    "topology.toml": ("unit", "demo-2x40", "topology"),
    "driver.toml": ("driver", "generic-meter", "name"),
    "role.toml": ("driver", "generic-meter", "role"),
    "findings.toml": ("findings", "power-stage", "title"),
    "cause.toml": ("findings", "power-stage", "quantity"),
}


@pytest.mark.parametrize("name", FILES)
def test_a_file_that_is_checked_steers_nothing(seqrun: Callable, tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text(evil(*FILES[name]), encoding="utf-8")
    answer = seqrun("check", name)
    assert answer.out or answer.err
    assert not seen(answer.out + answer.err)


def test_files_that_a_run_a_plan_and_a_history_show_steer_nothing(
    seqrun: Callable, tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    sequence = Path(
        short_sequence("""
[[step]]
id = "offset.left"
do = "dc_voltage"
at = "out.left"
limit = { between = ["-50 mV", "50 mV"] }
""").replace("\\", "/")
    )
    text = sequence.read_text(encoding="utf-8")
    text = text.replace('cautions = ["', f'cautions = ["{EVIL}').replace('"Short"', f'"{EVIL}S"')
    sequence.write_text(text, encoding="utf-8")
    (tmp_path / "unit.toml").write_text(evil("unit", "demo-2x40", "model"), encoding="utf-8")
    bench = ("--bench", "demo", "--unit", "unit.toml")
    said = ""
    for words in (
        ("plan", "short.toml", *bench),
        ("run", "short.toml", *bench, "--serial", "E-1", "--operator", "\x1b[31mme"),
        ("report", "last", "--budget"),
        ("history", "E-1"),
        ("findings", "last"),
        ("unit", "E-1"),
        ("release", "last"),
        ("compare", "last", "last"),
    ):
        answer = seqrun(*words)
        assert "Traceback" not in answer.err
        said += answer.out + answer.err
    assert "ACCEPT" in said
    assert not seen(said)


def test_an_identity_full_of_escapes_steers_nothing(
    seqrun: Callable, tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    bench = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40")
    for key in ("meter", "supply"):
        device = bench.devices[key]
        device._identity = f"\x1b[2J\x1b]0;owned\x07{device._identity}\x9b1m\x08"
    with bench.serve() as server:
        (tmp_path / "bench.toml").write_text(server.bench_toml(), encoding="utf-8")
        said = ""
        for words in (
            ("bench", "test", "bench.toml"),
            ("safe", "--bench", "bench.toml"),
            ("run", short_sequence(""), "--bench", "bench.toml", "--serial", "E-1"),
        ):
            answer = seqrun(*words)
            assert "Traceback" not in answer.err
            said += answer.out + answer.err
    assert "owned" in said
    assert not seen(said)


def test_what_the_command_library_says_of_a_wrong_word_steers_nothing(seqrun: Callable) -> None:
    for words in (["\x1b[2Jrun"], ["run", "--\x1b]0;x\x07"], ["plan", "\x1b[2J\x9b.toml"]):
        answer = seqrun(*words)
        assert answer.code == 2
        assert not seen(answer.out + answer.err)


def test_the_streams_of_a_process_are_cleaned_and_its_own_drawing_is_not(tmp_path: Path) -> None:
    script = (
        "import sys; from seqrun.report.shared.cleaned import output_cleaned, through\n"
        "with output_cleaned():\n"
        "    print('a\\x1b[2Jb\\tc'); print('d\\x9be', file=sys.stderr)\n"
        "    print('\\x1b[K', end='', file=through(sys.stdout))\n"
        "print('whole')\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, timeout=60,
                          text=True, encoding="utf-8", check=True)  # fmt: skip
    assert done.stdout == "a [2Jb\tc\n\x1b[Kwhole\n"
    assert done.stderr == "d e\n"
    assert through(sys.__stdout__) is sys.__stdout__  # type: ignore[arg-type]
    assert issubclass(CleanedStream, io.TextIOWrapper)


def test_what_a_table_is_drawn_from_is_cleaned_and_its_colours_are_not() -> None:
    from rich.text import Text

    drawn = console(io.StringIO())
    drawn.print(Text("a\x1b[2Jb\u202e", "green"))
    assert isinstance(drawn.file, io.StringIO)
    assert not seen(drawn.file.getvalue())
