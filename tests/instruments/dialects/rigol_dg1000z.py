"""The dialect of the Rigol DG1000Z and DG800/900 families over their raw socket.

Read: DG1000Z Programming Guide, page 2-186 ([:SOURce[<n>]]:VOLTage:UNIT {VPP|VRMS|DBM}; dBm is not
available into HighZ); DG900 Programming Guide, page 2-40 (:OUTPut[<n>]:IMPedance and :LOAD, 1 Ω to
10 kΩ or INFinity). From memory: FUNCtion, FREQuency, BURSt and OUTPut commands, the error queue.
The pages read do not say that ";" joins messages, so here it does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from .base import Answer, Refused, Scpi, command


@dataclass
class Output:
    function: str = "SIN"
    hertz: float = 1000.0
    level: float = 5.0
    unit: str = "VPP"
    load: float = 50.0
    on: bool = False
    burst: bool = False
    cycles: int = 1
    period: float = 0.01

    @property
    def volts_rms(self) -> float:
        """Into the load that it was told of."""
        return self.level if self.unit == "VRMS" else self.level / (2.0 * math.sqrt(2.0))


class RigolDg1000z(Scpi):
    idn: ClassVar[str] = "Rigol Technologies,DG1032Z,DG1ZA000000001,03.01.12"
    none: ClassVar[str] = '0,"No error"'

    def __init__(self) -> None:
        super().__init__()
        self.output = [Output(), Output()]

    def _output(self, n: str) -> Output:
        return self.output[self.suffix(n or "1", 2) - 1]

    @command("[:SOURce[<n>]]:FUNCtion[:SHAPe]")
    def function(self, n: str, text: str) -> Answer:
        self._output(n).function = self.one_of(
            text, "SINusoid", "SQUare", "RAMP", "PULSe", "NOISe", "DC"
        )
        return None

    @command("[:SOURce[<n>]]:FREQuency[:FIXed]")
    def frequency(self, n: str, text: str) -> Answer:
        self._output(n).hertz = self.number(text, 1e-6, 30e6)
        return None

    @command("[:SOURce[<n>]]:VOLTage:UNIT")
    def unit(self, n: str, text: str) -> Answer:
        unit = self.one_of(text, "VPP", "VRMS", "DBM")
        if unit == "DBM" and math.isinf(self._output(n).load):
            raise Refused('-221,"Settings conflict"')
        self._output(n).unit = unit
        return None

    @command("[:SOURce[<n>]]:VOLTage[:LEVel][:IMMediate][:AMPLitude]")
    def level(self, n: str, text: str) -> Answer:
        output = self._output(n)
        most = 20.0 if math.isinf(output.load) else 10.0
        if output.unit == "VRMS":
            most /= 2.0 * math.sqrt(2.0) if output.function == "SIN" else 2.0
        output.level = self.number(text, 1e-4 * most, most)  # 2 mV of 20 V, from memory
        return None

    @command("[:SOURce[<n>]]:VOLTage[:LEVel][:IMMediate]:OFFSet")
    def offset(self, n: str, text: str) -> Answer:
        self._output(n)
        self.number(text, -10.0, 10.0)
        return None

    @command("[:SOURce[<n>]]:BURSt[:STATe]")
    def burst(self, n: str, text: str) -> Answer:
        self._output(n).burst = self.is_on(text)
        return None

    @command("[:SOURce[<n>]]:BURSt:MODE")
    def burst_mode(self, n: str, text: str) -> Answer:
        self.one_of(text, "TRIGgered", "INFinity", "GATed")
        return None

    @command("[:SOURce[<n>]]:BURSt:TRIGger:SOURce")
    def burst_source(self, n: str, text: str) -> Answer:
        self.one_of(text, "INTernal", "EXTernal", "MANual")
        return None

    @command("[:SOURce[<n>]]:BURSt:NCYCles")
    def burst_cycles(self, n: str, text: str) -> Answer:
        self._output(n).cycles = int(self.number(text, 1, 1_000_000))
        return None

    @command("[:SOURce[<n>]]:BURSt:INTernal:PERiod")
    def burst_period(self, n: str, text: str) -> Answer:
        self._output(n).period = self.number(text, 1e-6, 500.0)
        return None

    @command(":OUTPut[<n>][:STATe]")
    def switch(self, n: str, text: str) -> Answer:
        self._output(n).on = self.one_of(text, "ON", "OFF") == "ON"
        return None

    @command(":OUTPut[<n>][:STATe]?")
    def state(self, n: str, _: str) -> Answer:
        return "ON" if self._output(n).on else "OFF"

    @command(":OUTPut[<n>]:LOAD", ":OUTPut[<n>]:IMPedance")
    def load(self, n: str, text: str) -> Answer:
        infinite = text.upper() in ("INF", "INFINITY")
        self._output(n).load = math.inf if infinite else self.number(text, 1.0, 10_000.0)
        return None
