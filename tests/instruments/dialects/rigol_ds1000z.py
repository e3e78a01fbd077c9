"""The dialect of the Rigol DS1000Z family over its raw socket (four channels, DS1104Z).

Read: MSO1000Z/DS1000Z Programming Guide, page 2-226 (ten-field preamble, example), the pages of
:WAVeform:DATA? (header #N with N = 9, the bytes, in pieces with adjacent areas continuous) and, in
the DS1000Z-E guide, pages 2-179 and 2-180 (:STOP first, MODE RAW, STARt and STOP from 1, batches).
From memory: 250,000 points a batch as BYTE; memory depths of 12 k to 24 M halved with two channels
and quartered with more; 12 divisions across; 25 codes a division; :TRIGger:STATus?. Points:

    volts = (code - yorigin - yreference) * yincrement

with the origin counted in codes, as the guide's own example shows (0.008 V, 50, 127).
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from . import trace
from .base import Answer, Refused, Scpi, block, command

MOST = 250_000  # points of BYTE in one answer
_DEPTHS = (12_000, 120_000, 1_200_000, 12_000_000, 24_000_000)


class RigolDs1000z(Scpi):
    idn: ClassVar[str] = "RIGOL TECHNOLOGIES,DS1104Z,DS1ZA000000001,00.04.04.SP3"
    error_query: ClassVar[str] = ":SYSTem:ERRor[:NEXT]?"
    none: ClassVar[str] = '0,"No error"'
    undefined: ClassVar[str] = '-113,"Undefined header; command cannot be found"'

    def __init__(self) -> None:
        super().__init__()
        self.shown = {1: True, 2: False, 3: False, 4: False}
        self.scale = dict.fromkeys(self.shown, 1.0)
        self.offset = dict.fromkeys(self.shown, 0.0)
        self.probe = dict.fromkeys(self.shown, 10.0)
        self.coupling = dict.fromkeys(self.shown, "DC")
        self.depth, self.time_scale = 12_000, 1e-6
        self.type, self.averages, self.sweep = "NORM", 2, "AUTO"
        self.source, self.mode, self.first, self.last = 1, "NORM", 1, 1200
        self.status = "AUTO"
        self.edges = True  # whether something triggers
        self.knob: dict[int, float] = {}  # position knobs turned by hand when the record is made
        self.pieces: list[int] = []
        self._codes: dict[int, np.ndarray] = {}
        self._frozen: dict[int, tuple[float, int]] = {}
        self._dt = 1.0

    def _channel(self, n: str) -> int:
        return self.suffix(n, 4)

    @command(":CHANnel<n>:DISPlay")
    def display(self, n: str, text: str) -> Answer:
        self.shown[self._channel(n)] = self.is_on(text)
        return None

    @command(":CHANnel<n>:SCALe")
    def set_scale(self, n: str, text: str) -> Answer:
        probe = self.probe[self._channel(n)]
        self.scale[int(n)] = self.number(text, 1e-3 * probe, 10.0 * probe)
        return None

    @command(":CHANnel<n>:OFFSet")
    def set_offset(self, n: str, text: str) -> Answer:
        self.offset[self._channel(n)] = self.number(text, -1000.0, 1000.0)
        return None

    @command(":CHANnel<n>:COUPling")
    def couple(self, n: str, text: str) -> Answer:
        self.coupling[self._channel(n)] = self.one_of(text, "AC", "DC", "GND")
        return None

    @command(":CHANnel<n>:PROBe")
    def set_probe(self, n: str, text: str) -> Answer:
        value = self.number(text, 0.01, 1000.0)
        if f"{value:g}"[0] not in "125" or f"{value:g}".strip("0.")[1:]:
            raise Refused('-224,"Illegal parameter value"')
        self.probe[self._channel(n)] = value
        return None

    @command(":TIMebase[:MAIN]:SCALe")
    def set_time_scale(self, text: str) -> Answer:
        value = self.number(text, 5e-9, 50.0)
        if f"{value:.6e}"[0] not in "125" or f"{value:.6e}"[1:8] != ".000000":
            raise Refused('-224,"Illegal parameter value"')
        self.time_scale = value
        return None

    @command(":TIMebase[:MAIN]:OFFSet")
    def set_time_offset(self, text: str) -> Answer:
        self.number(text, -1.0, 500.0)
        return None

    @property
    def share(self) -> int:
        """What the memory is divided by: 1, 2 or 4."""
        on = sum(self.shown.values())
        return 1 if on <= 1 else 2 if on == 2 else 4

    @command(":ACQuire:MDEPth")
    def set_depth(self, text: str) -> Answer:
        allowed = [str(depth // self.share) for depth in _DEPTHS]
        if text not in allowed:
            raise Refused('-224,"Illegal parameter value"')
        if self.status == "STOP":
            raise Refused('-221,"Settings conflict"')  # only while it runs, as the guide says
        self.depth = int(text)
        return None

    @command(":ACQuire:TYPE")
    def set_type(self, text: str) -> Answer:
        self.type = self.one_of(text, "NORMal", "AVERages", "PEAK", "HRESolution")
        return None

    @command(":ACQuire:AVERages")
    def set_averages(self, text: str) -> Answer:
        count = int(self.number(text, 2, 1024))
        if count & (count - 1):
            raise Refused('-224,"Illegal parameter value"')
        self.averages = count
        return None

    @command(":TRIGger:MODE")
    def trigger_mode(self, text: str) -> Answer:
        self.one_of(text, "EDGE")
        return None

    @command(":TRIGger:EDGe:SOURce")
    def trigger_source(self, text: str) -> Answer:
        self.one_of(text, *(f"CHANnel{n}" for n in self.shown), *(f"CHAN{n}" for n in self.shown))
        return None

    @command(":TRIGger:EDGe:SLOPe")
    def trigger_slope(self, text: str) -> Answer:
        self.one_of(text, "POSitive", "NEGative", "RFALl")
        return None

    @command(":TRIGger:EDGe:LEVel")
    def trigger_level(self, text: str) -> Answer:
        self.number(text, -1000.0, 1000.0)
        return None

    @command(":TRIGger:SWEep")
    def set_sweep(self, text: str) -> Answer:
        self.sweep = self.one_of(text, "AUTO", "NORMal", "SINGle")
        return None

    @command(":TRIGger:STATus?")
    def trigger_status(self, _: str) -> Answer:
        return self.status

    @command(":RUN")
    def run(self, _: str) -> Answer:
        self.status = "AUTO" if self.sweep == "AUTO" else "RUN"
        return None

    @command(":STOP")
    def stop(self, _: str) -> Answer:
        if self.status in ("AUTO", "TD") or (self.status == "RUN" and self.edges):
            self._acquire()
        self.status = "STOP"
        return None

    @command(":SINGle")
    def single(self, _: str) -> Answer:
        self.sweep = "SING"
        self.status = "WAIT"
        if self.edges:
            self._acquire()
            self.status = "STOP"
        return None

    @command(":TFORce")
    def force(self, _: str) -> Answer:
        if self.status == "WAIT":
            self._acquire()
            self.status = "STOP"
        return None

    def _acquire(self) -> None:
        self._dt = 12.0 * self.time_scale / self.depth
        seconds = (np.arange(self.depth) - self.depth // 2) * self._dt
        self._codes.clear()
        for n, on in self.shown.items():
            if on:
                self.offset[n] = self.knob.get(n, self.offset[n])
                per_code = self.scale[n] / 25.0
                origin = round(self.offset[n] / per_code)
                self._frozen[n] = (per_code, origin)
                wave = trace.volts(n, seconds)
                if self.coupling[n] == "AC":
                    wave = wave - wave.mean()
                self._codes[n] = trace.codes(wave, per_code, origin + 127, 0, 255)

    @command(":WAVeform:SOURce")
    def wave_source(self, text: str) -> Answer:
        if text.upper() not in [f"CHAN{n}" for n in self.shown]:
            raise Refused('-224,"Illegal parameter value"')
        self.source = int(text[-1])
        return None

    @command(":WAVeform:MODE")
    def wave_mode(self, text: str) -> Answer:
        self.mode = self.one_of(text, "NORMal", "MAXimum", "RAW")
        return None

    @command(":WAVeform:FORMat")
    def wave_format(self, text: str) -> Answer:
        self.one_of(text, "BYTE")
        return None

    @command(":WAVeform:STARt")
    def wave_first(self, text: str) -> Answer:
        self.first = int(self.number(text, 1, self.depth))
        return None

    @command(":WAVeform:STOP")
    def wave_last(self, text: str) -> Answer:
        self.last = int(self.number(text, 1, self.depth))
        return None

    def _held(self) -> np.ndarray:
        if self.mode == "RAW" and self.status != "STOP":
            raise Refused('-221,"Settings conflict"')
        if self.source not in self._codes:
            raise Refused('-230,"Data corrupt or stale"')
        return self._codes[self.source]

    @command(":WAVeform:PREamble?")
    def preamble(self, _: str) -> Answer:
        count = len(self._held())
        per_code, origin = self._frozen[self.source]
        averages = self.averages if self.type == "AVER" else 1
        return (
            f"0,2,{count},{averages},{self._dt:.6e},{-(count // 2) * self._dt:.6e},0,"
            f"{per_code:.6e},{origin},127"
        )

    @command(":WAVeform:DATA?")
    def data(self, _: str) -> Answer:
        held = self._held()
        count = self.last - self.first + 1
        if not 1 <= count <= MOST:
            raise Refused('-222,"Data out of range"')
        self.pieces.append(count)
        return block(held[self.first - 1 : self.last].astype(np.uint8).tobytes(), 9)
