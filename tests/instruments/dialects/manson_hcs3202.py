"""The dialect of the Manson HCS-3202 on its USB serial port.

Read: HCS-3602-USB User Manual, page 16: COMMAND<parameters>[CR], three digits for volts and for
amperes to be set (one decimal place each for this model), GETD answers four digits of volts, four
of amperes and 0 (CV) or 1 (CC), then [CR], then OK[CR]; GMAX and GETS answer six digits; every
command is answered OK[CR]. From memory: SOUT0 switches the output on and SOUT1 off. What it does
not know is answered by silence (not told on the page).
"""

from __future__ import annotations

import re
from typing import ClassVar

from .base import Answer, Lines
from .loaded import Output


class MansonHcs3202(Lines):
    ends: ClassVar[bytes] = b"\r"
    answers_end: bytes = b"\r"

    def __init__(self, ohms: float = 30.0) -> None:
        super().__init__()
        self.output = Output(ohms=ohms)

    def line(self, text: str) -> Answer:
        output = self.output
        if text == "GMAX":
            return "362120\rOK"
        if text == "GETS":
            return f"{round(output.volts * 10):03d}{round(output.amperes * 10):03d}\rOK"
        if text == "GETD":
            volts, amperes = round(output.voltage * 100), round(output.current * 100)
            return f"{volts:04d}{amperes:04d}{int(output.limited)}\rOK"
        if found := re.fullmatch(r"VOLT(\d{3})", text):
            if int(found[1]) > 362:
                return None
            output.volts = int(found[1]) / 10.0
            return "OK"
        if found := re.fullmatch(r"CURR(\d{3})", text):
            if int(found[1]) > 120:
                return None
            output.amperes = int(found[1]) / 10.0
            return "OK"
        if found := re.fullmatch(r"SOUT([01])", text):
            output.on = found[1] == "0"
            return "OK"
        return None
