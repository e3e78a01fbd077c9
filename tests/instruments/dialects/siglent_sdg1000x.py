"""The dialect of the Siglent SDG1000X family.

Read: SDG1000 Programming Manual, sections 1.1 and 1.2 (command form C1:..., list of commands, no
error query among them). Read in public single-instrument drivers and their tests: the fields of
BSWV with AMPVRMS in Vrms ("C1:BSWV WVTP,SINE,FRQ,1000HZ,PERI,0.001S,AMP,4V,AMPVRMS,1.414Vrms,
OFST,0V,HLEV,2V,LLEV,-2V,PHSE,0"), which settles the keyword told differently by two sources; and
that a wave type sent together with other fields may swallow them, so it goes alone. From memory:
OUTP with LOAD, BTWV. What is not understood is answered by silence and changes nothing.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from .base import Answer, Lines

_FACTORS = {"": 1.0, "V": 1.0, "VRMS": 1.0, "HZ": 1.0, "S": 1.0, "MV": 1e-3, "KHZ": 1e3}


@dataclass
class Output:
    kind: str = "SINE"
    hertz: float = 1000.0
    volts_pp: float = 4.0
    offset: float = 0.0
    load: str = "50"
    on: bool = False
    burst: dict[str, str] = field(default_factory=dict)

    @property
    def volts_rms(self) -> float:
        return self.volts_pp / (2.0 * math.sqrt(2.0) if self.kind == "SINE" else 2.0)


class SiglentSdg1000x(Lines):
    def __init__(self) -> None:
        super().__init__()
        self.output = [Output(), Output()]

    def line(self, text: str) -> Answer:
        words = text.strip().upper()
        if words == "*IDN?":
            return "Siglent Technologies,SDG1032X,SDG1XXXXXXXXX1,1.01.01.33R1"
        if found := re.fullmatch(r"C([12]):(BSWV|OUTP|BTWV)\?", words):
            return self._ask(int(found[1]), found[2])
        if found := re.fullmatch(r"C([12]):(BSWV|OUTP|BTWV) (.+)", words):
            fields = found[3].split(",")
            if found[2] == "OUTP" and fields[0] in ("ON", "OFF"):
                fields = ["STATE", *fields]
            if len(fields) % 2 == 0:
                pairs = dict(zip(fields[::2], fields[1::2], strict=True))
                self._set(self.output[int(found[1]) - 1], found[2], pairs)
        return None

    def _ask(self, n: int, what: str) -> Answer:
        o = self.output[n - 1]
        if what == "OUTP":
            return f"C{n}:OUTP {'ON' if o.on else 'OFF'},LOAD,{o.load},PLRT,NOR"
        if what == "BTWV":
            return f"C{n}:BTWV STATE,{o.burst.get('STATE', 'OFF')}"
        return (
            f"C{n}:BSWV WVTP,{o.kind},FRQ,{o.hertz:g}HZ,PERI,{1 / o.hertz:g}S,AMP,{o.volts_pp:g}V,"
            f"AMPVRMS,{o.volts_rms:.3f}Vrms,OFST,{o.offset:g}V,HLEV,{o.volts_pp / 2 + o.offset:g}V,"
            f"LLEV,{o.offset - o.volts_pp / 2:g}V,PHSE,0"
        )

    def _set(self, o: Output, what: str, pairs: dict[str, str]) -> None:
        if what == "OUTP":
            if pairs.get("LOAD", o.load) == "HZ" or pairs.get("LOAD", o.load).isdigit():
                o.load = pairs.get("LOAD", o.load)
                o.on = pairs.get("STATE", "ON" if o.on else "OFF") == "ON"
        elif what == "BTWV":
            o.burst |= pairs
        elif "WVTP" in pairs:
            if pairs["WVTP"] in ("SINE", "SQUARE", "RAMP", "PULSE", "NOISE", "DC"):
                o.kind = pairs["WVTP"]  # the fields that came with it are lost
        else:
            self._wave(o, pairs)

    def _wave(self, o: Output, pairs: dict[str, str]) -> None:
        most = 20.0 if o.load == "HZ" else 10.0
        for key, said in pairs.items():
            found = re.fullmatch(r"([-+]?[\d.]+(?:E[-+]?\d+)?)([A-Z]*)", said)
            if not found or found[2] not in _FACTORS:
                continue
            value = float(found[1]) * _FACTORS[found[2]]
            if key == "FRQ" and 1e-6 <= value <= 30e6:
                o.hertz = value
            elif key == "AMP" and 0.0 < value <= most:
                o.volts_pp = value
            elif key == "AMPVRMS":
                factor = 2.0 * math.sqrt(2.0) if o.kind == "SINE" else 2.0
                if 0.0 < value * factor <= most * (1.0 + 1e-6):
                    o.volts_pp = value * factor
            elif key == "OFST":
                o.offset = value
