"""An append-only CSV table (RFC 4180) that several processes may write at once.

Every append is one locked write of whole lines, followed by a sync to the disk, so that what was
shown to somebody is still there after a power cut. A cut in the middle of a write leaves a torn
last line; readers pass it over, and the next append puts it aside (``torn-lines.txt``) before it
writes, so that complete rows are never touched and no row is ever glued to a fragment.
"""

from __future__ import annotations

import csv
import io
import os
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, NamedTuple, TypeVar

from filelock import FileLock, Timeout

from seqrun.record.cells import utc
from seqrun.record.errors import RecordError, RecordLocked, from_os
from seqrun.record.plain import opened

T = TypeVar("T")

LOCK_NAME = ".lock"
TORN_NAME = "torn-lines.txt"
LOCK_TIMEOUT_S = 60.0  # a writer holds the lock for milliseconds; a merge, for some seconds
_POLL_S = 0.005
_LOOK_S = 0.25  # between two looks at what else there is to look after
_BLOCK = 1 << 16
_BOM = b"\xef\xbb\xbf"  # spreadsheets put it in front when they save as UTF-8

LONGEST_CELL = 1 << 24  # characters; the library's own limit, 131072, is less than a long note


class Patience(NamedTuple):
    """How long to wait for the lock, and what to look at meanwhile: what ``meanwhile`` raises ends
    the waiting."""

    seconds: float
    meanwhile: Callable[[], None]


class Lock:
    """The right to write to one results folder. Reentrant; holds between processes and threads."""

    def __init__(self, folder: Path, timeout_s: float = LOCK_TIMEOUT_S) -> None:
        self._folder = folder
        self._timeout_s = timeout_s
        self._threads = threading.RLock()
        self._lock = FileLock(folder / LOCK_NAME, thread_local=False)

    @contextmanager
    def __call__(self, patience: Patience | None = None) -> Iterator[None]:
        """Hold the lock.

        Args:
            patience: of a writer that has something else to look after.

        Raises:
            RecordLocked: another writer does not let go of it.
            RecordError: the folder takes no lock.
        """
        with self._threads:
            try:
                self._acquire(patience or Patience(self._timeout_s, nothing))
            except OSError as error:
                raise from_os(error, self._folder, "locking the record") from error
            except NotImplementedError as error:
                raise RecordError(
                    "this disk cannot lock files, so two benches could overwrite each other",
                    where=str(self._folder),
                    hint="choose a --results folder on a local disk",
                ) from error
            try:
                yield
            finally:
                self._lock.release()

    def _acquire(self, patience: Patience) -> None:
        until = time.monotonic() + patience.seconds
        while True:
            left = until - time.monotonic()
            try:
                self._lock.acquire(timeout=max(min(left, _LOOK_S), 0.0), poll_interval=_POLL_S)
            except Timeout:
                if time.monotonic() < until:
                    patience.meanwhile()
                    continue
                raise RecordLocked(
                    f"another program has kept the record locked for {patience.seconds:g} s",
                    where=str(self._folder / LOCK_NAME),
                    hint="see which seqrun hangs there, and end it",
                ) from None
            return


def nothing() -> None:
    """Nothing else to look after."""


def anything(row: Sequence[str]) -> bool:
    """Takes every row."""
    return True


def encode(rows: Iterable[Sequence[str]]) -> bytes:
    """Rows as RFC 4180 text in UTF-8, each with its line end CR LF."""
    buffer = io.StringIO(newline="")
    csv.writer(buffer, lineterminator="\r\n").writerows(rows)
    return buffer.getvalue().encode("utf-8")


