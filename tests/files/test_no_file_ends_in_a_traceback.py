"""Files that are no files, that hang, or that are beyond all bounds: each gets its message."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from seqrun.errors import FileError
from seqrun.files import regular
from seqrun.files.common import one_of, read_text
from seqrun.files.driver import load_driver
from seqrun.files.shipped import folder
from seqrun.runner.preparation import check_file

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
    began = time.monotonic()
    regular.compiled(pattern).search("a" * 20_000 + "!")
    assert time.monotonic() - began < 1.0


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


@pytest.mark.parametrize(("name", "never"), [("rail.minus", "rail.pos"), ("rail.plus", "rail.neg")])
def test_no_name_of_the_other_polarity_is_suggested(name: str, never: str) -> None:
    assert f"'{never}', the nearest" not in one_of(name, [never, "ground", "in.left"])
