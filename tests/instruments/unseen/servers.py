"""What each made-up manual says of its instrument stands in the docstring of its server."""

from __future__ import annotations

import re
from typing import ClassVar

import numpy as np
from dialects.base import Answer, Commands, Dialect, Lines, block, command


class InvertedSupply(Lines):
    """Serial. Messages end with CR, answers with CR LF. Writes are answered ``OK``, or ``E`` and a
    number. Answers repeat the question and end with a unit. ``STAT?`` is a hexadecimal byte, low
    active: bits 0 and 1 outputs on, 4 and 5 tripped. ``WHO`` tells its identity."""

    ends = b"\r"
    answers_end = b"\r\n"
    most: ClassVar = {"V": 32.0, "I": 2.2, "VP": 35.0, "IP": 3.5}

    def __init__(self) -> None:
        super().__init__()
        self.set = {("VP", n): 33.0 for n in (0, 1)} | {("IP", n): 3.3 for n in (0, 1)}
        self.on, self.tripped = [False, False], [False, False]

    def line(self, text: str) -> Answer:
        if text == "WHO":
            return "PWR302 SN1234"
        if text == "STAT?":
            bits = [*self.on, False, False, *self.tripped, False, False]
            return f"ST={0xFF - sum(on << n for n, on in enumerate(bits)):02X}"
        if found := re.fullmatch(r"(VP|IP|V|I)([12])=(\d+\.\d+)", text):
            if float(found[3]) > self.most[found[1]]:
                return "E03"
            self.set[found[1], int(found[2]) - 1] = float(found[3])
            return "OK"
        if found := re.fullmatch(r"(VP|IP|V|I)([12])\?", text):
            what, n = found[1], int(found[2]) - 1
            value = self.set.get((what, n), 0.0)
            if what == "I" or (what == "V" and not self.on[n]):
                value = 0.0
            return f"{what}{n + 1}={value:05.2f}{'V' if what[0] == 'V' else 'A'}"
        if found := re.fullmatch(r"(ON|OFF)([12*])", text):
            for n in (0, 1) if found[2] == "*" else (int(found[2]) - 1,):
                self.on[n] = found[1] == "ON"
            return "OK"
        return "E01"


class PromptSupply(Lines):
    """Serial. Every answer ends with a prompt, ``>``, which alone follows what was taken; what was
    not is answered ``?`` and a word. Settings are whole millivolts and milliamperes. ``OUT``
    answers one line with volts, amperes, CV or CC, ON or OFF. ``MODEL`` tells its identity."""

    ends = b"\r"
    answers_end = b">"

    def __init__(self) -> None:
        super().__init__()
        self.volts, self.amperes, self.on = 0.0, 1.0, False

    def line(self, text: str) -> Answer:
        if text == "MODEL":
            return "MODEL LAB-30 REV B\r\n"
        if text == "OUT":
            volts = self.volts if self.on else 0.0
            return f"{volts:06.3f} V  00.010 A  CV {'ON ' if self.on else 'OFF'} ----\r\n"
        if found := re.fullmatch(r"S([VI]) (\d+)", text):
            value = int(found[2]) / 1000.0
            if value > {"V": 30.0, "I": 5.0}[found[1]]:
                return "?RANGE\r\n"
            self.volts, self.amperes = (
                (value, self.amperes) if found[1] == "V" else (self.volts, value)
            )
            return ""
        if text in ("RUN", "STOP"):
            self.on = text == "RUN"
            return ""
        return "?COMMAND\r\n"


class BurstMeter(Lines):
    """Serial. Nothing has a question mark. ``T`` and a count streams that many readings, each with
    its unit and CR LF; the burst ends in silence. ``OL`` beyond the range. ``I``: identity."""

    ends = b"\r"
    answers_end = b""
    shown: ClassVar = {"V": "+1.2345 VDC", "A": "+12.34 mVAC", "O": "+1.2345 kOHM"}

    def __init__(self) -> None:
        super().__init__()
        self.function, self.overload = "V", False

    def line(self, text: str) -> Answer:
        if text == "I":
            return "BM-4 v1.2\r\n"
        if found := re.fullmatch(r"([VAO])(\d)", text):
            self.function = found[1]
        elif found := re.fullmatch(r"T(\d*)", text):
            shown = " OL" if self.overload else self.shown[self.function]
            return f"{shown}\r\n" * int(found[1] or 1)
        return None


