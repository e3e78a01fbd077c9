"""The dialect of the GW Instek GPD-3303S on its virtual serial port.

Read: GPD-X303S Series User Manual, page 46 (command form, line feed after commands, carriage return
after answers, error messages, 15 characters at most); GPD-3303 Series User Manual, pages 37 to 42
(commands, no case; STATUS? as 8 bits). The two manuals differ in the place of the output's bit:
bit 5 (X303S) is what a public driver tried on hardware takes, and what is spoken here; character n
of the answer is bit n. The same sources show "No Error." and, from firmware 2 on, "\\r\\n".
Both outputs are switched together. There are no protection levels and no trip query.
"""

from __future__ import annotations

import re
from typing import ClassVar

from .base import Answer, Lines, Refused
from .loaded import Output


class GwInstekGpd3303s(Lines):
    ends: ClassVar[bytes] = b"\n"

    def __init__(self, ohms: float = 30.0, firmware: int = 1) -> None:
        super().__init__()
        self.answers_end = b"\r" if firmware < 2 else b"\r\n"
        self.output = [Output(ohms=ohms), Output(ohms=ohms)]
        self.firmware = firmware
        self._error = "No Error."

    def line(self, text: str) -> Answer:
        try:
            if len(text) > 15:
                raise Refused("Program mnemonic too long.")
            if re.search(r"[^\w?:.*]", text):
                raise Refused("Invalid character.")
            return self._do(text.upper())
        except Refused as problem:
            self._error = str(problem)
            return None

    def _do(self, text: str) -> Answer:
        if text == "*IDN?":
            return f"GW INSTEK,GPD-3303S,SN:EL000001,V{self.firmware}.00"
        if text == "ERR?":
            told, self._error = self._error, "No Error."
            return told
        if text == "STATUS?":
            one, two = self.output
            bits = (not one.limited, not two.limited, 0, 1, 0, one.on, 1, 0)
            return "".join(str(int(bit)) for bit in bits)
        if found := re.fullmatch(r"([VI])(SET|OUT)([12])\?", text):
            return self._read(found[1], found[2], self.output[int(found[3]) - 1])
        if found := re.fullmatch(r"([VI])SET([12]):(.*)", text):
            return self._set(found[1], self.output[int(found[2]) - 1], found[3])
        if found := re.fullmatch(r"OUT([01])", text):
            for output in self.output:
                output.on = found[1] == "1"
            return None
        if re.fullmatch(r"(BEEP[01]|TRACK[012]|LOCAL)", text):
            return None
        raise Refused("Undefined header.")

    def _set(self, what: str, output: Output, value: str) -> Answer:
        if not value:
            raise Refused("Missing parameter.")
        if not re.fullmatch(r"\d*\.?\d+", value):
            raise Refused("Invalid character.")
        if float(value) > (32.0 if what == "V" else 3.2):
            raise Refused("Data out of range.")
        if what == "V":
            output.volts = float(value)
        else:
            output.amperes = float(value)
        return None

    def _read(self, what: str, which: str, output: Output) -> Answer:
        if what == "V":
            return f"{output.volts if which == 'SET' else output.voltage:.3f}V"
        return f"{output.amperes if which == 'SET' else output.current:.3f}A"
