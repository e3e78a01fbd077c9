"""The dialect of the Keysight (Agilent) E3632A on its RS-232 port.

Read: E3632A User's Guide, page 87 (CURRent:PROTection: past the level the output current is
programmed to zero), 88 (STATe, TRIPped, CLEar), 91 (the same of VOLTage), 118 (QUEStionable
CONDition: 0 off or unregulated, 1 constant current, 2 constant voltage); an earlier edition, page
62 (9600 baud, no parity, 8 data bits, 2 stop bits, DTR/DSR). From memory: SYSTem:REMote before
anything else, or error 550; RANGe, OUTPut, MEASure, the error queue; answers end with carriage
return and line feed; ";" joins messages (IEEE 488.2). A trip stays until it is cleared.
"""

from __future__ import annotations

from typing import ClassVar

from .base import Answer, Refused, Scpi, command
from .loaded import Output

_RANGES = {"P15V": (15.45, 7.21), "P30V": (30.9, 4.12)}


class KeysightE3632a(Scpi):
    idn: ClassVar[str] = "HEWLETT-PACKARD,E3632A,0,1.3-5.0-1.0"
    joins: ClassVar[bool] = True
    none: ClassVar[str] = '+0,"No error"'

    def __init__(self, ohms: float = 30.0) -> None:
        super().__init__()
        self.answers_end = b"\r\n"
        self.remote = False
        self.range = "P15V"
        self.output = Output(ohms=ohms, over_volts=32.0, over_amperes=7.5)

    def _do(self, message: str) -> Answer:
        free = ("*", "SYST", "SYSTEM", ":SYST", ":SYSTEM")
        if not self.remote and not message.upper().startswith(free):
            raise Refused('+550,"Command not allowed in local"')
        return super()._do(message)

    @command("SYSTem:REMote")
    def go_remote(self, _: str) -> Answer:
        self.remote = True
        return None

    @command("SYSTem:LOCal")
    def go_local(self, _: str) -> Answer:
        self.remote = False
        return None

    @command("VOLTage:RANGe")
    def set_range(self, text: str) -> Answer:
        self.range = self.one_of(text, *_RANGES)
        return None

    @command("VOLTage[:LEVel][:IMMediate][:AMPLitude]")
    def volts(self, text: str) -> Answer:
        self.output.volts = self.number(text, 0.0, _RANGES[self.range][0])
        self.output.settle()
        return None

    @command("CURRent[:LEVel][:IMMediate][:AMPLitude]")
    def amperes(self, text: str) -> Answer:
        self.output.amperes = self.number(text, 0.0, _RANGES[self.range][1])
        self.output.settle()
        return None

    @command("VOLTage:PROTection[:LEVel]")
    def over_volts(self, text: str) -> Answer:
        self.output.over_volts = self.number(text, 1.0, 32.0)
        return None

    @command("VOLTage:PROTection[:LEVel]?")
    def over_volts_level(self, _: str) -> Answer:
        return f"{self.output.over_volts:+.8E}"

    @command("CURRent:PROTection[:LEVel]")
    def over_amperes(self, text: str) -> Answer:
        self.output.over_amperes = self.number(text, 0.0, 7.5)
        return None

    @command("CURRent:PROTection[:LEVel]?")
    def over_amperes_level(self, _: str) -> Answer:
        return f"{self.output.over_amperes:+.8E}"

    @command("VOLTage:PROTection:STATe")
    def over_volts_on(self, text: str) -> Answer:
        self.output.over_volts_on = self.is_on(text)
        self.output.settle()
        return None

    @command("CURRent:PROTection:STATe")
    def over_amperes_on(self, text: str) -> Answer:
        self.output.over_amperes_on = self.is_on(text)
        self.output.settle()
        return None

    @command("VOLTage:PROTection:TRIPped?")
    def over_volts_tripped(self, _: str) -> Answer:
        return str(int(self.output.tripped == "OVP"))

    @command("CURRent:PROTection:TRIPped?")
    def over_amperes_tripped(self, _: str) -> Answer:
        return str(int(self.output.tripped == "OCP"))

    @command("VOLTage:PROTection:CLEar", "CURRent:PROTection:CLEar")
    def forget_trip(self, _: str) -> Answer:
        if self.output.tripped:  # "restored to the state it was in before"
            self.output.tripped, self.output.on = "", True
        return None

    @command("OUTPut[:STATe]")
    def switch(self, text: str) -> Answer:
        self.output.on = self.is_on(text)
        self.output.settle()
        return None

    @command("OUTPut[:STATe]?")
    def state(self, _: str) -> Answer:
        return str(int(self.output.on))

    @command("MEASure[:VOLTage][:DC]?")
    def measured_volts(self, _: str) -> Answer:
        return f"{self.output.voltage:+.8E}"

    @command("MEASure:CURRent[:DC]?")
    def measured_amperes(self, _: str) -> Answer:
        return f"{self.output.current:+.8E}"

    @command("STATus:QUEStionable:CONDition?")
    def condition(self, _: str) -> Answer:
        return "0" if not self.output.on else "1" if self.output.limited else "2"
