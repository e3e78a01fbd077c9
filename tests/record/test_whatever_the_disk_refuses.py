"""Wherever the disk refuses something, the record says so, and what was refused."""

from __future__ import annotations

import errno
import filecmp
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from seqrun.judge import decide
from seqrun.record import RecordError, RunInfo, Store, load_run, merge, places, read_trace
from seqrun.values import Contribution, Disposition, Limit, Reading, Source

RECORD = str(Path(places.__file__).parent)
_ACTS = ("write", "read", "readline", "flush", "truncate", "fileno", "close")
FULL = os.strerror(errno.ENOSPC)
Site = tuple[str, int]


class Disk:
    """A disk that refuses what is asked of it from one line of the record; notes all that ask."""

    def __init__(self) -> None:
        self.asked: dict[Site, None] = {}
        self.refuses: Site | None = None

    def ask(self) -> None:
        frame = sys._getframe(1)
        while frame is not None and not frame.f_code.co_filename.startswith(RECORD):
            frame = frame.f_back
        if frame is not None:
            site = Path(frame.f_code.co_filename).name, frame.f_lineno
            self.asked[site] = None
            if site == self.refuses:
                raise OSError(errno.ENOSPC, FULL)

    def through(self, act: Callable[..., Any]) -> Callable[..., Any]:
        def asked(*given: Any, **more: Any) -> Any:
            self.ask()
            return act(*given, **more)

        return asked


class File:
    """An open file on it."""

    def __init__(self, file: Any, disk: Disk) -> None:
        self._file, self._disk = file, disk

    def __getattr__(self, name: str) -> Any:
        act = getattr(self._file, name)
        return self._disk.through(act) if name in _ACTS else act

    def __enter__(self) -> File:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __iter__(self) -> Iterator[Any]:
        self._disk.ask()
        return iter(self._file)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    disk = Disk()
    for name in ("mkdir", "replace", "write_text", "read_text", "read_bytes", "iterdir"):
        monkeypatch.setattr(Path, name, disk.through(getattr(Path, name)))
    for name in ("copyfile", "copy2", "disk_usage"):
        monkeypatch.setattr(shutil, name, disk.through(getattr(shutil, name)))
    monkeypatch.setattr(filecmp, "cmp", disk.through(filecmp.cmp))
    plain = Path.open
    opened = disk.through(lambda *given, **more: File(plain(*given, **more), disk))
    monkeypatch.setattr(Path, "open", opened)
    return disk


def whole_run(folder: Path) -> str:
    """A run that writes everything that a run can."""
    record = Store(folder).start(RunInfo("A-1", "Demo 2x40", "acceptance"))
    log = record.message_log()
    log("supply", ">", "*IDN?")
    held = Reading("dc_offset", "V", 0.01, (Contribution(Source("gain"), 1e-3),))
    record.reading(decide(held, Limit(-0.05, 0.05), "guarded", "offset"))
    used = folder.parent / "sequence.toml"
    used.write_bytes(b"title = 'x'")
    kept = (
        record.keep(used),
        record.keep_text("bench.toml", "name = 'x'"),
        record.trace("sink", {"time_s": [0.0, 1.0], "rise_k": [0.0, 1.0]}),
        record.sound("left", np.zeros(16), 8000.0, 1.0),
    )
    assert all(path.stat().st_size and record.folder in path.parents for path in kept)
    record.finish(Disposition.ACCEPT, "all met")
    return record.run_id


def refused(disk: Disk, act: Callable[[], object]) -> dict[Site, str]:
    """What ``act`` says where the disk refuses it one thing, by the line that asked for it."""
    disk.asked.clear()
    act()
    said: dict[Site, str] = {}
    for site in list(disk.asked):
        disk.refuses = site
        try:
            act()
            said[site] = ""
        except RecordError as error:
            said[site] = str(error)
        finally:
            disk.refuses = None
    return said


def test_a_run_says_which_file_it_could_not_write_and_why(disk: Disk, tmp_path: Path) -> None:
    def done() -> None:
        folder = tmp_path / str(len(list(tmp_path.iterdir())))
        run_id = whole_run(folder)
        disk.refuses = None
        assert Store(folder).verify(run_id) == {run_id: ()}

    said = refused(disk, done)
    assert len(said) > 30
    for site, words in said.items():
        assert not words or (FULL in words and str(tmp_path) in words), site


def test_a_record_that_cannot_be_read_is_told_and_never_taken_for_a_whole_one(
    disk: Disk, tmp_path: Path
) -> None:
    run_id = whole_run(tmp_path / "a")

    def read() -> None:
        store = Store(tmp_path / "a")
        found = load_run(store.folder, run_id)
        if found.missing:
            raise RecordError(f"{FULL}: {found.missing}")
        assert [one.value for one in found.judged] == [0.01]
        assert found.judged[0].reading.budget and len(found.files) == 2
        assert list(read_trace(found.traces[0].path)) == ["time_s", "rise_k"]
        other = tmp_path / str(len(list(tmp_path.iterdir())))
        assert merge(other, store.folder).files > 5
        assert merge(other, store.folder).files == 0
        assert load_run(other, run_id).missing == ()

    said = refused(disk, read)
    assert len(said) > 8
    for site, words in said.items():
        assert not words or FULL in words, site
