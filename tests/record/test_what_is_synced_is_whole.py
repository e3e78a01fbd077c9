"""What is seen onto the disk is whole at that moment: a power cut comes right behind it."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from seqrun.record.photos import put
from seqrun.record.plain import write_json
from seqrun.record.table import TORN_NAME, Lock, Table, sync_folder

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/fd").exists(), reason="looks at open files by number"
)


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> list[bytes | None]:
    """What each sync found in its file; None for a folder."""
    found: list[bytes | None] = []

    def fsync(fd: int) -> None:
        if stat.S_ISDIR(os.fstat(fd).st_mode):
            found.append(None)
        else:
            found.append(Path(f"/proc/self/fd/{fd}").read_bytes())

    monkeypatch.setattr(os, "fsync", fsync)
    return found


def table(folder: Path) -> Table:
    return Table(folder / "t.csv", ("run_id", "note"), Lock(folder))


def rows(folder: Path) -> bytes:
    its = table(folder)
    its.append([["1", "first"]])
    its.append([["2", "second"]])
    return its.path.read_bytes()


def a_torn_line_put_aside(folder: Path) -> bytes:
    its = table(folder)
    its.path.write_bytes(b'run_id,note\r\n1,"fir')
    its.append([])
    return (folder / TORN_NAME).read_bytes()


def facts(folder: Path) -> bytes:
    write_json(folder / "run.json", {"unit": "Ω"})
    return (folder / "run.json").read_bytes()


def a_photograph(folder: Path) -> bytes:
    return put(folder, b"jpeg" * 100).read_bytes()


@pytest.mark.parametrize("writes", [rows, a_torn_line_put_aside, facts, a_photograph])
def test_all_of_it_is_there_when_it_is_synced(
    tmp_path: Path, synced: list[bytes | None], writes: Callable[[Path], bytes]
) -> None:
    whole = writes(tmp_path)
    assert whole
    assert whole in synced


def test_rows_are_synced_each_by_itself_and_a_new_file_with_its_folder(
    tmp_path: Path, synced: list[bytes | None]
) -> None:
    rows(tmp_path)
    first = b"run_id,note\r\n1,first\r\n"
    assert synced == [first, None, first + b"2,second\r\n"]
    sync_folder(tmp_path)
    assert synced[3:] == [None]
