"""Bad input gets a clear message and exit 2; nothing is energised, nothing is written elsewhere."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import demo_sim
from seqrun.files.unit.sheet import load_unit

RUN = ("run", "acceptance", "--serial", "S-1")
STEP = """title = "T"
revision = "A"
[[step]]
id = "offset"
do = "dc_voltage"
at = "out.left"
"""


@pytest.mark.parametrize(
    "serial",
    ["../../x", "=cmd()", "a/b", "+1", "@x", "", "x" * 65, "a\nb", "-1", ".", "..", "con\x00"],
)
def test_a_serial_that_is_a_path_or_a_formula_is_refused(
    seqrun: Callable, tmp_path: Path, serial: str
) -> None:
    answer = seqrun("run", "acceptance", "--bench", "demo", f"--serial={serial}")
    assert answer.code == 2
    assert "Traceback" not in answer.err
    assert list(tmp_path.iterdir()) == []


def test_without_a_bench_it_says_how_to_name_one_and_never_simulates(seqrun: Callable) -> None:
    answer = seqrun(*RUN)
    assert answer.code == 2
    assert "--bench" in answer.err and "demo" in answer.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("run", "acceptence", "--bench", "demo", "--serial", "S"), "acceptance"),
        (("run", "missing.toml", "--bench", "demo", "--serial", "S"), "missing.toml"),
        ((*RUN, "--bench", "nowhere.toml"), "nowhere.toml"),
        ((*RUN, "--bench", "demo", "--unit", "demo-2x04"), "demo-2x40"),
        ((*RUN, "--bench", "demo", "--fault", "dc_ofset@left"), "dc_offset"),
        ((*RUN, "--bench", "demo", "--fault", "dc_offset@middle"), "left"),
        ((*RUN, "--bench", "demo", "--fault", "dc_offset=2"), "0"),
        (("schema", "sequense"), "sequence"),
        (("report", "nothing"), "results"),
        (("check", "nothing.toml"), "nothing.toml"),
    ],
)
def test_a_wrong_name_is_told_with_the_nearest_right_one(
    seqrun: Callable, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    answer = seqrun(*words)
    assert answer.code == 2
    assert said in answer.err + answer.out
    assert "Traceback" not in answer.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('at = "out.left"', 'at = "out.left"\nsetle = 3'), "settle"),
        (('at = "out.left"', 'at = "out.left"\nlimit = { at_most = "50 mA" }'), "voltage"),
        (
            ('at = "out.left"', 'at = "out.left"\nlimit = { between = ["50 mV", "-50 mV"] }'),
            "lower",
        ),
        (('do = "dc_voltage"', 'do = "dc_volage"'), "dc_voltage"),
        (('at = "out.left"', 'at = "out.letf"'), "out.left"),
        (('revision = "A"', ""), "revision"),
        (('id = "offset"', 'id = "offset'), "TOML"),
    ],
)
def test_a_wrong_sequence_is_told_with_file_and_step(
    seqrun: Callable, tmp_path: Path, change: tuple[str, str], said: str
) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(STEP.replace(*change), encoding="utf-8")
    answer = seqrun("run", str(file), "--bench", "demo", "--serial", "S-1")
    assert answer.code == 2
    assert "mine.toml" in answer.err
    assert said in answer.err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mine.toml"]


def test_a_step_on_a_unit_that_nothing_has_powered_is_refused(
    seqrun: Callable, tmp_path: Path
) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(STEP, encoding="utf-8")
    answer = seqrun("run", str(file), "--bench", "demo", "--serial", "S-1")
    assert answer.code == 2
    assert "ramp_supply" in answer.err


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[demo_sim.Bench, str]]:
    """A simulated bench on loopback and its bench file's text."""
    bench = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40")
    with bench.serve() as server:
        yield bench, server.bench_toml()


def bench_file(tmp_path: Path, text: str) -> str:
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_a_bench_without_a_needed_role_is_held_and_refused_where_all_is_asked_for(
    seqrun: Callable, tmp_path: Path, served: tuple[demo_sim.Bench, str]
) -> None:
    text = re.sub(r"\[instrument\.meter\].*?(?=\n\[)", "", served[1], flags=re.DOTALL)
    bench = bench_file(tmp_path, text)
    refused = seqrun(*RUN, "--bench", bench, "--only-complete")
    assert refused.code == 2
    assert "no meter" in refused.err
    assert not (tmp_path / "results").exists()
    held = seqrun(*RUN, "--bench", bench)
    assert held.code == 3
    assert "no meter" in held.out
    assert served[0].world.truth.rail("pos") < 0.1


def test_an_instrument_that_is_silent_is_named(
    seqrun: Callable, tmp_path: Path, served: tuple[demo_sim.Bench, str]
) -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        port = unused.getsockname()[1]
    meter = re.search(r"\[instrument\.meter\]\s*resource = \"(.*?)\"", served[1])
    assert meter is not None
    text = served[1].replace(meter[1], f"TCPIP0::127.0.0.1::{port}::SOCKET")
    answer = seqrun(*RUN, "--bench", bench_file(tmp_path, text))
    assert answer.code == 2
    assert "meter" in answer.err
    assert not (tmp_path / "results").exists()


def test_an_instrument_that_is_not_the_one_named_is_told_apart(
    seqrun: Callable, tmp_path: Path, served: tuple[demo_sim.Bench, str]
) -> None:
    _bench, text = served
    meter = re.search(r"\[instrument\.meter\]\s*resource = \"(.*?)\"", text)
    scope = re.search(r"\[instrument\.scope\]\s*resource = \"(.*?)\"", text)
    assert meter is not None and scope is not None
    swapped = (
        text.replace(meter[1], "X").replace(scope[1], meter[1]).replace('"X"', f'"{scope[1]}"')
    )
    answer = seqrun(*RUN, "--bench", bench_file(tmp_path, swapped))
    assert answer.code == 2
    assert "SIMULATED" in answer.err  # what was found there
    assert not (tmp_path / "results").exists()


def test_without_a_terminal_and_without_yes_a_real_bench_is_refused(
    seqrun: Callable,
    tmp_path: Path,
    served: tuple[demo_sim.Bench, str],
    as_real: Callable[[str], str],
) -> None:
    answer = seqrun(*RUN, "--bench", bench_file(tmp_path, as_real(served[1])))
    assert answer.code == 2
    assert "--yes" in answer.err
    assert not (tmp_path / "results").exists()


def test_a_results_folder_that_cannot_be_made_is_told(seqrun: Callable, tmp_path: Path) -> None:
    (tmp_path / "results").write_text("a file", encoding="utf-8")
    answer = seqrun(*RUN, "--bench", "demo")
    assert answer.code == 2
    assert "results" in answer.err
    assert "Traceback" not in answer.err
