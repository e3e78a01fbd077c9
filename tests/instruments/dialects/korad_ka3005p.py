"""The dialect of the Korad KA3005P and its many relabelled kin.

Read: the protocol page of a public wiki on the KAxxxxP series (9600 8N1, no terminator either way,
commands and example answers, the status byte). From memory: a message is over when the line has
been quiet, so two messages without a pause between are one that nobody understands (here they are
told apart all the same, because a machine under load delivers late what was sent apart; that the
driver pauses is a test of its own); ISET1? of some firmware has a stray "K" behind it. OVP1 and
OCP1 switch protections on that act at the set voltage and at the current limit: neither has a level
of its own, and after a trip only the output's bit tells. What is not understood is answered by
silence.
"""

from __future__ import annotations

import re
from typing import ClassVar

from .base import Dialect
from .loaded import Output


class KoradKa3005p(Dialect):
    gap_s: ClassVar[float] = 0.002

    def __init__(self, ohms: float = 30.0) -> None:
        super().__init__()
        self.output = Output(ohms=ohms)
        self.ocp = self.ovp = False

    def receive(self, data: bytes) -> bytes:
        whole = data.decode("latin-1")
        parts = re.findall(r"[*A-Z][A-Z]*1?(?:\?|[01]|:[\d.]*)", whole)
        messages = parts if "".join(parts) == whole else [whole]
        return b"".join(self._one(message) for message in messages)

    def _one(self, text: str) -> bytes:
        self.received.append(text)
        if self.mute:
            return b""
        if found := re.fullmatch(r"([VI])SET1:(\d{1,2}\.?\d{0,3})", text):
            self._set(found[1], float(found[2]))
        elif found := re.fullmatch(r"(OUT|OVP|OCP|BEEP)([01])", text):
            self._switch(found[1], found[2] == "1")
        else:
            return self._query(text)
        return b""

    def _set(self, what: str, value: float) -> None:
        if what == "V" and value <= 31.0:
            self.output.volts = value
        elif what == "I" and value <= 5.1:
            self.output.amperes = value
        self._settle()

    def _switch(self, what: str, on: bool) -> None:
        if what == "OUT":
            self.output.on = on
        elif what == "OVP":
            self.ovp = on
        elif what == "OCP":
            self.ocp = on
        self._settle()

    def _settle(self) -> None:
        if self.ocp and self.output.limited:
            self.output.on = False

    def _query(self, text: str) -> bytes:
        o = self.output
        answers = {
            "*IDN?": b"KORADKA3005PV2.0",
            "VSET1?": b"%05.2f" % o.volts,
            "VOUT1?": b"%05.2f" % o.voltage,
            "ISET1?": b"%.3fK" % o.amperes,
            "IOUT1?": b"%.3f" % o.current,
            "STATUS?": bytes([(not o.limited) | (self.ocp or self.ovp) << 5 | o.on << 6]),
        }
        return answers.get(text, b"")