class CodeMeter(Lines):
    """Letters in one message: function, range, digits. ``T3`` triggers and answers. No question
    marks, no identity; ``S`` answers its switch positions, four digits."""

    ends = answers_end = b"\r\n"
    shown: ClassVar = {"1": "+1.23456E+0", "3": "+8.15100E+0", "4": "+8.05100E+0"}

    def __init__(self) -> None:
        super().__init__()
        self.function = "1"

    def line(self, text: str) -> Answer:
        if text == "S":
            return "1000"
        if found := re.fullmatch(r"F([134])R[A0-2]N[45]", text):
            self.function = found[1]
        elif text == "T3":
            return self.shown[self.function]
        return None


class TimedMeter(Lines):
    """Each reading has a head (``NDCV``). ``N`` and a count makes ``X?`` answer so many, between
    semicolons, until it is set again. ``E?`` takes the number of the last error."""

    def __init__(self) -> None:
        super().__init__()
        self.function, self.count, self.error = "DCV", 1, 0

    def line(self, text: str) -> Answer:
        if text == "ID?":
            return '"BASTEL 6","77"'
        if text == "E?":
            error, self.error = self.error, 0
            return f"E{error:02d}"
        if text == "X?":
            return ";".join([f"N{self.function}+1.2345E+00"] * self.count)
        if found := re.fullmatch(r"FN (DCV|ACV|OHM),\d+(\.\d+)?", text):
            self.function = found[1]
        elif found := re.fullmatch(r"N (\d+)", text):
            self.count = int(found[1])
        else:
            self.error = 3
        return None


class HeaderScope(Commands):
    """Answers begin with their header, those of the error query too. The preamble has keywords and
    values with ``=`` between and commas after, SI suffixes, and a text that holds commas. Samples
    are little-endian words about ``YR``, 3200 a division, in a block after the header."""

    undefined = "17 UNKNOWN"
    none = "NONE"

    def __init__(self) -> None:
        super().__init__()
        self.scale, self.points, self.interval = [1.0, 1.0], 1000, 1e-6

    def codes(self, channel: int) -> np.ndarray:
        """What the converter has made of a sine of 0.25 V."""
        t = np.arange(self.points) * self.interval
        steps = 0.25 * np.sin(2 * np.pi * 5e3 * t) / (self.scale[channel - 1] / 3200)
        return np.round(steps).astype("<i2") + 100

    @command("*IDN?")
    def idn(self, _: str) -> Answer:
        return "*IDN OSCAR,HS-202,77,1.0"

    @command("ERROR?")
    def error(self, _: str) -> Answer:
        return f"ERROR {self.next_error()}"

    @command("CH<n>:VSCALE")
    def vscale(self, channel: str, volts: str) -> None:
        self.scale[int(channel) - 1] = float(volts)

    @command("TIME:RATE")
    def rate(self, hertz: str) -> None:
        self.interval = 1.0 / float(hertz)

    @command("TIME:POINTS")
    def length(self, points: str) -> None:
        self.points = int(points)

    @command(
        "CH<n>:COUPLING", "CH<n>:DISPLAY", "TRIG:SOURCE", "TRIG:LEVEL", "TRIG:MODE", "ACQ:MODE",
        "SINGLE", "STOP",
    )  # fmt: skip
    def taken(self, *_: str) -> None:
        """Nothing that a test looks at."""

    @command("DONE?")
    def done(self, _: str) -> Answer:
        return "DONE YES"

    @command("PREAMBLE:CH<n>?")
    def preamble(self, channel: str, _: str) -> Answer:
        step = self.scale[int(channel) - 1] / 3200
        return (
            f"PREAMBLE:CH{channel} XI={self.interval * 1e9:.4g}ns,"
            f"XO=-{self.interval * self.points / 2 * 1e6:.4g}us,YI={step * 1e6:.6g}uV,YR=100,"
            f'NP={self.points}pts,LBL="a, XI=9s, b"'
        )

    @command("WAVE:CH<n>?")
    def wave(self, channel: str, _: str) -> Answer:
        return f"WAVE:CH{channel} ".encode() + block(self.codes(int(channel)).tobytes())


