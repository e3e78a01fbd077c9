"""The dialect of the Juntek JDS6600 on its USB serial port.

Read: JDS6600 host computer communication protocol (115200 8N1; ":", "w" or "r", a number, "=",
fields between commas, ".", CR LF; ":w20=1,1." both outputs on; ":w23=25786,0." 257.86 Hz). Read in
a public register list: 20 outputs, 21 and 22 waves (0 sine, 1 square), 23 and 24 frequency in 0.01
Hz with a unit, 25 and 26 amplitude in mV peak to peak, 27 and 28 offset in 0.01 V plus 1000, 00
model, 01 number. From memory: ":ok" after a write, reads answer in the form of the write. Both
outputs are switched by one write, so the other's state has to be known. What is not understood:
silence.
"""

from __future__ import annotations

import re
from typing import ClassVar

from .base import Answer, Lines


class JuntekJds6600(Lines):
    ends: ClassVar[bytes] = b"\r\n"

    def __init__(self) -> None:
        super().__init__()
        self.answers_end = b"\r\n"
        self.register: dict[int, list[int]] = {
            0: [60], 1: [1234567890], 20: [1, 1], 21: [0], 22: [0], 23: [1_000_000, 0],
            24: [1_000_000, 0], 25: [5000], 26: [5000], 27: [1000], 28: [1000],
        }  # fmt: skip

    def line(self, text: str) -> Answer:
        if found := re.fullmatch(r":r(\d\d)=0?\.?", text):
            number = int(found[1])
            if number not in self.register:
                return None
            return f":r{number:02d}={','.join(map(str, self.register[number]))}."
        if found := re.fullmatch(r":w(\d\d)=(\d+(?:,\d+)*)\.", text):
            return self._write(int(found[1]), [int(v) for v in found[2].split(",")])
        return None

    def _write(self, number: int, values: list[int]) -> Answer:
        if number < 20 or len(values) != len(self.register.get(number, [])):
            return None
        if number in (25, 26) and values[0] > 20_000:
            return None
        if number == 20 and not set(values) <= {0, 1}:
            return None
        self.register[number] = values
        return ":ok"

    def hertz(self, output: int) -> float:
        value, unit = self.register[22 + output]
        return value / 100.0 * {3: 1e-3, 4: 1e-6}.get(unit, 1.0)

    def volts_pp(self, output: int) -> float:
        return self.register[24 + output][0] / 1000.0
