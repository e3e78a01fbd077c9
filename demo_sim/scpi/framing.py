"""Where one program message ends and the next begins, in a stream of bytes.

A message ends with NL, with the link's END, or both (IEEE 488.2, 7.5.2). Blocks hide NL bytes,
so the scan has to know about them:

* definite-length block (``#`` and a digit 1…9, where data may begin): its bytes are skipped;
* indefinite block (``#0``): ends only with END (7.7.6.2). A link without END (a raw socket)
  cannot say where it ends, so there the first NL does.

One deliberate departure: NL also ends a message inside a quoted string, where 7.7.5.2 would let
it stand as a character. A raw socket has no END, and a forgotten quote would swallow every
later message; ended here it is a −151 that tells what went wrong.
"""

from __future__ import annotations

import re
from typing import Final

_SPECIAL = re.compile(rb"[\n#\"']")
_BEFORE_DATA = frozenset(b" \t,")


class Overrun:
    """Stands in the list of messages for one that was longer than the input allows."""


OVERRUN: Final = Overrun()


class MessageFramer:
    """Collects fragments of any size; gives whole messages without their terminator.

    Args:
        longest: bytes of a message that are kept; a longer one is thrown away up to its end and
            reported as ``OVERRUN``.
    """

    def __init__(self, longest: int = 16 << 20) -> None:
        self._longest = longest
        self._buffer = bytearray()
        self.clear()

    def clear(self) -> None:
        """Forget a message that was begun (device clear)."""
        self._buffer.clear()
        self._scan = 0
        self._quote = 0
        self._skip = 0  # bytes of an oversized block still to be thrown away
        self._discarding = False
        self.idle = True  # no message has been begun

    @property
    def pending(self) -> int:
        """Bytes of a message that has not ended yet."""
        return len(self._buffer)

    def feed(self, data: bytes, end: bool = False) -> list[bytes | Overrun]:
        """The messages that are complete now; ``end``: the link says END after these bytes."""
        if not self._buffer and not self._discarding and b"#" not in data:
            newline = data.find(b"\n")
            if newline == len(data) - 1 and newline >= 0 and newline <= self._longest:
                return [data[:-1]]  # one whole message in one piece: nearly always
            if newline < 0 and end and 0 < len(data) <= self._longest:
                return [data]
        found: list[bytes | Overrun] = []
        self._buffer += data
        try:
            self._collect(found, end)
        finally:
            self.idle = not self._buffer and not self._discarding
        return found

    def _collect(self, found: list[bytes | Overrun], end: bool) -> None:
        while True:
            if self._discarding and not self._discard(end):
                break
            stop = self._find_end(end)
            # Without an end yet: what is there, or where a block that was begun will end.
            known = max(len(self._buffer), self._scan) if stop is None else stop
            if known > self._longest:
                self._begin_discarding()
                found.append(OVERRUN)
                continue
            if stop is None:
                break
            found.append(bytes(memoryview(self._buffer)[:stop]))
            self._advance(stop + 1)
        if end and self._buffer:
            found.append(bytes(self._buffer))
            self._advance(len(self._buffer))

    def _advance(self, count: int) -> None:
        del self._buffer[:count]
        self._scan = 0
        self._quote = 0

    def _begin_discarding(self) -> None:
        self._discarding = True
        # A block that announced more than is kept: throw away what it announced, and resume
        # behind it, rather than take its data for commands.
        self._skip = max(0, self._scan - len(self._buffer))
        if self._skip:
            self._buffer.clear()
        self._scan = 0
        self._quote = 0

    def _discard(self, end: bool) -> bool:
        """Throw away up to the end of an oversized message; ``True`` when it was reached."""
        skipped = min(self._skip, len(self._buffer))
        del self._buffer[:skipped]
        self._skip -= skipped
        newline = -1 if self._skip else self._buffer.find(b"\n")
        if newline < 0 and not end:
            if not self._skip:
                self._buffer.clear()
            return False
        del self._buffer[: newline + 1 if newline >= 0 else len(self._buffer)]
        self._skip = 0
        self._discarding = False
        return True

    def _find_end(self, end: bool) -> int | None:
        buffer = self._buffer
        while self._scan < len(buffer):
            found = _SPECIAL.search(buffer, self._scan)
            if found is None:
                self._scan = len(buffer)
                return None
            at, byte = found.start(), buffer[found.start()]
            if byte == 0x0A:
                return at
            self._scan = at + 1
            if self._quote:
                if byte == self._quote:
                    self._quote = 0
            elif byte != 0x23:
                self._quote = byte
            elif at == 0 or buffer[at - 1] in _BEFORE_DATA:
                stop = self._behind_block(at, end)
                if stop is None:
                    self._scan = at  # not enough of the block's head yet: look again later
                    return None
                self._scan = stop
                if stop > self._longest:
                    return None
        return None

    def _behind_block(self, at: int, end: bool) -> int | None:
        buffer = self._buffer
        if at + 1 >= len(buffer):
            return at + 1 if end else None
        digits = buffer[at + 1] - 0x30
        if digits == 0 and end:
            stop = len(buffer)
            return stop - 1 if buffer.endswith(b"\n") else stop
        if not 1 <= digits <= 9:
            return at + 1
        head = bytes(buffer[at + 2 : at + 2 + digits])
        if head and not head.isdigit():
            return at + 1
        if len(head) < digits:
            return at + 1 if end else None
        return at + 2 + digits + int(head)
