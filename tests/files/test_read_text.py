"""Files in encodings that editors save by themselves."""

from __future__ import annotations

from pathlib import Path

import pytest

from seqrun.errors import FileError
from seqrun.files.common import parse_toml, read_text


@pytest.mark.parametrize(
    ("encoding", "found"),
    [("utf-16", "is UTF-16"), ("utf-16-be", "byte 1 is not UTF-8"), ("cp1252", "byte 9 is not")],
)
def test_another_encoding_is_told_and_how_it_is_put_right(
    tmp_path: Path, encoding: str, found: str
) -> None:
    path = tmp_path / "unit.toml"
    text = 'drift = "µV"' if encoding == "cp1252" else "µ = 1"
    path.write_bytes(text.encode(encoding))
    with pytest.raises(FileError, match=found) as refused:
        read_text(path)
    assert "save it anew" in str(refused.value)


def test_a_mark_at_the_beginning_is_no_part_of_the_text(tmp_path: Path) -> None:
    path = tmp_path / "unit.toml"
    path.write_bytes("a = 1\r\n".encode("utf-8-sig"))
    assert read_text(path) == "a = 1\r\n"


def test_what_was_read_belongs_to_whoever_read_it() -> None:
    """The same text is read once and handed out again."""
    text = 'steps = [{ id = "gain", limit = { between = ["1 V", "2 V"] } }]'
    mine = parse_toml(text, "mine.toml")
    mine["steps"][0]["limit"]["between"][0] = "0 V"
    mine["steps"].append({})
    del mine["steps"][0]["id"]
    expected = {"id": "gain", "limit": {"between": ["1 V", "2 V"]}}
    assert parse_toml(text, "another.toml") == {"steps": [expected]}
