"""Definite-length blocks (IEEE 488.2, 8.7.9): ``#``, a digit, that many digits, that many bytes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

LARGEST = 1 << 29  # bytes; more than any instrument holds
CHUNK = 20 * 1024  # bytes asked for at once when the length of an answer is not known

Read = Callable[[int], tuple[bytes, Any]]
_DIGITS = frozenset(b"%d" % n for n in range(1, 10))


class NoBlock(Exception):
    """What came instead of a block, as text."""

    def __init__(self, data: bytes) -> None:
        text = bytes(data[:120]).decode("latin-1").rstrip("\r\n")
        super().__init__(text + ("…" if len(data) > 120 else ""))


class Block(NamedTuple):
    """A block inside the bytes that came; nothing is copied."""

    whole: bytes
    start: int
    length: int

    @property
    def data(self) -> memoryview:
        return memoryview(self.whole)[self.start : self.start + self.length]


HEADER = 1000  # bytes that may stand before a block: some tell all their settings there


def from_stream(read: Read, terminator: int, header: bool = False) -> Block:
    """A block from a link without END, piece by piece by exact lengths.

    Args:
        read: reads up to so many bytes.
        terminator: how many bytes follow the block.
        header: something may stand before the ``#``; it is read and left.

    Raises:
        NoBlock: something else came; bytes of it may still be on their way.
    """
    begin = _exactly(read, 2)
    if header:
        skipped = b""
        while begin[:1] != b"#":
            skipped += begin[:1]
            if len(skipped) > HEADER:
                raise NoBlock(skipped + begin[1:])
            begin = begin[1:] + _exactly(read, 1)
    _begins(begin)
    digits = _exactly(read, int(begin[1:]))
    length = _length(begin, digits)
    data = _exactly(read, length) if length else b""
    if terminator:
        _exactly(read, terminator)
    return Block(data, 0, length)


def to_end(read: Read, more: Any, expected_bytes: int, header: bool = False) -> Block:
    """A block from a link that says where a message ends.

    Args:
        read: reads up to so many bytes, and gives a status.
        more: the status that says that the message goes on.
        expected_bytes: a guess at its length.
        header: something may stand before the ``#``; it is left.

    Raises:
        NoBlock: something else came, or less than was announced.
    """
    ask = max(CHUNK, min(expected_bytes + 64, LARGEST))
    data, status = read(ask)
    if status == more:
        parts = [data]
        while status == more:
            data, status = read(ask)
            parts.append(data)
        data = b"".join(parts)
    if header:
        data = data[max(0, data[: HEADER + 1].find(b"#")) :]
    _begins(data)
    start = 2 + int(data[1:2])
    length = _length(data[:2], data[2:start])
    if len(data) < start + length:
        raise NoBlock(b"%s and %d bytes" % (bytes(data[:start]), len(data) - start))
    return Block(data, start, length)


def _exactly(read: Read, count: int) -> bytes:
    data, _ = read(count)
    if len(data) == count:
        return data
    parts, missing = [data], count - len(data)
    while missing:
        data, _ = read(missing)
        parts.append(data)
        missing -= len(data)
    return b"".join(parts)


def _begins(data: bytes) -> None:
    if data[:1] != b"#" or bytes(data[1:2]) not in _DIGITS:
        raise NoBlock(data)


def _length(begin: bytes, digits: bytes) -> int:
    if not digits.isdigit() or int(digits) > LARGEST:
        raise NoBlock(begin + digits)
    return int(digits)
