"""The dialect of the Rigol DHO800 family over its raw socket (four channels, DHO814).

Read: DHO800/DHO900 Series Programming Guide (Apr. 2025): 3.1 root commands; 3.3 memory depths, the
same set however many channels are on, its longest cut (25 M, 10 M, 5 M points with one, two and
more channels), averages 2^n, types NORM, AVER, PEAK, ULTR; 3.6 scales of 500 µV to 10 V a division,
probe ratios; 3.26 time base, ten divisions; 3.27 edge trigger, whose short form is EDGE, status TD,
WAIT, RUN, AUTO, STOP; 3.28 waveforms: RAW only while stopped, WORD of 16 bits, preamble of ten
fields, volts = (code - YORigin - YREFerence) * YINCrement with YINCrement = scale / 7500.

From a public capture of one of the family (aimoda/rigol-dho824-mcp, captured_waveforms/ch1): words
are little-endian, YREFerence is 32768 for them, YORigin is the offset in codes (-22718 at
-0.1514539 V and 50 mV a division), and the record spans twice the screen (10,000 points of 0.4 µs
at 200 µs a division). From memory: the error query and its entries.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from . import trace
from .base import Answer, Refused, block, command
from .rigol_ds1000z import RigolDs1000z

STEP = 17.3  # codes of the words from one code of the converter to the next, as in the capture
_DEPTHS = (1_000, 10_000, 100_000, 1_000_000, 5_000_000, 10_000_000, 25_000_000)
_LONGEST = {1: 25_000_000, 2: 10_000_000, 4: 5_000_000}

#: codes from sample 5,000 on, in the capture, and the volts that the instrument itself stored of
#: every fifth of them
CAPTURED_CODES = (
    29130, 35467, 40297, 44036, 46668, 48815, 50390, 51481, 52364, 53125, 53558,
    54078, 54199, 54545, 54649, 54770, 54822, 54943, 55030, 55047, 55099,
)  # fmt: skip
STORED_VOLTS = (1.272000e-01, 2.584333e-01, 2.900533e-01, 2.981333e-01, 3.003267e-01)
#: what it answered then: 50 mV a division, offset -0.1514539 V
CAPTURED_PREAMBLE = "1,2,10000,1,4.000000E-7,-2.000000E-3,0,6.6667E-6,-22718,32768"


class RigolDho800(RigolDs1000z):
    """What it has in common with the older family, and what is its own."""

    idn: ClassVar[str] = "RIGOL TECHNOLOGIES,DHO814,DHO8A000000001,00.01.04"
    none: ClassVar[str] = '0,"No error"'

    def __init__(self) -> None:
        super().__init__()
        self.depth = 10_000
        self.probe = dict.fromkeys(self.shown, 1.0)

    @command(":CHANnel<n>:SCALe")
    def set_scale(self, n: str, text: str) -> Answer:
        probe = self.probe[self._channel(n)]
        self.scale[int(n)] = self.number(text, 5e-4 * probe, 10.0 * probe)
        return None

    @command(":ACQuire:MDEPth")
    def set_depth(self, text: str) -> Answer:
        if text not in [str(d) for d in _DEPTHS] or int(text) > _LONGEST[self.share]:
            raise Refused('-224,"Illegal parameter value"')
        self.depth = int(text)
        return None

    @command(":ACQuire:TYPE")
    def set_type(self, text: str) -> Answer:
        self.type = self.one_of(text, "NORMal", "AVERages", "PEAK", "ULTRa")
        return None

    @command(":TIMebase:MODE")
    def time_mode(self, text: str) -> Answer:
        self.one_of(text, "MAIN", "XY", "ROLL")
        return None

    @command(":TIMebase:ROLL")
    def roll(self, text: str) -> Answer:
        self.one_of(text, "0", "1")
        return None

    @command(":TRIGger:EDGE:SOURce")
    def trigger_source(self, text: str) -> Answer:
        self.one_of(text, *(f"CHANnel{n}" for n in self.shown), *(f"CHAN{n}" for n in self.shown))
        return None

    @command(":TRIGger:EDGE:SLOPe")
    def trigger_slope(self, text: str) -> Answer:
        self.one_of(text, "POSitive", "NEGative", "RFALl")
        return None

    @command(":TRIGger:EDGE:LEVel")
    def trigger_level(self, text: str) -> Answer:
        self.number(text, -1000.0, 1000.0)
        return None

    @command(":WAVeform:FORMat")
    def wave_format(self, text: str) -> Answer:
        self.one_of(text, "WORD")
        return None

    def _acquire(self) -> None:
        self._dt = 20.0 * self.time_scale / self.depth
        seconds = (np.arange(self.depth) - self.depth // 2) * self._dt
        self._codes.clear()
        for n, on in self.shown.items():
            if on:
                self.offset[n] = self.knob.get(n, self.offset[n])
                per_code = self.scale[n] / 7500.0
                origin = round(self.offset[n] / per_code)
                self._frozen[n] = (per_code, origin)
                wave = trace.volts(n, seconds)
                if self.coupling[n] == "AC":
                    wave = wave - wave.mean()
                # The converter's codes are stretched over the words, and rounded once more.
                made = trace.codes(wave, per_code * STEP, (origin + 32768) / STEP, 0, 4095)
                self._codes[n] = np.clip(np.rint(made * STEP), 0, 65535).astype(np.int64)

    @command(":WAVeform:PREamble?")
    def preamble(self, _: str) -> Answer:
        count = len(self._held())
        per_code, origin = self._frozen[self.source]
        averages = self.averages if self.type == "AVER" else 1
        return (
            f"1,2,{count},{averages},{self._dt:.6E},{-(count // 2) * self._dt:.6E},0,"
            f"{per_code:.6E},{origin},32768"
        )

    @command(":WAVeform:DATA?")
    def data(self, _: str) -> Answer:
        held = self._held()
        if self.last < self.first:
            raise Refused('-222,"Data out of range"')
        self.pieces.append(self.last - self.first + 1)
        return block(held[self.first - 1 : self.last].astype("<u2").tobytes(), 9)
