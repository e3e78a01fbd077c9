"""What terminal output shares: the console, its width, verdict colours, and plain ASCII."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, TextIO

from seqrun.values import Verdict

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 80
STYLES = {
    Verdict.PASS: "green",
    Verdict.CONDITIONAL_PASS: "yellow",
    Verdict.CONDITIONAL_FAIL: "bold yellow",
    Verdict.FAIL: "bold red",
    Verdict.NOT_MEASURED: "bold magenta",
    Verdict.NONE: "",
}
#: what our own texts use beyond ASCII, for terminals that cannot show it
_PLAIN = str.maketrans(
    {
        "Ω": "ohm",
        "µ": "u",
        "μ": "u",
        "°": "deg ",
        "±": "+-",
        "×": "x",
        "−": "-",
        "–": "-",
        "—": "-",
        "≤": "<=",
        "≥": ">=",
        "∞": "inf",
        "·": "-",
        "…": "...",
        "√": "sqrt ",
        "²": "^2",
    }
)


def console(file: TextIO | None = None) -> Console:
    """A console of at most 80 columns. Colour follows NO_COLOR and whether a person is watching."""
    from rich.console import Console

    probe = Console(file=file)
    return Console(
        file=file,
        width=min(probe.width, WIDTH) if probe.is_terminal else WIDTH,
        highlight=False,
        no_color=True if "NO_COLOR" in os.environ else None,
        emoji=False,
        markup=False,
        soft_wrap=False,
    )


def is_ascii(target: Console) -> bool:
    """True when the console's encoding cannot take our shapes."""
    try:
        "●◐◭✕○┃┈╱±µΩ".encode(target.encoding)
    except (UnicodeEncodeError, LookupError):
        return True
    return False


def plain(text: str) -> str:
    """Text in ASCII: our own signs by their usual spellings, anything else by ``?``."""
    return text.translate(_PLAIN).encode("ascii", "replace").decode("ascii")
