"""The dialect of the Keysight (HP, Agilent) 34970A with a 34903A actuator in slot 1 and a 34904A
matrix in slot 2.

Read: HP 34970A User's Guide, chapter 5, "Switch Control Commands" (pages 257 and 259: ROUTe:CLOSe
(@...), :EXCLusive, CLOSe? answering 1 or 0, ROUTe:OPEN (@...); several channels of a matrix may be
closed at the same time). From memory: slot and channel as sxx, row and column of the matrix as
digits, ranges in channel lists, SYSTem:CPON to reset a module, the identity, +0,"No error".
Several commands share a message.
"""

from __future__ import annotations

import re
from typing import ClassVar

from .base import Answer, Refused, Scpi, command

ACTUATOR = [100 + n for n in range(1, 21)]
MATRIX = [200 + 10 * row + column for row in range(1, 5) for column in range(1, 9)]


class Keysight34970a(Scpi):
    idn: ClassVar[str] = "HEWLETT-PACKARD,34970A,0,13-2-2"
    joins: ClassVar[bool] = True
    none: ClassVar[str] = '+0,"No error"'

    def __init__(self) -> None:
        super().__init__()
        self.closed: set[int] = set()

    def _channels(self, text: str) -> list[int]:
        found = re.fullmatch(r"\(@([\d,:\s]+)\)", text)
        if not found:
            raise Refused('-102,"Syntax error"')
        channels: list[int] = []
        for part in found[1].split(","):
            first, _, last = part.strip().partition(":")
            wanted = range(int(first), int(last or first) + 1)
            known = [n for n in (*ACTUATOR, *MATRIX) if n in wanted]
            if not known or int(first) not in known:
                raise Refused('+305,"Not able to perform requested operation"')
            channels += known
        return channels

    @command("SYSTem:CPON")
    def reset(self, text: str) -> Answer:
        slot = self.one_of(text, "ALL", "100", "200", "300")
        if slot == "ALL":
            self.closed.clear()
        self.closed = {n for n in self.closed if n // 100 * 100 != int(slot.replace("ALL", "0"))}
        return None

    @command("ROUTe:CLOSe")
    def close(self, text: str) -> Answer:
        self.closed |= set(self._channels(text))
        return None

    @command("ROUTe:OPEN")
    def open(self, text: str) -> Answer:
        self.closed -= set(self._channels(text))
        return None

    @command("ROUTe:CLOSe?")
    def is_closed(self, text: str) -> Answer:
        return ",".join(str(int(n in self.closed)) for n in self._channels(text))

    @command("ROUTe:OPEN?")
    def is_open(self, text: str) -> Answer:
        return ",".join(str(int(n not in self.closed)) for n in self._channels(text))
