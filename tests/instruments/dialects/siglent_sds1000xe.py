"""The dialect of the Siglent SDS1000X-E family over its raw socket (four channels, SDS1104X-E).

Read: Digital Oscilloscopes Series Programming Guide, page 142 (an answer's head before the block,
"#9" and nine digits, two line feeds at the end; answers such as "C1:VDIV 5.00E-01V"; voltage = code
* (vdiv / 25) - voffset; time = trdl - (timebase * grid / 2)). That page takes 255 off a byte above
127 while its meaning is a signed byte; public single-instrument drivers take 256, and so does this.
From memory: WFSU, MSIZ words, SARA? with SI suffixes, INR? bit 0 for a new record until it is
asked, FRTR for one record at once, 14 divisions across. There is no error query in this guide: what
it does not have is answered by silence.
"""

from __future__ import annotations

import re

import numpy as np

from . import trace
from .base import Answer, Lines, block

_DEPTHS = {"7K": 7_000, "70K": 70_000, "700K": 700_000, "7M": 7_000_000}
_UNITS = {"V": 1.0, "MV": 1e-3, "UV": 1e-6, "S": 1.0, "MS": 1e-3, "US": 1e-6, "NS": 1e-9, "": 1.0}


def _quantity(text: str) -> float | None:
    found = re.fullmatch(r"([-+]?[\d.]+(?:E[-+]?\d+)?)([A-Z]*)", text)
    if not found or found[2] not in _UNITS:
        return None
    return float(found[1]) * _UNITS[found[2]]


class SiglentSds1000xe(Lines):
    def __init__(self) -> None:
        super().__init__()
        self.shown = {1: True, 2: False, 3: False, 4: False}
        self.vdiv = dict.fromkeys(self.shown, 1.0)
        self.offset = dict.fromkeys(self.shown, 0.0)
        self.coupling = dict.fromkeys(self.shown, "D1M")
        self.probe = dict.fromkeys(self.shown, 1.0)
        self.depth, self.tdiv, self.mode, self.way = 7_000, 1e-6, "AUTO", "SAMPLING"
        self.setup = (4, 0, 0)  # sparsing, number of points, first point
        self.edges = True
        self.knob: dict[int, float] = {}
        self.armed = self.new = False
        self._codes: dict[int, np.ndarray] = {}

    @property
    def rate(self) -> float:
        return min(self.depth / (14.0 * self.tdiv), 1e9)

    def line(self, text: str) -> Answer:
        words = text.strip().upper()
        if found := re.fullmatch(r"(?:C([1-4]):)?([A-Z*]+)(?:\?(?: (\S+))?| (.*))?", words):
            channel = int(found[1]) if found[1] else 0
            if "?" in words:
                return self._ask(channel, found[2], found[3] or "")
            self._do(channel, found[2], found[4] or "")
        return None

    # --- questions -----------------------------------------------------------------------------

    def _ask(self, channel: int, word: str, what: str) -> Answer:
        if channel:
            return self._ask_channel(channel, word, what)
        if word == "SARA":
            return f"SARA {self._si(self.rate)}Sa/s"
        if word == "INR":
            told, self.new = int(self.new), False
            return f"INR {told}"
        answers = {
            "*IDN": "Siglent Technologies,SDS1104X-E,SDSMMXXXXXXXX1,8.2.6.1.37R9",
            "TDIV": f"TDIV {self.tdiv:.2E}S",
            "TRDL": "TRDL -0.00E+00S",
            "MSIZ": f"MSIZ {next(k for k, v in _DEPTHS.items() if v == self.depth)}",
            "TRMD": f"TRMD {self.mode}",
            "SAST": f"SAST {'Stop' if not self.armed else 'Ready'}",
            "*OPC": "1",
        }
        return answers.get(word)

    def _ask_channel(self, channel: int, word: str, what: str) -> Answer:
        if word == "VDIV":
            return f"C{channel}:VDIV {self.vdiv[channel]:.2E}V"
        if word == "OFST":
            return f"C{channel}:OFST {self.offset[channel]:.2E}V"
        if word == "WF" and what in ("DAT2", "ALL") and channel in self._codes:
            _, count, first = self.setup
            held = self._codes[channel][first : first + count if count else None]
            return f"C{channel}:WF {what},".encode() + block(held.tobytes(), 9) + b"\n"
        return None

    @staticmethod
    def _si(value: float) -> str:
        for factor, prefix in ((1e9, "G"), (1e6, "M"), (1e3, "k")):
            if value >= factor:
                return f"{value / factor:.2f}{prefix}"
        return f"{value:.2f}"

    # --- commands ------------------------------------------------------------------------------

    def _do(self, channel: int, word: str, what: str) -> None:
        if channel:
            self._do_channel(channel, word, what)
        elif word == "MSIZ" and what in _DEPTHS:
            self.depth = _DEPTHS[what]
        elif word == "TDIV" and (value := _quantity(what)) and f"{value:.6e}"[0] in "125":
            self.tdiv = value
        elif word == "TRMD" and what in ("AUTO", "NORM", "SINGLE", "STOP"):
            self.mode = what
            if what == "STOP":
                self.armed = False
        elif word == "ARM":
            self._arm()
        elif word == "FRTR" and self.armed:
            self._complete()
        elif word == "STOP":
            self.armed, self.mode = False, "STOP"
        elif word == "ACQW" and re.fullmatch(
            r"SAMPLING|PEAK_DETECT|HIGH_RES|AVERAGE,(4|16|32|64|128|256|512|1024)", what
        ):
            self.way = what
        elif word == "WFSU" and (
            found := re.fullmatch(r"SP,(\d+),NP,(\d+),FP,(\d+)", what)
        ):  # 0 points: all; sparsing 0 and 1: every point
            self.setup = (int(found[1]), int(found[2]), int(found[3]))

    def _do_channel(self, channel: int, word: str, what: str) -> None:
        value = _quantity(what)
        if word == "TRA" and what in ("ON", "OFF"):
            self.shown[channel] = what == "ON"
        elif word == "CPL" and what in ("A1M", "D1M", "GND"):
            self.coupling[channel] = what
        elif word == "VDIV" and value is not None and 5e-4 <= value / self.probe[channel] <= 10.0:
            self.vdiv[channel] = value
        elif word == "OFST" and value is not None:
            self.offset[channel] = value
        elif word == "ATTN" and value is not None:
            self.probe[channel] = value

    def _arm(self) -> None:
        if self.mode == "STOP":
            self.mode = "SINGLE"  # from stopped to single
        self.armed = True
        if self.mode == "AUTO" or self.edges:
            self._complete()

    def _complete(self) -> None:
        self._acquire()
        self.armed, self.new = self.mode != "SINGLE", True

    def _acquire(self) -> None:
        count = min(self.depth, round(self.rate * 14.0 * self.tdiv))
        seconds = np.arange(count) / self.rate - 7.0 * self.tdiv
        self._codes.clear()
        for n, on in self.shown.items():
            if on:
                self.offset[n] = self.knob.get(n, self.offset[n])
                wave = trace.volts(n, seconds)
                if self.coupling[n] == "A1M":
                    wave = wave - wave.mean()
                codes = trace.codes(wave + self.offset[n], self.vdiv[n] / 25.0, 0.0, -128, 127)
                self._codes[n] = codes.astype(np.int8)
