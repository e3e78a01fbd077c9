"""The dialect of the Aim-TTi MX180TP over its LAN socket.

Read: MX180T and MX180TP Instruction Manual, pages 33 (queues), 34 (numbers in basic units with an
optional exponent; a carriage return and a line feed after answers; answers of a word and a number)
and 35 (OVP<N>?, OCP<N>?, V<N>O?, I<N>O?, OP<N>, OPALL, which can be set up to leave an output out,
TRIPRST). Of its kin: XDL 35-5, page 32 (V1 <nrf>), QPX600D, page 30 (the bits of LSR<n>?, which
reading clears). From memory: EER? and its numbers, *IDN?, that a tripped output is off.
"""

from __future__ import annotations

import re
from typing import ClassVar

from .base import Answer, Lines
from .loaded import Output

_NUMBER = r"[-+]?\d*\.?\d+(?:E[-+]?\d+)?"
_RANGE, _COMMAND = 100, 1  # of the execution error register; a syntax error is in *ESR?
MOST = {"V": 120.0, "I": 20.0, "OVP": 130.0, "OCP": 22.0}  # wide: its ranges were not read


class AimTtiMx180tp(Lines):
    answers_end: bytes = b"\r\n"
    ends: ClassVar[bytes] = b"\n"

    def __init__(self, ohms: float = 30.0, left_out_of_all: int = 0) -> None:
        super().__init__()
        self.output = [Output(ohms=ohms, over_volts_on=True, over_amperes_on=True) for _ in "123"]
        self.left_out_of_all = left_out_of_all  # output that OPALL was set up to leave alone
        self._error = 0
        self._seen = [0, 0, 0]  # what LSR tells

    def line(self, text: str) -> Answer:
        said: list[str] = []
        for one in text.strip().upper().split(";"):
            answer = self._one(one.strip())
            for number, output in enumerate(self.output):
                output.settle()
                self._seen[number] |= (output.limited << 1) | (output.tripped == "OVP") << 3
                self._seen[number] |= (output.tripped == "OCP") << 4
            if answer is not None:
                said.append(answer)
        return "\r\n".join(said) if said else None

    def _one(self, text: str) -> str | None:
        if text == "*IDN?":
            return "THURLBY THANDAR, MX180TP, 521234, 1.02-1.00"
        if text == "EER?":
            told, self._error = self._error, 0
            return str(told)
        if text in ("*CLS", "TRIPRST"):
            for output in self.output:
                output.tripped = "" if text == "TRIPRST" else output.tripped
            self._error = 0 if text == "*CLS" else self._error
            return None
        if found := re.fullmatch(r"LSR([123])\?", text):
            told, self._seen[int(found[1]) - 1] = self._seen[int(found[1]) - 1], 0
            return str(told)
        if found := re.fullmatch(r"OPALL ([01])", text):
            for number, output in enumerate(self.output, 1):
                if number != self.left_out_of_all:
                    output.on = found[1] == "1"
            return None
        if found := re.fullmatch(r"OP([123]) ([01])", text):
            self.output[int(found[1]) - 1].on = found[2] == "1"
            return None
        if found := re.fullmatch(r"(OP|OVP|OCP|V|I)([123])(O?)\?", text):
            return self._read(found[1] + found[3], int(found[2]))
        if found := re.fullmatch(rf"(OVP|OCP|V|I)([123]) ({_NUMBER})", text):
            self._set(found[1], self.output[int(found[2]) - 1], float(found[3]))
            return None
        self._error = self._error or _COMMAND
        return None

    def _set(self, what: str, output: Output, value: float) -> None:
        if not 0.0 <= value <= MOST[what]:
            self._error = _RANGE
            return
        name = {"V": "volts", "I": "amperes", "OVP": "over_volts", "OCP": "over_amperes"}[what]
        setattr(output, name, value)

    def _read(self, what: str, number: int) -> str:
        output = self.output[number - 1]
        return {
            "OP": f"{int(output.on)}",
            "VO": f"{output.voltage:.3f}V",
            "IO": f"{output.current:.4f}A",
            "V": f"V{number} {output.volts:.3f}",
            "I": f"I{number} {output.amperes:.4f}",
            "OVP": f"VP{number} {output.over_volts:.2f}",
            "OCP": f"CP{number} {output.over_amperes:.3f}",
        }[what]
