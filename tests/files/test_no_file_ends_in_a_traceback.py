"""Files that are no files, that hang, or that are beyond all bounds: each gets its message."""

from __future__ import annotations

import contextlib
import os
import random
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spoilt_files import readers, spoil

from seqrun.errors import FileError, SeqrunError
from seqrun.face import read_results
from seqrun.files import regular
from seqrun.files.common import one_of, read_text
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import folder
from seqrun.record import RecordError, Store
from seqrun.record.plain import read_json
from seqrun.record.rows import READING_COLUMNS
from seqrun.runner.preparation import check_file, prepare

HEAD = 'title = "t"\nrevision = "A"\n'


def sequence(folder: Path, steps: str) -> Path:
    path = folder / "s.toml"
    path.write_text(HEAD + steps, encoding="utf-8")
    return path


def test_a_pipe_or_a_device_is_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    for path in (pipe, Path("/dev/zero")):
        with pytest.raises(FileError, match="a pipe or a device"):
            read_text(path)


def test_a_number_of_thousands_of_digits_is_told(tmp_path: Path) -> None:
    path = tmp_path / "n.toml"
    path.write_text(f"title = {'9' * 5000}\n", encoding="utf-8")
    with pytest.raises(FileError, match="4300 digits"):
        check_file(path)


@pytest.mark.parametrize("dot", [".", " . "])
def test_a_key_of_very_many_parts_is_not_worked_at(tmp_path: Path, dot: str) -> None:
    """The library's time grows with the square of them: minutes within the size that is read."""
    path = tmp_path / "k.toml"
    path.write_text(dot.join(["a"] * 2000) + " = 1\n", encoding="utf-8")
    with pytest.raises(FileError, match="nested too deep"):
        check_file(path)


def test_a_link_to_nowhere_is_told_as_one(tmp_path: Path) -> None:
    link = tmp_path / "link.toml"
    link.symlink_to("gone.toml")
    with pytest.raises(FileError, match="a link to"):
        read_text(link)


@pytest.mark.parametrize("name", ["readings.csv", "runs.csv"])
def test_a_pipe_in_place_of_a_table_is_not_waited_for(tmp_path: Path, name: str) -> None:
    os.mkfifo(tmp_path / name)
    with pytest.raises(RecordError, match="pipe"):
        _ = read_results(tmp_path) if name == "readings.csv" else Store(tmp_path).runs()