class FloatScope(Commands):
    """Samples are volts, big-endian floats, in a block behind all the settings as text. The same
    text is answered alone: keyword, comma, value, semicolon; keywords hold blanks."""

    def __init__(self) -> None:
        super().__init__()
        self.division_s, self.scale = 1e-3, [1.0, 1.0]

    @property
    def interval(self) -> float:
        return self.division_s * 10.0 / 5000

    def volts(self) -> np.ndarray:
        """The samples."""
        return (0.25 * np.sin(2e3 * np.pi * np.arange(5000) * self.interval)).astype(">f4")

    @command("*IDN?")
    def idn(self, _: str) -> Answer:
        return "Gauss Labs,FS-2,1,1"

    @command("SYST:ERR?")
    def error(self, _: str) -> Answer:
        return self.next_error()

    @command("*OPC?")
    def complete(self, _: str) -> Answer:
        return "1"

    @command("CHAN<n>:SCAL")
    def vertical(self, channel: str, volts: str) -> None:
        self.scale[int(channel) - 1] = float(volts)

    @command("TIM:SCAL")
    def horizontal(self, seconds: str) -> None:
        self.division_s = float(seconds)

    @command("CHAN<n>:COUP", "CHAN<n>:DISP", "TRIG:SOUR", "TRIG:LEV", "TRIG:MODE", "ACQ:MODE",
             "SING")  # fmt: skip
    def taken(self, *_: str) -> None:
        """Nothing that a test looks at."""

    @command("ACQ:HEAD<n>?")
    def head(self, channel: str, _: str) -> Answer:
        return (
            f"Format,2.0C;Memory Length,5000;Vertical Scale,{self.scale[int(channel) - 1]:.3e};"
            f'Sampling Period,{self.interval:.3e};Note,"{"-" * 300}";Waveform Data'
        )

    @command("ACQ:MEM<n>?")
    def memory(self, channel: str, _: str) -> Answer:
        head = str(self.head(channel, ""))
        return head.encode() + b";\n" + block(self.volts().tobytes())


class DbmGenerator(Commands):
    """One output. Levels are dBm into 50 Ω, frequencies kilohertz; ``ERR?`` takes the last error,
    which is ``NONE`` or a number and a word."""

    undefined = "1: WHAT"
    none = "NONE"

    def __init__(self) -> None:
        super().__init__()
        self.dbm, self.hertz, self.on = -99.0, 1000.0, False

    @command("*IDN?")
    def idn(self, _: str) -> Answer:
        return "TONY,SG-1,0,1"

    @command("ERR?")
    def error(self, _: str) -> Answer:
        return self.next_error()

    @command("FREQ")
    def frequency(self, said: str) -> None:
        self.hertz = 1000.0 * float(said.removesuffix("KHZ"))

    @command("LEVEL")
    def level(self, said: str) -> None:
        dbm = float(said.removesuffix("DBM"))
        if not -80.0 <= dbm <= 20.0:
            self.refuse("12: RANGE")
            return
        self.dbm = dbm

    @command("OUT")
    def output(self, said: str) -> None:
        self.on = said == "ON"

    @command("OUT?")
    def state(self, _: str) -> Answer:
        return "ON" if self.on else "OFF"


class LetterGenerator(Lines):
    """One output, letters, and never an answer."""

    ends = b"\r\n"

    def __init__(self) -> None:
        super().__init__()
        self.hertz, self.volts, self.on = 0.0, 0.0, False

    def line(self, text: str) -> Answer:
        for word, number in re.findall(r"(FU|FR|AM|RF)([\d.]+)(?:HZ|VR)?", text):
            if word == "FR":
                self.hertz = float(number)
            elif word == "AM":
                self.volts = float(number)
            elif word == "RF":
                self.on = number == "1"
        return None


class MuteRelays(Lines):
    """Relays by number: ``C05`` closes, ``O05`` opens, ``X`` opens all. It never answers."""

    ends = b"\r"

    def __init__(self) -> None:
        super().__init__()
        self.closed: set[int] = set()

    def line(self, text: str) -> Answer:
        if found := re.fullmatch(r"([CO])(\d\d)", text):
            (self.closed.add if found[1] == "C" else self.closed.discard)(int(found[2]))
        elif text == "X":
            self.closed.clear()
        return None


class DialMeter(Dialect):
    """A meter whose dial chooses; it sends its display again and again, and hears nothing. Here the
    bytes come when ``speaks`` says so."""

    def __init__(self) -> None:
        super().__init__()
        self.shown = "+12.34 VDC"

    def receive(self, data: bytes) -> bytes:
        return b""

    def speaks(self) -> bytes:
        """What it sends next."""
        return f"{self.shown}\r\n".encode()
