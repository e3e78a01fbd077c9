"""The dialect of the Keysight InfiniiVision 1000 X-Series over a socket (four channels).

Read: DSOX1204A/G Programmer's Guide, page 638, and the 2000 X-Series guide, pages 632 and 644
(ten-field preamble, voltage = [(data value - yreference) * yincrement] + yorigin, block header
"#8" and eight digits, BYTE/WORD/UNSigned, reference half of 65,536 steps as WORD). From memory:
:SINGle, :OPERegister:CONDition? (bit 3: running), :WAVeform:POINts and its RAW mode,
byte order, +0,"No error". Several commands share a
message. The 8 bits of the converter fill the upper half of each word.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from . import trace
from .base import Answer, Refused, Scpi, block, command

_POINTS = (100, 250, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000, 100_000, 200_000, 500_000)


class Keysight1000x(Scpi):
    idn: ClassVar[str] = "KEYSIGHT TECHNOLOGIES,DSOX1204A,CN00000001,02.11.2019"
    joins: ClassVar[bool] = True
    none: ClassVar[str] = '+0,"No error"'

    def __init__(self) -> None:
        super().__init__()
        self.shown = {1: True, 2: False, 3: False, 4: False}
        self.range = dict.fromkeys(self.shown, 40.0)
        self.offset = dict.fromkeys(self.shown, 0.0)
        self.probe = dict.fromkeys(self.shown, 10.0)
        self.coupling = dict.fromkeys(self.shown, "DC")
        self.duration, self.type, self.averages = 1e-3, "NORM", 8
        self.source, self.format, self.order, self.unsigned = 1, "BYTE", "MSBF", True
        self.points, self.edges, self.sweep = 1000, True, "AUTO"
        self.knob: dict[int, float] = {}
        self._codes: dict[int, np.ndarray] = {}
        self._frozen: dict[int, tuple[float, float]] = {}
        self._count = 0
        self._waiting = False

    def _channel(self, n: str) -> int:
        return self.suffix(n, 4)

    @command(":CHANnel<n>:DISPlay")
    def display(self, n: str, text: str) -> Answer:
        self.shown[self._channel(n)] = self.is_on(text)
        return None

    @command(":CHANnel<n>:RANGe")
    def set_range(self, n: str, text: str) -> Answer:
        probe = self.probe[self._channel(n)]
        self.range[int(n)] = self.number(text, 4e-3 * probe, 80.0 * probe)
        return None

    @command(":CHANnel<n>:OFFSet")
    def set_offset(self, n: str, text: str) -> Answer:
        self.offset[self._channel(n)] = self.number(text, -1000.0, 1000.0)
        return None

    @command(":CHANnel<n>:COUPling")
    def couple(self, n: str, text: str) -> Answer:
        self.coupling[self._channel(n)] = self.one_of(text, "AC", "DC")
        return None

    @command(":CHANnel<n>:PROBe")
    def set_probe(self, n: str, text: str) -> Answer:
        self.probe[self._channel(n)] = self.number(text, 0.1, 10_000.0)
        return None

    @command(":TIMebase:RANGe")
    def set_duration(self, text: str) -> Answer:
        self.duration = self.number(text, 5e-8, 500.0)
        return None

    @command(":TIMebase:REFerence", ":TIMebase:MODE")
    def time_reference(self, text: str) -> Answer:
        self.one_of(text, "LEFT", "CENTer", "RIGHt", "MAIN")
        return None

    @command(":ACQuire:TYPE")
    def set_type(self, text: str) -> Answer:
        self.type = self.one_of(text, "NORMal", "AVERage", "HRESolution", "PEAK")
        return None

    @command(":ACQuire:COUNt")
    def set_averages(self, text: str) -> Answer:
        self.averages = int(self.number(text, 2, 65_536))
        return None

    @command(":TRIGger:MODE")
    def trigger_mode(self, text: str) -> Answer:
        self.one_of(text, "EDGE")
        return None

    @command(":TRIGger[:EDGE]:SOURce")
    def trigger_source(self, text: str) -> Answer:
        self.one_of(text, *(f"CHAN{n}" for n in self.shown))
        return None

    @command(":TRIGger[:EDGE]:LEVel")
    def trigger_level(self, text: str) -> Answer:
        self.number(text, -1000.0, 1000.0)
        return None

    @command(":TRIGger[:EDGE]:SLOPe")
    def trigger_slope(self, text: str) -> Answer:
        self.one_of(text, "POSitive", "NEGative")
        return None

    @command(":TRIGger:SWEep")
    def set_sweep(self, text: str) -> Answer:
        self.sweep = self.one_of(text, "AUTO", "NORMal")
        return None

    @command(":STOP")
    def stop(self, _: str) -> Answer:
        self._waiting = False
        return None

    @command(":OPERegister:CONDition?")
    def condition(self, _: str) -> Answer:
        return f"{8 if self._waiting else 0:+d}"

    @command(":SINGle")
    def single(self, _: str) -> Answer:
        self._waiting = not (self.edges or self.sweep == "AUTO")
        if self._waiting:
            return None
        self._count = self.points
        seconds = np.arange(self._count) * (self.duration / self._count) - self.duration / 2
        self._codes.clear()
        for n, on in self.shown.items():
            if on:
                self.offset[n] = self.knob.get(n, self.offset[n])
                step = self.range[n] / 65_536.0
                self._frozen[n] = (step, self.offset[n])
                wave = trace.volts(n, seconds)
                if self.coupling[n] == "AC":
                    wave = wave - wave.mean()
                upper = trace.codes(wave - self.offset[n], step * 256.0, 128.0, 1, 255)
                self._codes[n] = (upper * 256).astype(np.uint16)
        return None

    @command(":WAVeform:SOURce")
    def wave_source(self, text: str) -> Answer:
        if text.upper() not in [f"CHAN{n}" for n in self.shown]:
            raise Refused('-224,"Illegal parameter value"')
        self.source = int(text[-1])
        return None

    @command(":WAVeform:FORMat")
    def wave_format(self, text: str) -> Answer:
        self.format = self.one_of(text, "BYTE", "WORD")
        return None

    @command(":WAVeform:BYTeorder")
    def wave_order(self, text: str) -> Answer:
        self.order = self.one_of(text, "LSBFirst", "MSBFirst")[:3] + "F"
        return None

    @command(":WAVeform:UNSigned")
    def wave_unsigned(self, text: str) -> Answer:
        self.unsigned = self.is_on(text)
        return None

    @command(":WAVeform:POINts:MODE")
    def wave_mode(self, text: str) -> Answer:
        self.one_of(text, "NORMal", "MAXimum", "RAW")
        return None

    @command(":WAVeform:POINts")
    def wave_points(self, text: str) -> Answer:
        if text not in [str(p) for p in _POINTS]:
            raise Refused('-224,"Illegal parameter value"')
        self.points = int(text)
        return None

    def _held(self) -> np.ndarray:
        if self.source not in self._codes:
            raise Refused('-230,"Data corrupt or stale"')
        return self._codes[self.source]

    @command(":WAVeform:PREamble?")
    def preamble(self, _: str) -> Answer:
        self._held()
        step, origin = self._frozen[self.source]
        kind = {"NORM": 0, "PEAK": 1, "AVER": 2, "HRES": 3}[self.type]
        word = self.format == "WORD"
        reference = (32_768 if word else 128) if self.unsigned else 0
        return (
            f"{'+1' if word else '+0'},+{kind},+{self._count},+1,"
            f"{self.duration / self._count:+.8E},{-self.duration / 2:+.8E},+0,"
            f"{step if word else step * 256.0:+.8E},{origin:+.8E},+{reference}"
        )

    @command(":WAVeform:DATA?")
    def data(self, _: str) -> Answer:
        held = self._held().astype(np.int64)
        if self.format == "BYTE":
            held //= 256
        if not self.unsigned:
            held -= 32_768 if self.format == "WORD" else 128
        kind = {"BYTE": "1", "WORD": "2"}[self.format]
        order = "<" if self.order == "LSBF" else ">"
        letter = "u" if self.unsigned else "i"
        return block(held.astype(f"{order}{letter}{kind}").tobytes(), 8)
