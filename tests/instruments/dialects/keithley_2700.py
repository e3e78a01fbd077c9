"""The dialect of the Keithley 2700 with a 7709 matrix in slot 1.

Read: Model 2750 User's Manual (2750-900-01 Rev. F), pages 2-11, 2-19, 2-20, 2-30: ROUTe:MULTiple:
CLOSe and :OPEN touch the channels of their list alone, :CLOSe:STATe? answers 0 or 1 for each,
ROUTe:OPEN:ALL opens everything in the mainframe, ROUTe:CLOSe closes one measurement channel and
answers -222 for another; Model 2700 User's Manual, pages 10-15 to 10-17: several commands in a
message, answers between "; ", what follows an invalid command in a message is ignored, its error
-113; page 12-3: the identity. Model 7709 User's Manual, page 22: channels 1 to 8 are the columns on
row 1, 48 crossings in all, 49 and 50 the backplane. From memory: ranges in lists, the words of the
error queue (Model 2000 manual: "0, No error" when empty, here as 0,"No error").
"""

from __future__ import annotations

import re
from typing import ClassVar

from .base import Answer, Refused, Scpi, command

CHANNELS = [100 + n for n in range(1, 51)]


class Keithley2700(Scpi):
    idn: ClassVar[str] = "KEITHLEY INSTRUMENTS INC., MODEL 2700, 0000001, B09/A02"
    joins: ClassVar[bool] = True
    between: ClassVar[str] = "; "
    none: ClassVar[str] = '0,"No error"'

    def __init__(self) -> None:
        super().__init__()
        self.closed: set[int] = set()
        self.coils = True  # a test's way to break them

    def line(self, text: str) -> Answer:
        self._ignoring = False
        return super().line(text)

    def _do(self, message: str) -> Answer:
        if self._ignoring:
            return None
        try:
            return super()._do(message)
        except Refused:
            self._ignoring = True
            raise

    def _channels(self, text: str) -> list[int]:
        found = re.fullmatch(r"\(@([\d,:\s]+)\)", text)
        if not found:
            raise Refused('-102,"Syntax error"')
        channels: list[int] = []
        for part in found[1].split(","):
            first, _, last = part.strip().partition(":")
            channels += range(int(first), int(last or first) + 1)
        if not set(channels) <= set(CHANNELS):
            raise Refused('-222,"Parameter data out of range"')
        return channels

    @command("ROUTe:CLOSe")
    def close_one(self, text: str) -> Answer:
        channels = self._channels(text)
        if len(channels) != 1 or channels[0] > 108:
            raise Refused('-222,"Parameter data out of range"')
        self.closed = {channels[0], 150}  # and row 1 to the built-in meter
        return None

    @command("ROUTe:MULTiple:CLOSe")
    def close(self, text: str) -> Answer:
        self.closed |= set(self._channels(text)) if self.coils else set()
        return None

    @command("ROUTe:MULTiple:OPEN")
    def open(self, text: str) -> Answer:
        self.closed -= set(self._channels(text))
        return None

    @command("ROUTe:OPEN:ALL")
    def open_all(self, _: str) -> Answer:
        self.closed.clear()
        return None

    @command("ROUTe:MULTiple:CLOSe:STATe?")
    def is_closed(self, text: str) -> Answer:
        return ", ".join(str(int(n in self.closed)) for n in self._channels(text))
