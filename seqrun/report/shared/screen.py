"""What terminal output shares: the console, its width, verdict colours, and plain ASCII."""

from __future__ import annotations

import contextlib
import os
import sys
import textwrap
from typing import TYPE_CHECKING, Any, TextIO

from seqrun.report.shared.cleaned import clean as clean
from seqrun.report.shared.cleaned import through
from seqrun.report.shared.printing import UNREAD
from seqrun.values import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

WIDTH = 80
#: first line of whatever is told of a simulated bench
SIMULATED = "SIMULATED - nothing here was measured on a real amplifier"
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
        "→": "->",
        "·": "-",
        "…": "...",
        "√": "sqrt ",
        "²": "^2",
    }
)


def console(file: TextIO | None = None) -> Console:
    """A console of at most 80 columns. Colour follows NO_COLOR and whether a person is watching."""
    from rich.console import Console
    from rich.segment import Segment

    class OurConsole(Console):
        def render(self, *given: Any, **options: Any) -> Iterator[Segment]:
            """What is text comes out clean; what moves the cursor is a control of Rich's own."""
            for part in super().render(*given, **options):
                yield part if part.control else Segment(clean(part.text), part.style)

        def on_broken_pipe(self) -> None:
            """An error that can be handled, in place of an exit with code 1: that is a reject."""
            with contextlib.suppress(SystemExit):
                super().on_broken_pipe()
            raise BrokenPipeError(UNREAD)

    file = through(file or sys.stdout)
    probe = Console(file=file)
    return OurConsole(
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
    return clean(text).translate(_PLAIN).encode("ascii", "replace").decode("ascii")


def wrapped(text: str, indent: int) -> list[str]:
    """Lines of at most :data:`WIDTH` columns, those after the first indented."""
    return textwrap.wrap(
        text, WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False, drop_whitespace=True
    )
