"""The dialect of the Keysight (Agilent) 33500 series, with two outputs, over its raw socket.

Read: 33500 Series Operating and Service Guide, output configuration (VOLTage:UNIT {VPP|VRMS|DBM};
OUTPut[1|2]:LOAD, 1 Ω to 10 kΩ or INFinity: the displayed level changes with it and the output does
not, and a unit of dBm becomes VPP at high impedance) and page 177 (BURSt:INTernal:PERiod, 1 µs to
8000 s, under TRIGger[1|2]:SOURce IMMediate). From memory: the other commands, ";" between messages.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from .base import Answer, Refused, Scpi, command

_ROOT = 2.0 * math.sqrt(2.0)


@dataclass
class Output:
    function: str = "SIN"
    hertz: float = 1000.0
    open_pp: float = 0.2  # V peak to peak of the open circuit
    unit: str = "VPP"
    load: float = 50.0
    on: bool = False
    burst: bool = False
    cycles: int = 1
    period: float = 0.01
    trigger: str = "IMM"

    @property
    def told(self) -> float:
        """Share of the open circuit that the level is told for."""
        return 1.0 if math.isinf(self.load) else self.load / (self.load + 50.0)

    @property
    def crest_pp(self) -> float:
        return 2.0 if self.function == "SQU" else _ROOT

    @property
    def volts_rms(self) -> float:
        """Into an open circuit."""
        return self.open_pp / self.crest_pp


class Keysight33500b(Scpi):
    idn: ClassVar[str] = "Agilent Technologies,33522A,MY50000001,2.03-1.19-2.00-52-00"
    joins: ClassVar[bool] = True
    none: ClassVar[str] = '+0,"No error"'

    def __init__(self) -> None:
        super().__init__()
        self.output = [Output(), Output()]

    def _output(self, n: str) -> Output:
        return self.output[self.suffix(n or "1", 2) - 1]

    @command("[SOURce[<n>]:]FUNCtion")
    def function(self, n: str, text: str) -> Answer:
        self._output(n).function = self.one_of(
            text, "SINusoid", "SQUare", "RAMP", "PULSe", "NOISe", "DC"
        )
        return None

    @command("[SOURce[<n>]:]FREQuency")
    def frequency(self, n: str, text: str) -> Answer:
        self._output(n).hertz = self.number(text, 1e-6, 30e6)
        return None

    @command("[SOURce[<n>]:]VOLTage:UNIT")
    def unit(self, n: str, text: str) -> Answer:
        unit = self.one_of(text, "VPP", "VRMS", "DBM")
        if unit == "DBM" and math.isinf(self._output(n).load):
            raise Refused('-221,"Settings conflict; can not use dBm units when load is infinite"')
        self._output(n).unit = unit
        return None

    @command("[SOURce[<n>]:]VOLTage")
    def level(self, n: str, text: str) -> Answer:
        it = self._output(n)
        value = self.number(text, 0.0, 100.0)
        told_pp = value * it.crest_pp if it.unit == "VRMS" else value
        open_pp = told_pp / it.told
        if not 2e-3 <= open_pp <= 20.0 * (1.0 + 1e-6):
            raise Refused(self.range_error)
        it.open_pp = open_pp
        return None

    @command("[SOURce[<n>]:]VOLTage:OFFSet")
    def offset(self, n: str, text: str) -> Answer:
        self._output(n)
        self.number(text, -10.0, 10.0)
        return None

    @command("[SOURce[<n>]:]BURSt:STATe")
    def burst(self, n: str, text: str) -> Answer:
        it = self._output(n)
        on = self.is_on(text)
        if on and it.cycles / it.hertz + 1e-6 > it.period:
            raise Refused('-221,"Settings conflict"')
        it.burst = on
        return None

    @command("[SOURce[<n>]:]BURSt:MODE")
    def burst_mode(self, n: str, text: str) -> Answer:
        self._output(n)
        self.one_of(text, "TRIGgered", "GATed")
        return None

    @command("[SOURce[<n>]:]BURSt:NCYCles")
    def burst_cycles(self, n: str, text: str) -> Answer:
        self._output(n).cycles = int(self.number(text, 1, 100_000_000))
        return None

    @command("[SOURce[<n>]:]BURSt:INTernal:PERiod")
    def burst_period(self, n: str, text: str) -> Answer:
        self._output(n).period = self.number(text, 1e-6, 8000.0)
        return None

    @command("TRIGger[<n>]:SOURce")
    def trigger(self, n: str, text: str) -> Answer:
        self._output(n).trigger = self.one_of(text, "IMMediate", "EXTernal", "TIMer", "BUS")
        return None

    @command("OUTPut[<n>][:STATe]")
    def switch(self, n: str, text: str) -> Answer:
        self._output(n).on = self.is_on(text)
        return None

    @command("OUTPut[<n>][:STATe]?")
    def state(self, n: str, _: str) -> Answer:
        return str(int(self._output(n).on))

    @command("OUTPut[<n>]:LOAD")
    def load(self, n: str, text: str) -> Answer:
        it = self._output(n)
        infinite = text.upper() in ("INF", "INFINITY")
        it.load = math.inf if infinite else self.number(text, 1.0, 10_000.0)
        if infinite and it.unit == "DBM":
            it.unit = "VPP"
        return None
