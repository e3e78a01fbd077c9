"""The dialect of the Agilent (HP) 34401A on its RS-232 port.

Read: Agilent 34401A User's Guide, pages 149 to 151 (RS-232 frames, DTR/DSR handshake: the answer to
a query should be read before more is sent, and a line feed ends a command string), 118 (CONFigure)
and 159 (answers end with carriage return and line feed on RS-232). From memory: 9600 baud, even
parity, 7 data bits and 2 stop bits as delivered; SYSTem:REMote before anything that measures, or
error 550, "Command not allowed in local"; ranges of 10 mA to 3 A. No temperature.
"""

from __future__ import annotations

from typing import ClassVar

from .base import Answer, Refused, command
from .keysight_34461a import Keysight34461a


class Agilent34401a(Keysight34461a):
    idn: ClassVar[str] = "HEWLETT-PACKARD,34401A,0,11-5-2"
    none: ClassVar[str] = '+0,"No error"'

    def __init__(self) -> None:
        super().__init__()
        self.answers_end = b"\r\n"
        self.remote = False

    def _do(self, message: str) -> Answer:
        free = ("*", "SYST", "SYSTEM", ":SYST", ":SYSTEM")
        if not self.remote and not message.upper().startswith(free):
            raise Refused('+550,"Command not allowed in local"')
        if "TEMP" in message.upper():
            raise Refused(self.undefined)
        return super()._do(message)

    @command("SYSTem:REMote")
    def go_remote(self, _: str) -> Answer:
        self.remote = True
        return None

    @command("SYSTem:LOCal")
    def go_local(self, _: str) -> Answer:
        self.remote = False
        return None
