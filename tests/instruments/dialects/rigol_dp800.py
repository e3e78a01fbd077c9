"""The dialect of the Rigol DP800 family, here a DP832: three outputs, each named in each command.

Read: DP800 Programming Guide (pages 2-8 APPLy ranges, 2-35 OVP value and output state, 2-56 and
2-57 OCP state and value): channel words CH1 to CH3, answers "ON"/"OFF", levels as "8.800" and
"5.0000". From memory: OUTPut:MODE? answers CV, CC or UR; QUES? answers YES or NO; the error queue's
form. The pages read do not say that ";" joins messages, so here it does not.
"""

from __future__ import annotations

from typing import ClassVar

from .base import Answer, Refused, Scpi, command
from .loaded import Output

_LIMITS = ((32.0, 3.2), (32.0, 3.2), (5.3, 3.2))  # Table 2-1, DP832; CH3's sign is its wiring
_OVER = ((33.0, 3.3), (33.0, 3.3), (5.5, 3.3))  # protection levels, from memory


class RigolDp800(Scpi):
    idn: ClassVar[str] = "RIGOL TECHNOLOGIES,DP832,DP8A000000001,00.01.14"
    undefined: ClassVar[str] = '-113,"Undefined header;keyword cannot be found"'
    none: ClassVar[str] = '0,"No error"'

    def __init__(self, ohms: float = 30.0) -> None:
        super().__init__()
        self.output = [Output(ohms=ohms) for _ in range(3)]
        for output, (volts, amperes) in zip(self.output, _OVER, strict=True):
            output.over_volts, output.over_amperes = volts, amperes

    def _channel(self, text: str) -> int:
        if text.strip().upper() not in ("CH1", "CH2", "CH3"):
            raise Refused('-224,"Illegal parameter value"')
        return int(text.strip()[2]) - 1

    def _two(self, text: str) -> tuple[int, str]:
        channel, comma, value = text.partition(",")
        if not comma:
            raise Refused('-109,"Missing parameter"')
        return self._channel(channel), value.strip()

    def _switch(self, text: str) -> bool:
        return self.one_of(text, "ON", "OFF") == "ON"

    def _settle(self) -> None:
        for output in self.output:
            output.settle()

    @command("[:SOURce[<n>]]:VOLTage[:LEVel][:IMMediate][:AMPLitude]")
    def voltage(self, n: str, text: str) -> Answer:
        channel = self._source(n)
        self.output[channel].volts = self.number(text, 0.0, _LIMITS[channel][0])
        self._settle()
        return None

    @command("[:SOURce[<n>]]:CURRent[:LEVel][:IMMediate][:AMPLitude]")
    def current(self, n: str, text: str) -> Answer:
        channel = self._source(n)
        self.output[channel].amperes = self.number(text, 0.0, _LIMITS[channel][1])
        self._settle()
        return None

    def _source(self, n: str) -> int:
        return self.suffix(n, 3) - 1

    @command(":OUTPut[:STATe]")
    def switch(self, text: str) -> Answer:
        channel, word = self._two(text)
        self.output[channel].on = self._switch(word)
        if self.output[channel].on:
            self.output[channel].tripped = ""
        self._settle()
        return None

    @command(":OUTPut[:STATe]?")
    def state(self, text: str) -> Answer:
        return "ON" if self.output[self._channel(text)].on else "OFF"

    @command(":OUTPut:MODE?")
    def mode(self, text: str) -> Answer:
        return "CC" if self.output[self._channel(text)].limited else "CV"

    @command(":OUTPut:OVP[:STATe]")
    def ovp(self, text: str) -> Answer:
        channel, word = self._two(text)
        self.output[channel].over_volts_on = self._switch(word)
        self._settle()
        return None

    @command(":OUTPut:OVP:VALue")
    def ovp_value(self, text: str) -> Answer:
        channel, value = self._two(text)
        self.output[channel].over_volts = self.number(value, 0.01, _OVER[channel][0])
        self._settle()
        return None

    @command(":OUTPut:OVP:VALue?")
    def ovp_level(self, text: str) -> Answer:
        return f"{self.output[self._channel(text)].over_volts:.3f}"

    @command(":OUTPut:OVP:QUES?")
    def ovp_tripped(self, text: str) -> Answer:
        return "YES" if self.output[self._channel(text)].tripped == "OVP" else "NO"

    @command(":OUTPut:OCP[:STATe]")
    def ocp(self, text: str) -> Answer:
        channel, word = self._two(text)
        self.output[channel].over_amperes_on = self._switch(word)
        self._settle()
        return None

    @command(":OUTPut:OCP:VALue")
    def ocp_value(self, text: str) -> Answer:
        channel, value = self._two(text)
        self.output[channel].over_amperes = self.number(value, 0.001, _OVER[channel][1])
        self._settle()
        return None

    @command(":OUTPut:OCP:VALue?")
    def ocp_level(self, text: str) -> Answer:
        return f"{self.output[self._channel(text)].over_amperes:.4f}"

    @command(":OUTPut:OCP:QUES?")
    def ocp_tripped(self, text: str) -> Answer:
        return "YES" if self.output[self._channel(text)].tripped == "OCP" else "NO"

    @command(":MEASure[:VOLTage][:DC]?")
    def measured_voltage(self, text: str) -> Answer:
        return f"{self.output[self._channel(text)].voltage:.4f}"

    @command(":MEASure:CURRent[:DC]?")
    def measured_current(self, text: str) -> Answer:
        return f"{self.output[self._channel(text)].current:.4f}"
