"""The dialect of the Owon XDM1041 on its USB serial port.

Read: XDM2041 Digital Multimeter Programming Manual, its contents (FUNCtion[1|2], TEMPerature:RTD);
a public reference of the XDM1241 tried on firmware 4.3.0 (115200 8N1, line feeds, MEAS1?, RATE,
RANGE?, AUTO1?, writes answered "OK" or "nOK" since firmware 2.5.2021, commands of the SCPI tree
that it lacks time out in silence). From memory: the CONFigure forms and their ranges, the overload
value. No error queue, no four-wire ohms. ``acknowledges=False`` is the older firmware.
"""

from __future__ import annotations

import re

from .base import Answer, Lines

_RANGES = {
    "VOLT:DC": ("50E-3", "500E-3", "5", "50", "500", "1000"),
    "VOLT:AC": ("500E-3", "5", "50", "500", "750"),
    "CURR:DC": ("500E-6", "5E-3", "50E-3", "500E-3", "5", "10"),
    "RES": ("500", "5E3", "50E3", "500E3", "5E6", "50E6"),
}
_LONG = {"VOLTAGE": "VOLT", "CURRENT": "CURR", "RESISTANCE": "RES", "TEMPERATURE": "TEMP"}


class OwonXdm1041(Lines):
    def __init__(self, acknowledges: bool = True) -> None:
        super().__init__()
        self.acknowledges = acknowledges
        self.inputs = {"VOLT:DC": 1.2345, "VOLT:AC": 2.5, "CURR:DC": 0.05, "RES": 8.15}
        self.inputs |= {"TEMP:RTD": 24.5}
        self.function = "VOLT:DC"
        self.range = ""  # "": auto
        self.rate = "S"

    def line(self, text: str) -> Answer:
        words = text.strip().upper()
        if words.endswith("?"):
            return self._ask(words)
        done = self._do(words)
        return ("OK" if done else "nOK") if self.acknowledges else None

    def _ask(self, words: str) -> Answer:
        if words == "*IDN?":
            return f"OWON,XDM1041,24000001,V{'4.3.0' if self.acknowledges else '2.1.2'},3"
        if words in ("MEAS?", "MEAS1?"):
            return self._reading()
        if words in ("FUNC?", "FUNC1?"):
            return '"' + self.function.removesuffix(":DC").replace(":", " ") + '"'
        if words == "RATE?":
            return self.rate
        if words == "AUTO1?":
            return "0" if self.range else "1"
        return None

    def _reading(self) -> str:
        value = self.inputs[self.function]
        if self.range and abs(value) > float(self.range) * 1.1:
            value = 1e9
        return f"{value:.6E}"

    def _do(self, words: str) -> bool:
        for long, short in _LONG.items():
            words = words.replace(long, short)
        words = words.replace("CONFIGURE", "CONF")
        if found := re.fullmatch(r"CONF:([A-Z]+(?::[A-Z]+)?)(?: (\S+))?", words):
            return self._configure(found[1], found[2] or "AUTO")
        if found := re.fullmatch(r"RATE ([FMS])", words):
            self.rate = found[1]
            return True
        return words in ("AUTO", "SYST:REM", "SYST:LOC")

    def _configure(self, function: str, value: str) -> bool:
        if function == "TEMP:RTD":
            self.function, self.range = function, ""
            return value in ("PT100", "KITS90")
        if function in ("VOLT", "CURR"):
            function += ":DC"
        ranges = _RANGES.get(function)
        if ranges is None or value not in (*ranges, "AUTO"):
            return False
        self.function, self.range = function, "" if value == "AUTO" else value
        return True
