"""The dialect of the Rigol DM3058 in its own command set.

Read: Programming Guide for DM3058/DM3058E, page 3-46 (:RATE:VOLTage:DC {F|M|S}, valid only while
its function is on; 2.5, 20 and 123 readings a second). From memory, with public single-instrument
drivers agreeing: :FUNCtion:..., :MEASure:<function> <range number> and :MEASure:<function>?,
:CMDSET RIGOL. The function stands in the read command itself. The guide's own set has no error
queue: what it does not have is answered by silence.
"""

from __future__ import annotations

import math
import re

from .base import Answer, Lines, header

_FUNCTIONS = {
    "VOLTage:DC": (0.2, 2.0, 20.0, 200.0, 1000.0),
    "VOLTage:AC": (0.2, 2.0, 20.0, 200.0, 750.0),
    "CURRent:DC": (0.0002, 0.002, 0.02, 0.2, 2.0, 10.0),
    "RESistance": (200.0, 2e3, 2e4, 2e5, 2e6, 1e7, 1e8),
    "FRESistance": (200.0, 2e3, 2e4, 2e5, 2e6, 1e7, 1e8),
}


class RigolDm3058(Lines):
    def __init__(self) -> None:
        super().__init__()
        self.inputs = dict(zip(_FUNCTIONS, (1.23456, 2.5, 0.05, 8.1, 8.01), strict=True))
        self.function = "VOLTage:DC"
        self.range: dict[str, int] = {}
        self.rate = dict.fromkeys(_FUNCTIONS, "S")
        self.set = "RIGOL"

    def line(self, text: str) -> Answer:
        if text == "*IDN?":
            return "Rigol Technologies,DM3058E,DM3R000000001,01.01.00.02.02.00"
        if text.upper() == "CMDSET RIGOL":
            return None
        for function in _FUNCTIONS:
            name = header(function).removeprefix(":?")
            if re.fullmatch(rf":?FUNC(?:tion)?:{name}", text, re.IGNORECASE):
                self.function = function
                return None
            if re.fullmatch(rf":?MEAS(?:ure)?:{name}\?", text, re.IGNORECASE):
                return self._read(function)
            if found := re.fullmatch(rf":?MEAS(?:ure)?:{name} (\d)", text, re.IGNORECASE):
                return self._set_range(function, int(found[1]))
            if found := re.fullmatch(rf":?RATE:{name} ([FMS])", text, re.IGNORECASE):
                if function == self.function:
                    self.rate[function] = found[1].upper()
                return None
        if re.fullmatch(r":?MEAS(?:ure)? AUTO", text, re.IGNORECASE):
            self.range.pop(self.function, None)
        return None

    def _set_range(self, function: str, number: int) -> Answer:
        if number < len(_FUNCTIONS[function]):
            self.function = function
            self.range[function] = number
        return None

    def _read(self, function: str) -> Answer:
        self.function = function  # asking for a function changes to it
        value = self.inputs[function]
        held = self.range.get(function)
        full = math.inf if held is None else _FUNCTIONS[function][held]
        return f"{9.9e37 if abs(value) > 1.2 * full else value:.6e}"
