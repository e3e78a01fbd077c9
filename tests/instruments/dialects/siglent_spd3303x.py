"""The dialect of the Siglent SPD3303X family over its raw socket.

Read: SPD3000X Quick Start, section 3.1 (syntax: capitals are the short form, anything else
"will generate an error"); its table of SYSTem:STATus? (hexadecimal, bits 0 to 9) and its commands
as copied into public single-instrument drivers; "0  No Error" from the error query of the same
command set under another name. From memory: the words of the errors. No protection levels, no trip
query; the third output is switched only, and read back by nothing.
"""

from __future__ import annotations

from typing import ClassVar

from .base import Answer, Commands, Refused, command
from .loaded import Output


class SiglentSpd3303x(Commands):
    undefined: ClassVar[str] = "1  Command error"
    range_error: ClassVar[str] = "3  Parameter error"
    none: ClassVar[str] = "0  No Error"

    def __init__(self, ohms: float = 30.0) -> None:
        super().__init__()
        self.output = [Output(ohms=ohms), Output(ohms=ohms), Output(volts=5.0, amperes=3.2)]

    def _channel(self, text: str, last: int = 2) -> int:
        word = text.strip().upper()
        if not (word.startswith("CH") and word[2:].isdigit() and 1 <= int(word[2:]) <= last):
            raise Refused(self.range_error)
        return int(word[2:]) - 1

    @command("*IDN?")
    def identity(self, _: str) -> Answer:
        return "Siglent Technologies,SPD3303X-E,SPD3XXXXXXXXX1,1.01.01.02.05,V3.0"

    @command("CH<n>:VOLTage")
    def voltage(self, n: str, text: str) -> Answer:
        self.output[self._channel(f"CH{n}")].volts = self.number(text, 0.0, 32.0)
        return None

    @command("CH<n>:CURRent")
    def current(self, n: str, text: str) -> Answer:
        self.output[self._channel(f"CH{n}")].amperes = self.number(text, 0.0, 3.2)
        return None

    @command("OUTPut")
    def switch(self, text: str) -> Answer:
        channel, comma, word = text.partition(",")
        if not comma:
            raise Refused(self.range_error)
        self.output[self._channel(channel, 3)].on = self.one_of(word, "ON", "OFF") == "ON"
        return None

    @command("OUTPut:TRACK")
    def track(self, text: str) -> Answer:
        if text not in ("0", "1", "2"):
            raise Refused(self.range_error)
        return None

    @command("MEASure:VOLTage?")
    def measured_voltage(self, text: str) -> Answer:
        return f"{self.output[self._channel(text)].voltage:.3f}"

    @command("MEASure:CURRent?")
    def measured_current(self, text: str) -> Answer:
        return f"{self.output[self._channel(text)].current:.3f}"

    @command("SYSTem:STATus?")
    def status(self, _: str) -> Answer:
        one, two, _third = self.output
        word = one.limited | two.limited << 1 | 0b01 << 2 | one.on << 4 | two.on << 5
        return f"0x{word:x}"

    @command("SYSTem:ERRor?")
    def error(self, _: str) -> Answer:
        return self.next_error()