class Table:
    """One CSV file with fixed columns."""

    def __init__(self, path: Path, columns: Sequence[str], lock: Lock) -> None:
        self.path = path
        self.columns = tuple(columns)
        self.lock = lock
        self._header = encode([self.columns])

    def append(self, rows: Iterable[Sequence[str]], patience: Patience | None = None) -> int:
        """Add rows and see them onto the disk, all or none.

        Returns:
            Where they begin in the file, bytes.

        Raises:
            RecordLocked: another program did not let go of the record; nothing was written.
            RecordError: the disk is full, the file may not be written, or it has other columns.
        """
        data = encode(rows)
        with self.lock(patience):
            try:
                with self.path.open("a+b", buffering=0) as file:
                    return self._append(file, data)
            except OSError as error:
                raise from_os(error, self.path, "writing the record") from error

    def _append(self, file: BinaryIO, data: bytes) -> int:
        size = file.seek(0, os.SEEK_END)
        if size:
            size = self._whole(file, size)
        begin = size
        if not size:
            data, begin = self._header + data, len(self._header)
        try:
            view = memoryview(data)
            while view:
                view = view[file.write(view) :]
            os.fsync(file.fileno())
        except OSError:
            with suppress(OSError):  # nothing of it, rather than a torn line
                file.truncate(size)
            raise
        if size == 0:
            sync_folder(self.path.parent)
        return begin

    def _whole(self, file: BinaryIO, size: int) -> int:
        """Size of the file up to its last whole line, after putting a torn one aside."""
        file.seek(0)
        start = file.read(_BLOCK)
        header, end, _ = start.partition(b"\n")
        if end:
            self._check_header(header)
        elif not self._header.startswith(start.rstrip(b"\0")):
            self._check_header(start)
        file.seek(size - 1)
        if file.read(1) == b"\n":
            return size
        begin = _line_start(file, size)
        file.seek(begin)
        fragment = file.read(size - begin)
        if begin and self._is_complete(fragment):
            # only its line end is missing: a cut at the last byte, or an editor's habit
            return size + file.write(b"\n" if fragment.endswith(b"\r") else b"\r\n")
        self._put_aside(fragment)
        file.truncate(begin)
        return begin

    def _put_aside(self, fragment: bytes) -> None:
        kept = fragment.rstrip(b"\0").decode("utf-8", "backslashreplace")
        if not kept or self._header.decode().startswith(kept):
            return  # nothing of worth: a torn header is written anew
        with (self.path.parent / TORN_NAME).open("a", encoding="utf-8") as aside:
            aside.write(f"{utc(datetime.now(UTC))} {self.path.name}: {kept!r}\n")
            aside.flush()
            os.fsync(aside.fileno())

    def _is_complete(self, fragment: bytes) -> bool:
        return self._parse_last(fragment) is not None

    def _parse_last(self, fragment: bytes) -> list[str] | None:
        """The cells of a last line without its line end; None when it is torn."""
        if b"\0" in fragment:
            return None
        try:
            line = fragment.decode("utf-8").removesuffix("\r")
            rows = list(csv.reader([line], strict=True))
        except (UnicodeDecodeError, csv.Error):
            return None
        return rows[0] if rows and len(rows[0]) == len(self.columns) else None

    def _check_header(self, line: bytes) -> None:
        found = line.removeprefix(_BOM).rstrip(b"\r\n")
        if found == self._header.rstrip(b"\r\n"):
            return
        shown = found[:80].decode("utf-8", "backslashreplace")
        raise RecordError(
            f"the table has other columns: {shown!r}",
            expected=", ".join(self.columns),
            where=str(self.path),
            hint="move the file away, or choose another --results folder",
        )

    def rows(self, wanted: str | None = None, *, begin: int = 0) -> Iterator[tuple[int, list[str]]]:
        """Line number and cells of each whole row; with ``wanted``, of rows that begin with it.

        A file that is not there has no rows. A torn last line is passed over.

        Args:
            begin: bytes into the file; what stands before is passed over and not counted, when a
                line begins there, and nothing is when none does.

        Raises:
            RecordError: the file cannot be read, has other columns, or a row does not fit them.
        """
        # Another program may have put quotes around what needs none.
        prefix = None
        if wanted is not None:
            prefix = encode([[wanted, ""]]).rstrip(b"\r\n"), f'"{wanted}",'.encode()
        width = len(self.columns)
        numbers: list[int] = [1]  # of the line that the reader got last
        for row in self._cells(prefix, numbers, begin):
            if len(row) == width:
                yield numbers[0], row
            elif row:
                raise RecordError(
                    f"line {numbers[0]} has {len(row)} cells",
                    expected=f"{width} cells",
                    where=str(self.path),
                    hint="it was edited by hand: mend that line",
                )

    def _cells(
        self, prefix: tuple[bytes, ...] | None, numbers: list[int], begin: int
    ) -> Iterator[list[str]]:
        csv.field_size_limit(LONGEST_CELL)
        try:
            yield from csv.reader(self._lines(prefix, numbers, begin))
        except csv.Error as error:
            raise RecordError(
                f"line {numbers[0]}: {error}",
                expected=f"cells of at most {LONGEST_CELL} characters",
                where=str(self.path),
                hint="it was edited by hand: mend that line",
            ) from error

    def parsed(
        self,
        parse: Callable[[Sequence[str]], T],
        wanted: str | None = None,
        *,
        only: Callable[[Sequence[str]], bool] = anything,
    ) -> Iterator[T]:
        """Each row as a value, of those whose cells ``only`` takes.

        Raises:
            RecordError: as for :meth:`rows`, and when a cell does not hold what its column says.
        """
        return self.taken_apart(parse, (of for of in self.rows(wanted) if only(of[1])))

    def taken_apart(
        self, parse: Callable[[Sequence[str]], T], rows: Iterable[tuple[int, list[str]]]
    ) -> Iterator[T]:
        """Rows of this table, each with its line number, as values.

        Raises:
            RecordError: a cell does not hold what its column says.
        """
        for number, row in rows:
            try:
                yield parse(row)
            except ValueError as error:
                raise RecordError(
                    f"line {number}: {error}",
                    where=str(self.path),
                    hint="it was edited by hand: mend that line",
                ) from error

    def torn_at(self) -> int | None:
        """Where a torn last line begins, in bytes; 0 also when nothing is there; None: whole.

        Raises:
            RecordError: the file cannot be read or has other columns.
        """
        try:
            with opened(self.path) as file:
                first = file.readline()
                if not first.endswith(b"\n"):
                    return 0
                self._check_header(first)
                size = file.seek(0, os.SEEK_END)
                file.seek(size - 1)
                if file.read(1) == b"\n":
                    return None
                begin = _line_start(file, size)
                file.seek(begin)
                return None if self._is_complete(file.read()) else begin
        except FileNotFoundError:
            return 0
        except OSError as error:
            raise from_os(error, self.path, "reading the record") from error

    def _lines(
        self, prefix: tuple[bytes, ...] | None, numbers: list[int], begin: int
    ) -> Iterator[str]:
        try:
            with opened(self.path) as file:
                first = file.readline()
                if not first.endswith(b"\n"):
                    return  # nothing, or a torn header
                self._check_header(first)
                _pass_over(file, begin)
                for number, line in enumerate(file, 2):
                    if prefix is not None and not line.startswith(prefix):
                        continue
                    if line[-1:] != b"\n" and not self._is_complete(line):
                        return
                    numbers[0] = number
                    yield line.decode("utf-8", "backslashreplace")
        except FileNotFoundError:
            return
        except OSError as error:
            raise from_os(error, self.path, "reading the record") from error


def _pass_over(file: BinaryIO, begin: int) -> None:
    """Go on to ``begin`` from where the file is; nowhere, when no line begins there."""
    here = file.tell()
    if begin > here:
        file.seek(begin - 1)
        if file.read(1) != b"\n":
            file.seek(here)


def _line_start(file: BinaryIO, size: int) -> int:
    """Where the last line begins, in a file that does not end in a line end."""
    end = size
    while end:
        begin = max(0, end - _BLOCK)
        file.seek(begin)
        at = file.read(end - begin).rfind(b"\n")
        if at >= 0:
            return begin + at + 1
        end = begin
    return 0


def sync_folder(folder: Path) -> None:
    """See a new file's name onto the disk too, where the system can."""
    with suppress(OSError):  # some systems cannot open folders
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
