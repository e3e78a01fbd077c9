"""What a text sends somebody to: a unit that is off, or one that is powered.

It is declared, for the caution that goes with it, and what is declared is held against the words.
"""

from __future__ import annotations

import re
from typing import Literal

Work = Literal["off", "powered"]

#: words that nobody uses of a unit that is off
_POWERED = re.compile(
    r"\b(while (?:watching|driving|driven|it is driven|it plays)|is (?:driven|watched)|"
    r"output driven|with a tone|tone playing|triggered on line|power it (?:again )?(?:for|and)|"
    r"leave it at idle|minutes at idle|trimmer|ripple|drop across|across (?:the|its) (?:relay|coil|"
    r"contact)|base and emitter voltages|voltage at)\b",
    re.IGNORECASE,
)


def contradiction(text: str, work: Work | None) -> str:
    """The words of a text that do not go with a unit that is off; "" for none. Nothing declared is
    for the reader to settle: it is then taken as both."""
    if work != "off":
        return ""
    found = _POWERED.search(text)
    return found[0] if found else ""
