"""The dialect of the Tektronix TDS2000 and TBS1000 families, here over a socket.

Read: TDS200, TDS1000/2000, TDS1000B/2000B, TDS2000C and TPS2000 Programmer Manual: waveform data
formats (page 2-28), CURVe (2-66 of the older edition: a block, header :CURVE), WFMPre:YMUlt,
YOFf, YZEro (2-192 to 2-194), value = ((curve - YOFF) * YMUlt) + YZEro, error 2244 for a waveform
that is not shown. Read in kindred manuals of the maker: the keyed WFMPre? answer, in no fixed
order. From memory: its order here, the event queue that is only told after *ESR?, 25 levels a
division, 250 points a division. Headers are on, as after power-up.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from . import trace
from .base import Answer, Commands, Refused, block, command

POINTS = 2500


def _nr3(value: float) -> str:
    """1.0E0, 4.0E-2, -2.5E-3: as this family prints numbers."""
    mantissa, exponent = f"{value:.6E}".split("E")
    digits = mantissa.rstrip("0")
    return f"{digits}{'0' if digits.endswith('.') else ''}E{int(exponent)}"


class TektronixTds2000(Commands):
    joins: ClassVar[bool] = True
    undefined: ClassVar[str] = '113,"Undefined header"'
    range_error: ClassVar[str] = '222,"Data out of range"'
    none: ClassVar[str] = '0,"No events to report - queue empty"'

    def __init__(self) -> None:
        super().__init__()
        self.header = True
        self.shown = {1: True, 2: False, 3: False, 4: False}
        self.scale = dict.fromkeys(self.shown, 1.0)
        self.position = dict.fromkeys(self.shown, 0.0)  # divisions
        self.probe = dict.fromkeys(self.shown, 10.0)
        self.coupling = dict.fromkeys(self.shown, "DC")
        self.time_scale, self.mode, self.averages = 5e-4, "SAM", 16
        self.source, self.encoding, self.first, self.last = 1, "RIB", 1, POINTS
        self.stop_after, self.edges, self.sweep = "RUNST", True, "AUTO"
        self.status = 128  # power on
        self.told: list[str] = []
        self.knob: dict[int, float] = {}
        self._codes: dict[int, np.ndarray] = {}
        self._frozen: dict[int, tuple[float, float]] = {}
        self._waiting = False

    def refuse(self, entry: str) -> None:
        super().refuse(entry)
        self.status |= 32 if entry.startswith("1") else 16

    def _said(self, head: str, value: str) -> str:
        return f":{head} {value}" if self.header else value

    @command("*IDN?")
    def identity(self, _: str) -> Answer:
        return "TEKTRONIX,TDS 2014C,C000001,CF:91.1CT FV:v24.26"

    @command("*CLS")
    def clear(self, _: str) -> Answer:
        self.errors.clear()
        self.told.clear()
        self.status = 0
        return None

    @command("*ESR?")
    def event_status(self, _: str) -> Answer:
        told, self.status = self.status, 0
        self.told, self.errors = [*self.errors], type(self.errors)(maxlen=20)
        return str(told)

    @command("EVMsg?")
    def event(self, _: str) -> Answer:
        if self.told:
            return self._said("EVMSG", self.told.pop(0))
        pending = '1,"No events to report - new events pending *ESR?"'
        return self._said("EVMSG", pending if self.errors else self.none)

    @command("HEADer")
    def set_header(self, text: str) -> Answer:
        self.header = self.is_on(text)
        return None

    def _channel(self, n: str) -> int:
        if n not in ("1", "2", "3", "4"):
            raise Refused(self.undefined)
        return int(n)

    @command("SELect:CH<n>")
    def select(self, n: str, text: str) -> Answer:
        self.shown[self._channel(n)] = self.is_on(text)
        return None

    @command("CH<n>:SCAle")
    def set_scale(self, n: str, text: str) -> Answer:
        probe = self.probe[self._channel(n)]
        self.scale[int(n)] = self.number(text, 2e-3 * probe, 5.0 * probe)
        return None

    @command("CH<n>:SCAle?")
    def scale_now(self, n: str, _: str) -> Answer:
        return self._said(f"CH{n}:SCALE", _nr3(self.scale[self._channel(n)]))

    @command("CH<n>:POSition")
    def set_position(self, n: str, text: str) -> Answer:
        self.position[self._channel(n)] = self.number(text, -1000.0, 1000.0)
        return None

    @command("CH<n>:COUPling")
    def couple(self, n: str, text: str) -> Answer:
        self.coupling[self._channel(n)] = self.one_of(text, "AC", "DC", "GND")
        return None

    @command("CH<n>:PRObe")
    def set_probe(self, n: str, text: str) -> Answer:
        if text not in ("1", "10", "20", "50", "100", "500", "1000"):
            raise Refused('224,"Illegal parameter value"')
        self.probe[self._channel(n)] = float(text)
        return None

    @command("HORizontal:MAIn:SCAle", "HORizontal:SCAle")
    def set_time_scale(self, text: str) -> Answer:
        value = self.number(text, 5e-9, 50.0)
        if f"{value:.1e}"[:3] not in ("1.0", "2.5", "5.0"):
            raise Refused('224,"Illegal parameter value"')
        self.time_scale = value
        return None

    @command("HORizontal:MAIn:POSition", "HORizontal:POSition")
    def set_time_position(self, text: str) -> Answer:
        self.number(text, -50.0, 50.0)
        return None

    @command("ACQuire:MODe")
    def set_mode(self, text: str) -> Answer:
        self.mode = self.one_of(text, "SAMple", "PEAKdetect", "AVErage")
        return None

    @command("ACQuire:NUMAVg")
    def set_averages(self, text: str) -> Answer:
        if text not in ("4", "16", "64", "128"):
            raise Refused('224,"Illegal parameter value"')
        self.averages = int(text)
        return None

    @command("ACQuire:STOPAfter")
    def set_stop_after(self, text: str) -> Answer:
        self.stop_after = self.one_of(text, "RUNSTop", "SEQuence")
        return None

    @command("ACQuire:STATE")
    def acquire(self, text: str) -> Answer:
        self._waiting = False
        if self.one_of(text, "ON", "OFF", "RUN", "STOP", "1", "0") in ("ON", "RUN", "1"):
            self._waiting = not (self.edges or self.sweep == "AUTO")
            if not self._waiting:
                self._acquire()
        return None

    @command("ACQuire:STATE?")
    def acquiring(self, _: str) -> Answer:
        return self._said("ACQUIRE:STATE", "1" if self._waiting else "0")

    @command("TRIGger:MAIn:EDGE:SOUrce", "TRIGger:EDGE:SOUrce")
    def trigger_source(self, text: str) -> Answer:
        self.one_of(text, *(f"CH{n}" for n in self.shown))
        return None

    @command("TRIGger:MAIn:EDGE:SLOpe")
    def trigger_slope(self, text: str) -> Answer:
        self.one_of(text, "RISe", "FALL")
        return None

    @command("TRIGger:MAIn:TYPe")
    def trigger_type(self, text: str) -> Answer:
        self.one_of(text, "EDGE")
        return None

    @command("TRIGger:MAIn:LEVel")
    def trigger_level(self, text: str) -> Answer:
        self.number(text, -1000.0, 1000.0)
        return None

    @command("TRIGger:MAIn:MODe")
    def trigger_mode(self, text: str) -> Answer:
        self.sweep = self.one_of(text, "AUTO", "NORMal")
        return None

    def _acquire(self) -> None:
        seconds = (np.arange(POINTS) - POINTS // 2) * self.time_scale / 250.0
        self._codes.clear()
        for n, on in self.shown.items():
            if on:
                self.position[n] = self.knob.get(n, self.position[n])
                levels = round(self.position[n] * 25.0, 6)
                self._frozen[n] = (self.scale[n] / 25.0, levels)
                wave = trace.volts(n, seconds)
                if self.coupling[n] == "AC":
                    wave = wave - wave.mean()
                codes = trace.codes(wave, self.scale[n] / 25.0, levels, -128, 127)
                self._codes[n] = codes.astype(np.int8)

    @command("DATa:SOUrce")
    def data_source(self, text: str) -> Answer:
        if text.upper() not in [f"CH{n}" for n in self.shown]:
            raise Refused('224,"Illegal parameter value"')
        self.source = int(text[-1])
        return None

    @command("DATa:ENCdg")
    def data_encoding(self, text: str) -> Answer:
        self.encoding = self.one_of(text, "ASCIi", "RIBinary", "RPBinary", "SRIbinary", "SRPbinary")
        return None

    @command("DATa:WIDth")
    def data_width(self, text: str) -> Answer:
        if text != "1":  # two would send each point times 256
            raise Refused('224,"Illegal parameter value"')
        return None

    @command("DATa:STARt")
    def data_first(self, text: str) -> Answer:
        self.first = int(self.number(text, 1, POINTS))
        return None

    @command("DATa:STOP")
    def data_last(self, text: str) -> Answer:
        self.last = int(self.number(text, 1, POINTS))
        return None

    def _held(self) -> np.ndarray:
        if self.source not in self._codes or not self.shown[self.source]:
            raise Refused('2244,"Waveform requested is not ACTIVE"')
        return self._codes[self.source]

    @command("WFMPre?")
    def preamble(self, _: str) -> Answer:
        count = len(self._held()[self.first - 1 : self.last])
        multiplier, offset = self._frozen[self.source]
        label = f'"Ch{self.source}, DC coupling, {_nr3(self.scale[self.source])} V/div"'
        fields = {
            "BYT_NR": "1", "BIT_NR": "8", "ENCDG": "BIN", "BN_FMT": "RI", "BYT_OR": "MSB",
            "NR_PT": str(count), "WFID": label, "PT_FMT": "Y",
            "XINCR": _nr3(self.time_scale / 250.0), "PT_OFF": "0",
            "XZERO": _nr3(-5.0 * self.time_scale), "XUNIT": '"s"', "YMULT": _nr3(multiplier),
            "YZERO": _nr3(0.0), "YOFF": _nr3(offset), "YUNIT": '"Volts"',
        }  # fmt: skip
        if not self.header:
            return ";".join(fields.values())
        return ":WFMPRE:" + ";".join(f"{key} {value}" for key, value in fields.items())

    @command("CURVe?")
    def curve(self, _: str) -> Answer:
        held = self._held()[self.first - 1 : self.last]
        if self.encoding != "RIB":
            raise Refused('224,"Illegal parameter value"')
        return (b":CURVE " if self.header else b"") + block(held.tobytes())
