"""The dialect of the Siglent SDS2000X Plus family over its raw socket.

Read, in a public driver of this family that names the SDS Series Programming Guide: the descriptor
of WAVeform:PREamble (text, then a block; in it, little-endian: 0x74 points, 0x9c volts a division,
0xa0 offset, 0xa4 codes a division, 0xac bits, 0xb0 interval, 0xb4 delay, 0x144 number of the time
base, 0x148 the probe's factor; volts and offset are at the input); volts = code / codes a division
· volts a division − offset; the first sample is half a screen of ten divisions before the delay;
depths of 10k to 100M; STARt, POINt, MAXPoint; TRIGger:MODE SINGle, AUTO, NORMal, FTRIG and STATus?
Arm, Ready, Auto, Trig'd, Stop. From memory: 30 codes a division at 8 bits, 346 bytes, the other
commands. What it does not know it does not answer.
"""

from __future__ import annotations

import re
import struct

import numpy as np

from . import trace
from .base import Answer, Lines, block

_DEPTHS = {"10K": 10_000, "100K": 100_000, "1M": 1_000_000, "10M": 10_000_000, "100M": 100_000_000}
_CODES = 30.0  # a division
_MOST = 5_000_000  # points at once
_DESCRIPTOR = 346


def _words(long: str, *values: str) -> re.Pattern[str]:
    parts = (re.sub(r"[a-z]+", lambda m: f"(?:{m[0]})?", word) for word in long.split(":"))
    return re.compile(":?" + ":".join(parts) + "".join(values), re.IGNORECASE)


class SiglentSds2000xPlus(Lines):
    def __init__(self) -> None:
        super().__init__()
        self.shown = dict.fromkeys((1, 2, 3, 4), False)
        self.vdiv = dict.fromkeys(self.shown, 1.0)
        self.offset = dict.fromkeys(self.shown, 0.0)
        self.probe = dict.fromkeys(self.shown, 1.0)
        self.coupling = dict.fromkeys(self.shown, "DC")
        self.depth, self.tdiv, self.mode, self.way = 10_000, 1e-3, "AUTO", "NORM"
        self.source, self.start, self.count, self.edge = 1, 0, 0, 1
        self.edges = True
        self.knob: dict[int, float] = {}
        self.status = "Auto"
        self.pieces: list[int] = []
        self._codes: dict[int, np.ndarray] = {}

    @property
    def rate(self) -> float:
        return min(self.depth / (10.0 * self.tdiv), 1e9)

    def line(self, text: str) -> Answer:
        text = text.strip()
        if text == "*IDN?":
            return "Siglent Technologies,SDS2104X Plus,SDS2PXXXXXX0001,1.5.2R3"
        if _words("TRIGger:STATus", r"\?").fullmatch(text):
            return self.status
        if _words("WAVeform:MAXPoint", r"\?").fullmatch(text):
            return str(_MOST)
        if _words("WAVeform:PREamble", r"\?").fullmatch(text) and self.source in self._codes:
            return b"DESC," + block(self._descriptor(), 9) + b"\n"
        if _words("WAVeform:DATA", r"\?").fullmatch(text) and self.source in self._codes:
            end = self.start + (self.count or _MOST)
            held = self._codes[self.source][self.start : min(end, self.start + _MOST)]
            self.pieces.append(len(held))
            return b"DAT2," + block(held.tobytes(), 9) + b"\n"
        self._do(text)
        return None

    def _descriptor(self) -> bytes:
        n = self.source
        data = bytearray(_DESCRIPTOR)
        data[:8] = b"WAVEDESC"
        for at, kind, value in (
            (0x74, "i", len(self._codes[n])), (0x9C, "f", self.vdiv[n] / self.probe[n]),
            (0xA0, "f", self.offset[n] / self.probe[n]), (0xA4, "f", _CODES), (0xAC, "h", 8),
            (0xB0, "f", 1.0 / self.rate), (0xB4, "d", 0.0), (0x148, "f", self.probe[n]),
        ):  # fmt: skip
            struct.pack_into("<" + kind, data, at, value)
        return bytes(data)

    # --- commands ------------------------------------------------------------------------------

    def _do(self, text: str) -> None:
        head, _, what = text.partition(" ")
        if found := re.fullmatch(r":?CHAN(?:nel)?([1-4]):(\w+)", head, re.IGNORECASE):
            self._channel(int(found[1]), found[2].upper(), what.upper())
        elif _words("TIMebase:SCALe").fullmatch(head) and f"{float(what):.6e}"[0] in "125":
            self.tdiv = float(what)
        elif _words("ACQuire:MDEPth").fullmatch(head) and what.upper() in _DEPTHS:
            self.depth = _DEPTHS[what.upper()]
        elif _words("ACQuire:TYPE").fullmatch(head):
            self.way = what.upper()
        elif _words("TRIGger:MODE").fullmatch(head):
            self._arm(what.upper())
        elif _words("TRIGger:RUN").fullmatch(head):
            self._arm(self.mode)
        elif _words("TRIGger:STOP").fullmatch(head):
            self.status = "Stop"
        elif _words("TRIGger:EDGE:SOURce").fullmatch(head):
            self.edge = int(what[1:])
        else:
            self._transfer(head, what)

    def _transfer(self, head: str, what: str) -> None:
        if _words("WAVeform:SOURce").fullmatch(head):
            self.source = int(what[1:])
        elif _words("WAVeform:STARt").fullmatch(head):
            self.start = int(what)
        elif _words("WAVeform:POINt").fullmatch(head):
            self.count = int(what)

    def _channel(self, n: int, word: str, what: str) -> None:
        if word in ("SWIT", "SWITCH"):
            self.shown[n] = what == "ON"
        elif word in ("SCAL", "SCALE") and 5e-4 <= float(what) / self.probe[n] <= 10.0:
            self.vdiv[n] = float(what)
        elif word in ("OFFS", "OFFSET"):
            self.offset[n] = float(what)
        elif word in ("COUP", "COUPLING") and what in ("DC", "AC", "GND"):
            self.coupling[n] = what
        elif word in ("PROB", "PROBE"):
            self.probe[n] = float(what.removeprefix("VALUE,").removeprefix("VAL,"))

    def _arm(self, mode: str) -> None:
        if mode == "FTRIG":
            self._acquire()
            self.status = "Stop"
            return
        self.mode, self.status = mode, "Ready"
        if mode == "AUTO" or (mode in ("SING", "SINGLE") and self.edges):
            self._acquire()
            self.status = "Auto" if mode == "AUTO" else "Stop"

    def _acquire(self) -> None:
        count = round(self.rate * 10.0 * self.tdiv)
        seconds = np.arange(count) / self.rate - 5.0 * self.tdiv
        self._codes.clear()
        for n, on in self.shown.items():
            if on:
                self.offset[n] = self.knob.get(n, self.offset[n])
                wave = trace.volts(n, seconds)
                if self.coupling[n] == "AC":
                    wave = wave - wave.mean()
                codes = trace.codes(wave + self.offset[n], self.vdiv[n] / _CODES, 0.0, -128, 127)
                self._codes[n] = codes.astype(np.int8)
