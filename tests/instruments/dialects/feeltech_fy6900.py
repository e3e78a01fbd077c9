"""The dialect of the Feeltech FY6900 on its USB serial port.

Read: FY6900 Series Host Computer Communication Protocol Specification, Rev 1.8, pages 1 to 3
(115200 baud; each command ends with a line feed, and the instrument replies a line feed when it has
been done; WMW, WMF, WMA, WMO, WMN for the main wave, WFW ... for the auxiliary, RMW ... to read).
Read in public single-instrument drivers: the frequency in µHz with 14 digits ("WMF00000001000000"),
the amplitude in volts peak to peak with three decimals ("WMA12.345"). From memory: UMO and UID
answer model and number, RMA counts in 0.1 mV, RMN answers 255 for on. No *IDN?: it is answered by a
line feed alone, as any command that is not there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from .base import Answer, Lines


@dataclass
class Output:
    kind: int = 0
    microhertz: int = 10_000_000_000
    volts_pp: float = 5.0
    on: bool = False


class FeeltechFy6900(Lines):
    def __init__(self) -> None:
        super().__init__()
        self.main, self.auxiliary = Output(), Output()

    def line(self, text: str) -> Answer:
        if text == "UMO":
            return "FY6900-60M"
        if text == "UID":
            return "1234567890"
        if found := re.fullmatch(r"R([MF])([WFAN])", text):
            return self._read(self.main if found[1] == "M" else self.auxiliary, found[2])
        if found := re.fullmatch(r"W([MF])([WFAON])(-?[\d.]+)", text):
            self._write(self.main if found[1] == "M" else self.auxiliary, found[2], found[3])
        return ""

    def _read(self, output: Output, what: str) -> str:
        if what == "F":
            return f"{output.microhertz / 1e6:015.6f}"
        if what == "A":
            return f"{output.volts_pp * 10_000:.0f}"
        return str(output.kind if what == "W" else 255 if output.on else 0)

    def _write(self, output: Output, what: str, value: str) -> None:
        if what == "W" and re.fullmatch(r"\d{2}", value):
            output.kind = int(value)
        elif what == "F" and re.fullmatch(r"\d{14}", value):
            output.microhertz = int(value)
        elif what == "A" and re.fullmatch(r"\d{1,2}(\.\d{1,4})?", value) and float(value) <= 24.0:
            output.volts_pp = float(value)
        elif what == "N" and value in ("0", "1"):
            output.on = value == "1"