def test_a_run_json_that_is_a_pipe_or_nested_without_end_is_told(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.json")
    (tmp_path / "deep.json").write_text("[" * 100_000, encoding="utf-8")
    for name, found in (("pipe.json", "pipe"), ("deep.json", "not JSON")):
        with pytest.raises(RecordError, match=found):
            read_json(tmp_path / name)


def test_more_than_a_thousand_steps_are_refused(tmp_path: Path) -> None:
    steps = "".join(f'[[step]]\nid = "s{n}"\ndo = "tell"\ntext = "x"\n' for n in range(1001))
    with pytest.raises(FileError):
        check_file(sequence(tmp_path, steps))


@pytest.mark.parametrize("kind", ["frequency_response", "riaa_deviation"])
def test_a_band_upside_down_is_refused(tmp_path: Path, kind: str) -> None:
    entry = f'[[step]]\nid = "r"\ndo = "{kind}"\nlow = "20 kHz"\nhigh = "20 Hz"\n'
    with pytest.raises(FileError, match="low below high"):
        check_file(sequence(tmp_path, entry))


@pytest.mark.parametrize("key", ["stage_time"])
def test_a_negative_time_is_refused(tmp_path: Path, key: str) -> None:
    entry = (
        '[[step]]\nid = "r"\ndo = "ramp_supply"\nto = "30 V"\nhealthy_current = "1 A"\n'
        f'{key} = "-5 s"\n'
    )
    with pytest.raises(FileError, match="is negative"):
        check_file(sequence(tmp_path, entry))


@pytest.mark.parametrize(
    "pattern", ["(a+)+$", "(a|a)*b", "((x*)y?)*z", "(?:a{2,})+$", "a*a*a*a*a*b", ".*.*.*.*=.*"]
)
def test_a_pattern_cannot_run_for_ever(pattern: str) -> None:
    """Beside what is linear without doubt, measured in the same run: the machine may be slow."""
    text = "a" * 20_000 + "!"

    def taken(pattern: str) -> float:
        found = regular.compiled(pattern)
        began = time.process_time()
        found.search(text)
        return time.process_time() - began

    assert taken(pattern) < 1000.0 * max(taken("a+$"), 1e-4)


@pytest.mark.parametrize("pattern", ["(?=a)b", "(?<!x)a", r"(a)\1", "(", "a{5000}", "*"])
def test_what_is_no_pattern_or_looks_around_is_refused(tmp_path: Path, pattern: str) -> None:
    text = (folder("driver") / "generic-meter.toml").read_text(encoding="utf-8")
    path = tmp_path / "d.toml"
    path.write_text(text.replace('idn = "(?i)meter"', f"idn = '{pattern}'"), encoding="utf-8")
    with pytest.raises(FileError, match="a regular expression without look-around"):
        check_file(path)


def test_an_answer_that_is_no_text_is_searched_all_the_same() -> None:
    assert regular.compiled("V").search("\udcff12 V") is not None


def test_no_pattern_that_ships_is_refused() -> None:
    for path in folder("driver").glob("*.toml"):
        load_driver(path)


@pytest.mark.parametrize(
    ("name", "never"),
    [
        ("rail.minus", "rail.pos"),
        ("rail.mins", "rail.pos"),
        ("rail.plus", "rail.neg"),
        ("supply.1.negativ", "supply.1.pos"),
        ("out.left.minus", "out.left.pos"),
        ("ballast.left.uper.1", "ballast.left.lower.1"),
        ("ballast.left.upper.3", "ballast.left.upper.2"),
        ("phones.rihgt", "phones.left"),
        ("in.rear.line", "in.front.line"),
        ("out.lh", "out.rh"),
    ],
)
def test_no_name_of_the_other_polarity_channel_or_number_is_suggested(
    name: str, never: str
) -> None:
    known = [never, "ground", "out.rear.line"]
    assert f"'{never}', the nearest" not in one_of(name, known)


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("out.lefft", "out.left"),
        ("rail.ps", "rail.pos"),
        ("rial.neg", "rail.neg"),
        ("balast", "ballast"),
    ],
)
def test_a_slip_of_the_pen_is_named(name: str, meant: str) -> None:
    known = ["out.left", "out.right", "rail.pos", "rail.neg", "ballast", "ground"]
    assert f"'{meant}', the nearest" in one_of(name, known)


def test_a_power_below_zero_is_refused_with_its_step(tmp_path: Path) -> None:
    text = (folder("sequence") / "acceptance.toml").read_text(encoding="utf-8")
    path = tmp_path / "s.toml"
    path.write_text(text.replace('power = "rated_power / 8"', 'power = "-rated_power"'), "utf-8")
    with pytest.raises(SeqrunError, match="heat_eighth"):
        prepare(str(path), "demo", None)


def test_a_pipe_named_as_a_unit_sheet_is_told_as_one(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    with pytest.raises(FileError, match="a pipe or a device"):
        prepare("quick", "demo", str(pipe))
    with pytest.raises(FileError, match="there is no such file"):
        prepare("quick", "demo", "~nobody-here/unit.toml")


def test_a_time_that_is_none_is_told(tmp_path: Path) -> None:
    row = ["r", "yesterday", *["x"] * 7, "1", "V", "", "", "exact", "", "", "guarded"]
    row += ["pass", "", "", "true", ""]
    lines = [",".join(READING_COLUMNS), ",".join(row)]
    (tmp_path / "readings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(RecordError, match="time"):
        read_results(tmp_path)


@given(
    st.sampled_from(("sequence", "unit", "bench", "driver", "findings", "costs")), st.integers(0)
)
@settings(max_examples=40)
def test_a_spoilt_file_of_any_kind_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, kind: str, seed: int
) -> None:
    rng = random.Random(seed)
    place = tmp_path_factory.mktemp("spoilt")
    reader = rng.choice(readers(kind, place))
    with contextlib.suppress(SeqrunError):
        reader.read(spoil(reader.text, kind, rng))
