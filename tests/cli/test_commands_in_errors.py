"""Every command that an error prints runs as printed: units, folders and files as people call them,
with blanks and letters of their own."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from next_steps import call, on_record
from test_printed_commands import OPEN, command_of

UNIT, FOLDER = "No 7 \u00dc\u8a66", "my records"
QUOTED = re.compile(r"'(seqrun [a-z].*?)'(?=[ ;,.)]|$)")


def told_by(err: str) -> list[list[str]]:
    """The commands of an error, without "seqrun"."""
    return [shlex.split(one)[1:] for one in QUOTED.findall(" ".join(err.split()))]


@pytest.fixture
def records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with one run of a unit, which was rejected."""
    monkeypatch.chdir(tmp_path)
    on_record(Path(FOLDER), UNIT, "intake", "reject")
    return Path(FOLDER)


@pytest.mark.parametrize(
    "words",
    [
        ("unit", "Nobody 9"),
        ("compare", UNIT),
        ("compare", "Nobody 9"),
        ("release", UNIT),
        ("release", "last"),
        ("report", "Nobody 9"),
        ("history", "Nobody 9"),
        ("findings", "../x"),
        ("release", UNIT, "--fault-found", "x", "--work-done", "y", "--before", UNIT),
    ],
    ids=" ".join,
)
def test_what_an_error_advises_runs_as_printed(records: Path, words: tuple[str, ...]) -> None:
    code, out, err = call(*words, "--results", str(records))
    assert (code, out) == (2, "")
    assert "Traceback" not in err
    told = told_by(err)
    assert told or "next: seqrun" not in err  # a line to type stands in quotes
    for line in told:
        found, rest = command_of(line)
        options = {o for p in found.params for o in (*p.opts, *p.secondary_opts)}  # type: ignore[attr-defined]
        assert {word for word in rest if word.startswith("--")} <= options
        if line[0] == "live" or any(OPEN.search(word) for word in line if word != UNIT):
            continue
        assert call(*line)[0] == 0, line


def test_there_are_commands_in_errors(records: Path) -> None:
    err = call("unit", "Nobody 9", "--results", str(records))[2]
    assert told_by(err) == [["unit", "Nobody 9", "--complaint", "what its owner says",
                             "--results", FOLDER]]  # fmt: skip


def test_units_that_are_written_nearly_alike_keep_apart_and_are_pointed_out(records: Path) -> None:
    serials = ("X-1", "x-1", "X-1.", "\u8a66\u4f5c-1", "\u65b0\u578b-1", "\u0130-1", "\u0131-1")
    texts = set()
    for serial in serials:
        code, out, err = call("unit", serial, "--complaint", f"of {serial}", "--results", FOLDER)
        assert code == 0, err
        texts.add(out.rpartition("(as a text: ")[2].strip(" )\n").casefold())
    assert len(texts) == len(serials)
    out = call("unit", "X-1", "--results", FOLDER)[1]
    assert "Note  'X-1.' and 'x-1', written nearly alike" in " ".join(out.split(" ", 0))
    assert "nearly alike" not in call("unit", serials[3], "--results", FOLDER)[1]
