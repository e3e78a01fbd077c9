"""The output queue: response bytes that wait to be read (IEEE 488.2, 6.1.10)."""

from __future__ import annotations

from collections import deque

from demo_sim.scpi.response import Buffer

_WINDOW = 4096


class OutputQueue:
    """Pieces of responses, handed on without joining them."""

    __slots__ = ("_pieces", "size")

    def __init__(self) -> None:
        self._pieces: deque[Buffer] = deque()
        self.size = 0

    def __bool__(self) -> bool:
        return self.size > 0

    def append(self, piece: Buffer) -> None:
        """Add bytes at the end; a memoryview must stay unchanged until read."""
        if len(piece):
            self._pieces.append(piece)
            self.size += len(piece)

    def clear(self) -> None:
        """Throw everything away."""
        self._pieces.clear()
        self.size = 0

    def read(self, most: int) -> bytes:
        """Up to ``most`` bytes, as many as there are."""
        pieces = self._pieces
        if len(pieces) == 1 and type(pieces[0]) is bytes and len(pieces[0]) <= most:
            self.size = 0
            return pieces.popleft()  # type: ignore[return-value]
        taken: list[Buffer] = []
        wanted = most
        while pieces and wanted > 0:
            piece = pieces[0]
            if len(piece) <= wanted:
                taken.append(pieces.popleft())
                wanted -= len(piece)
            else:
                # A view, so that a long block read in small chunks is not copied each time.
                view = memoryview(piece)
                taken.append(view[:wanted])
                pieces[0] = view[wanted:]
                wanted = 0
        self.size -= most - wanted
        return bytes(taken[0]) if len(taken) == 1 else b"".join(taken)

    def read_until(self, last: int, most: int) -> bytes:
        """Up to ``most`` bytes, but not beyond the first byte equal to ``last``."""
        pieces = self._pieces
        first = pieces[0] if pieces else b""
        if type(first) is bytes and first.find(last) == len(first) - 1 < most:
            self.size -= len(first)  # the usual case: a short response up to its terminator
            return pieces.popleft()  # type: ignore[return-value]
        seen = 0
        for piece in pieces:
            start = 0
            while start < len(piece) and seen < most:
                # A memoryview cannot be searched; a window at a time keeps the copies small.
                window = bytes(piece[start : start + _WINDOW])
                at = window.find(last)
                if at >= 0:
                    return self.read(min(most, seen + at + 1))
                seen += len(window)
                start += len(window)
        return self.read(most)

    def drain(self) -> list[Buffer]:
        """All pieces, for a link that sends them on at once."""
        pieces = list(self._pieces)
        self.clear()
        return pieces
