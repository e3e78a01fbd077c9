"""The dialect of the Siglent SDM3055 over its raw socket.

Read: SDM3055 Remote Manual, pages 2 to 5 (syntax: short form or long form, anything else "will
generate an error"; AUTO and numeric ranges; boolean answers), and SDM3045X Remote Manual RC06034,
page 91 (SAMPle:COUNt, TRIGger:COUNt, READ? "-1.85425399E-04, ..."). Read in a forum's quotation of
the data sheet: ranges of 200 mV, 2, 20, 200 and 1000 V. From memory: integration times of 0.3, 1
and 10 cycles, the error queue, 9.9E+37 beyond the range. ";" is treated as the manual's section on
separators says for this command language: commands may share a message.
"""

from __future__ import annotations

from typing import ClassVar

from .base import Answer, Refused, Scpi, command

_RANGES = {
    "VOLT": (0.2, 2.0, 20.0, 200.0, 1000.0),
    "VOLT:AC": (0.2, 2.0, 20.0, 200.0, 750.0),
    "CURR": (0.0002, 0.002, 0.02, 0.2, 2.0, 10.0),
    "RES": (200.0, 2e3, 2e4, 2e5, 2e6, 1e7, 1e8),
    "FRES": (200.0, 2e3, 2e4, 2e5, 2e6, 1e7, 1e8),
}
NPLC = ("0.3", "1", "10")


class SiglentSdm3055(Scpi):
    idn: ClassVar[str] = "Siglent Technologies,SDM3055,SDM35XXXXXXXX1,1.01.01.25"
    joins: ClassVar[bool] = True
    none: ClassVar[str] = '+0,"No error"'

    def __init__(self, inputs: dict[str, float] | None = None) -> None:
        super().__init__()
        self.inputs = {"VOLT": 1.23456, "VOLT:AC": 2.5, "CURR": 0.05, "RES": 8.1, "FRES": 8.01}
        self.inputs |= inputs or {}
        self.function = "VOLT"
        self.range = dict.fromkeys(_RANGES, 0.0)
        self.nplc = dict.fromkeys(_RANGES, "10")
        self.samples = 1

    def _configure(self, function: str, text: str) -> Answer:
        if text.upper() in ("", "AUTO", "DEF"):
            self.range[function] = 0.0
        elif float(text) in _RANGES[function]:
            self.range[function] = float(text)
        else:
            raise Refused('-224,"Illegal parameter value"')
        self.function, self.samples = function, 1
        return None

    @command("CONFigure[:VOLTage]:DC")
    def volt(self, text: str) -> Answer:
        return self._configure("VOLT", text)

    @command("CONFigure[:VOLTage]:AC")
    def volt_ac(self, text: str) -> Answer:
        return self._configure("VOLT:AC", text)

    @command("CONFigure:CURRent:DC")
    def curr(self, text: str) -> Answer:
        return self._configure("CURR", text)

    @command("CONFigure:RESistance")
    def res(self, text: str) -> Answer:
        return self._configure("RES", text)

    @command("CONFigure:FRESistance")
    def fres(self, text: str) -> Answer:
        return self._configure("FRES", text)

    def _integrate(self, function: str, text: str) -> Answer:
        if text not in NPLC:
            raise Refused('-224,"Illegal parameter value"')
        self.nplc[function] = text
        return None

    @command("[SENSe:]VOLTage[:DC]:NPLC")
    def volt_nplc(self, text: str) -> Answer:
        return self._integrate("VOLT", text)

    @command("[SENSe:]CURRent[:DC]:NPLC")
    def curr_nplc(self, text: str) -> Answer:
        return self._integrate("CURR", text)

    @command("[SENSe:]RESistance:NPLC")
    def res_nplc(self, text: str) -> Answer:
        return self._integrate("RES", text)

    @command("[SENSe:]FRESistance:NPLC")
    def fres_nplc(self, text: str) -> Answer:
        return self._integrate("FRES", text)

    @command("SAMPle:COUNt")
    def count(self, text: str) -> Answer:
        self.samples = int(self.number(text, 1, 10000))
        return None

    @command("READ?")
    def read(self, _: str) -> Answer:
        value, held = self.inputs[self.function], self.range[self.function]
        if held and abs(value) > 1.2 * held:
            value = 9.9e37
        return ",".join([f"{value:+.8E}"] * self.samples)
