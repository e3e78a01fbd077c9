"""The dialect of the LCUS-4 USB relay board (and LCUS-2, -8).

Read: the protocol as sellers and a public wiki print it: 9600 baud; four bytes: A0, the relay from
01, 00 for off and 01 for on, the sum of the three; on boards of two and more relays FF asks for the
state of each. From memory: the words of that answer ("CH1:OFF" and so on, one a line), read nowhere
in full. Nothing answers a switching message, and one with a wrong sum does nothing.
"""

from __future__ import annotations

from .base import Dialect


class LcusRelay(Dialect):
    def __init__(self, relays: int = 4) -> None:
        super().__init__()
        self.closed = [False] * relays
        self._rest = b""

    def receive(self, data: bytes) -> bytes:
        self._rest += data
        said = b""
        while self._rest:
            if self._rest[0] == 0xFF:
                self.received.append("FF")
                self._rest = self._rest[1:]
                said += b"" if self.mute else self._state()
            elif self._rest[0] != 0xA0:
                self._rest = self._rest[1:]  # noise
            elif len(self._rest) < 4:
                break
            else:
                self._switch(self._rest[:4])
                self._rest = self._rest[4:]
        return said

    def _state(self) -> bytes:
        states = (f"CH{n}:{'ON' if on else 'OFF'}\r\n" for n, on in enumerate(self.closed, 1))
        return "".join(states).encode()

    def _switch(self, message: bytes) -> None:
        self.received.append(message.hex(" ").upper())
        _, relay, on, total = message
        if sum(message[:3]) & 0xFF == total and 1 <= relay <= len(self.closed) and on in (0, 1):
            self.closed[relay - 1] = bool(on)
