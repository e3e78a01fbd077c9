"""The dialect of the Keysight 34461A class of bench meters (Truevolt), over its socket.

Read: Agilent 34401A User's Guide, whose CONFigure, data formats (SD.DDDDDDDDESDD, page 159), error
queue and overload value this class keeps. From memory: Keysight Truevolt Series Operating and
Service Guide: five integration times, TEMPerature with FRTD and RTD, +0,"No error". Several
commands share a message (IEEE 488.2). Answers beyond the range are 9.9E+37.
"""

from __future__ import annotations

from typing import ClassVar

from .base import Answer, Refused, Scpi, command

_RANGES = {
    "VOLT": (0.1, 1.0, 10.0, 100.0, 1000.0),
    "VOLT:AC": (0.1, 1.0, 10.0, 100.0, 750.0),
    "CURR": (1e-4, 1e-3, 1e-2, 0.1, 1.0, 3.0, 10.0),
    "RES": (100.0, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    "FRES": (100.0, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    "TEMP": (),
}
NPLC = (0.02, 0.2, 1.0, 10.0, 100.0)


class Keysight34461a(Scpi):
    idn: ClassVar[str] = "Keysight Technologies,34461A,MY00000001,A.02.14-02.40-02.14-00.49-01-01"
    error_query: ClassVar[str] = "SYSTem:ERRor[:NEXT]?"
    joins: ClassVar[bool] = True
    none: ClassVar[str] = '+0,"No error"'

    def __init__(self, inputs: dict[str, float] | None = None) -> None:
        super().__init__()
        self.inputs = {"VOLT": 1.234567, "VOLT:AC": 2.5, "CURR": 0.05, "RES": 8.1, "FRES": 8.01}
        self.inputs |= {"TEMP": 24.5} | (inputs or {})
        self.function = "VOLT"
        self.range = dict.fromkeys(_RANGES, 0.0)  # 0: auto
        self.nplc = dict.fromkeys(_RANGES, 10.0)
        self.samples = 1

    def _configure(self, function: str, text: str) -> Answer:
        self.function = function
        self.samples, self.nplc[function] = 1, 10.0  # CONFigure presets the rest
        self._set_range(function, text.split(",")[0].strip())
        return None

    def _set_range(self, function: str, text: str) -> None:
        if text.upper() in ("", "AUTO", "DEF"):
            self.range[function] = 0.0
            return
        ranges = _RANGES[function]
        wanted = self.number(text, 0.0, ranges[-1] * 1.2)
        self.range[function] = next((r for r in ranges if r * 1.2 >= wanted), ranges[-1])

    @command("CONFigure:VOLTage:DC", "CONFigure[:VOLTage]")
    def volt(self, text: str) -> Answer:
        return self._configure("VOLT", text)

    @command("CONFigure:VOLTage:AC")
    def volt_ac(self, text: str) -> Answer:
        return self._configure("VOLT:AC", text)

    @command("CONFigure:CURRent[:DC]")
    def curr(self, text: str) -> Answer:
        return self._configure("CURR", text)

    @command("CONFigure:RESistance")
    def res(self, text: str) -> Answer:
        return self._configure("RES", text)

    @command("CONFigure:FRESistance")
    def fres(self, text: str) -> Answer:
        return self._configure("FRES", text)

    @command("CONFigure:TEMPerature")
    def temp(self, text: str) -> Answer:
        kind, _, what = text.partition(",")
        self.one_of(kind, "FRTD", "RTD", "THERmistor", "FTHermistor")
        if kind.upper() in ("FRTD", "RTD") and what.strip() not in ("85", "DEF", ""):
            raise Refused('-224,"Illegal parameter value"')
        self.function = "TEMP"
        return None

    def _integrate(self, function: str, text: str) -> Answer:
        wanted = self.number(text, 0.02, 100.0)
        self.nplc[function] = next(n for n in NPLC if n >= wanted)
        return None

    @command("[SENSe:]VOLTage[:DC]:NPLCycles")
    def volt_nplc(self, text: str) -> Answer:
        return self._integrate("VOLT", text)

    @command("[SENSe:]CURRent[:DC]:NPLCycles")
    def curr_nplc(self, text: str) -> Answer:
        return self._integrate("CURR", text)

    @command("[SENSe:]RESistance:NPLCycles")
    def res_nplc(self, text: str) -> Answer:
        return self._integrate("RES", text)

    @command("[SENSe:]FRESistance:NPLCycles")
    def fres_nplc(self, text: str) -> Answer:
        return self._integrate("FRES", text)

    @command("[SENSe:]TEMPerature:NPLCycles")
    def temp_nplc(self, text: str) -> Answer:
        return self._integrate("TEMP", text)

    def present(self, function: str) -> float:
        """The range that is in force."""
        value, ranges = abs(self.inputs[function]), _RANGES[function]
        return self.range[function] or next((r for r in ranges if r * 1.2 >= value), ranges[-1])

    @command("[SENSe:]VOLTage[:DC]:RANGe?")
    def volt_range(self, _: str) -> Answer:
        return f"{self.present('VOLT'):+.8E}"

    @command("[SENSe:]VOLTage:AC:RANGe?")
    def volt_ac_range(self, _: str) -> Answer:
        return f"{self.present('VOLT:AC'):+.8E}"

    @command("[SENSe:]CURRent[:DC]:RANGe?")
    def curr_range(self, _: str) -> Answer:
        return f"{self.present('CURR'):+.8E}"

    @command("[SENSe:]RESistance:RANGe?")
    def res_range(self, _: str) -> Answer:
        return f"{self.present('RES'):+.8E}"

    @command("[SENSe:]FRESistance:RANGe?")
    def fres_range(self, _: str) -> Answer:
        return f"{self.present('FRES'):+.8E}"

    @command("SAMPle:COUNt")
    def count(self, text: str) -> Answer:
        self.samples = int(self.number(text, 1, 10000))
        return None

    @command("READ?")
    def read(self, _: str) -> Answer:
        return ",".join([self._reading()] * self.samples)

    def _reading(self) -> str:
        value = self.inputs[self.function]
        if self.function != "TEMP" and abs(value) > 1.2 * self.present(self.function):
            value = 9.9e37
        return f"{value:+.8E}"
