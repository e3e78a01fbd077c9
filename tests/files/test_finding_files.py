"""Finding files: by shipped name, by path, beside the file that names them; and their kinds."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import FileError
from seqrun.files.common import parse_toml, read_text
from seqrun.files.kinds import kind_of, kind_of_table
from seqrun.files.shipped import find, folder, root_of, shipped


def test_a_bare_name_is_a_file_that_ships() -> None:
    assert find("unit", "demo-2x40").name == "demo-2x40.toml"


def test_a_name_that_does_not_ship_brings_the_nearest_that_does() -> None:
    with pytest.raises(FileError, match="demo-2x40"):
        find("unit", "demo2x40")


def test_a_path_is_taken_from_the_folder_of_the_file_that_names_it(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("")
    assert find("driver", "./mine.toml", tmp_path / "bench.toml") == tmp_path / "mine.toml"


def test_a_path_that_is_not_there_says_where_it_looked(tmp_path: Path) -> None:
    with pytest.raises(FileError) as error:
        find("driver", "mine.toml", tmp_path / "bench.toml")
    assert str(tmp_path) in str(error.value)


def test_an_installed_package_carries_its_files_inside(tmp_path: Path) -> None:
    package = tmp_path / "site-packages" / "seqrun"
    (package / "_shipped" / "sequences").mkdir(parents=True)
    (package.parent / "sequences").mkdir()  # a stranger's folder beside it
    assert root_of(package) == package / "_shipped"


def test_a_folder_beside_an_installed_package_is_not_ours(tmp_path: Path) -> None:
    package = tmp_path / "seqrun"
    package.mkdir()
    (tmp_path / "sequences").mkdir()
    with pytest.raises(FileError, match="install seqrun again"):
        root_of(package)


def test_a_misspelt_file_brings_its_neighbour(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text("")
    with pytest.raises(FileError, match=r"bench\.toml"):
        read_text(tmp_path / "bnch.toml")


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"x" * 1_000_001])
def test_what_is_no_text_file_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(content)
    with pytest.raises(FileError):
        read_text(path)


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="is a folder"):
        read_text(tmp_path)


def test_a_slip_in_the_toml_says_where(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"line 2.*\n.*quotes|line 2"):
        parse_toml('a = "1 V"\nb = 50 mV\n', tmp_path / "x.toml")


def test_a_toml_nested_without_end_is_refused() -> None:
    with pytest.raises(FileError):
        parse_toml("a = " + "[" * 100_000, "deep")


@given(st.text(max_size=200))
def test_any_text_is_toml_or_an_error_that_explains(text: str) -> None:
    try:
        parse_toml(text, "x.toml")
    except FileError as problem:
        assert "x.toml" in str(problem)


@pytest.mark.parametrize(
    ("table", "kind"),
    [
        ({"title": "", "step": []}, "sequence"),
        ({"name": "", "instrument": {}}, "bench"),
        ({"model": "", "topology": ""}, "unit"),
        ({"name": "", "role": "meter"}, "driver"),
        ({"unrelated": 1}, None),
    ],
)
def test_the_keys_of_a_file_tell_its_kind(table: dict[str, object], kind: str | None) -> None:
    assert kind_of_table(table) == kind


@pytest.mark.parametrize("name", sorted(shipped("unit")))
def test_shipped_unit_sheets_are_known_as_such(name: str) -> None:
    assert kind_of(folder("unit") / f"{name}.toml") == "unit"


@pytest.mark.parametrize("name", sorted(shipped("sequence")))
def test_shipped_sequences_are_known_as_such(name: str) -> None:
    assert kind_of(folder("sequence") / f"{name}.toml") == "sequence"
