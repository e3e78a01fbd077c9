"""Leads as a terminal draws them: the instrument at the left, the unit at the right, in ASCII.

Letters and signs that every terminal has, so that it reads the same over ssh, in a pipe and with a
locale that knows no others.
"""

from __future__ import annotations

from collections.abc import Sequence

WIDTH = 78
_END, _NODE = 18, 26  # the longest names that are not cut

#: the end of an instrument's terminal, as a bench calls it, and its pole for a drawing
ENDS = {
    "hi": ("red (HI)", "hot"),
    "lo": ("black (LO)", "cold"),
    "sense_hi": ("red (sense)", "hot"),
    "sense_lo": ("black (sense)", "cold"),
    "pos": ("+", "hot"),
    "neg": ("−", "cold"),
    "sense_pos": ("sense +", "hot"),
    "sense_neg": ("sense −", "cold"),
}


class LeadDrawing(str):
    """Lines that say something by where they stand: for a terminal, and for no other screen."""

    __slots__ = ()


def drawn(leads: Sequence[tuple[str, str]]) -> LeadDrawing:
    """Terminal and node of each lead as a drawing of some lines, at most 78 wide; "" for none."""
    if not leads:
        return LeadDrawing()
    rows = [(*_named(terminal), node) for terminal, node in leads]
    left = max(len(_cut(end, _END)) for _, end, _ in rows)
    left = max(left, *(len(_cut(name, _END)) for name, _, _ in rows))
    right = max(len("unit"), *(len(_cut(node, _NODE)) for _, _, node in rows))
    wire = min(22, WIDTH - left - right - 10)
    edge = f"+{'-' * (left + 2)}+"
    unit_edge = f"+{'-' * (right + 2)}+"
    gap = " " * wire

    def line(end: str, between: str, node: str) -> str:
        return f"| {end:<{left}} {between} {node:<{right}} |"

    found = [f"{edge}{gap}{unit_edge}"]
    before = ""
    for number, (name, end, node) in enumerate(rows):
        if name != before:
            head = line(_cut(name, _END), f"|{gap}|", "unit" if number == 0 else "")
            found.append(head)
            before = name
        found.append(line(_cut(end, _END), f"o{'-' * (wire - 1)}>o", _cut(node, _NODE)))
    return LeadDrawing("\n".join([*found, f"{edge}{gap}{unit_edge}"]))


def _named(terminal: str) -> tuple[str, str]:
    """Instrument and end: ``("meter", "red (HI)")``, ``("scope", "lead 1")``."""
    key, _, rest = terminal.partition(".")
    number, _, pole = rest.partition(".")
    if number.isdecimal() and pole in ENDS:  # of a supply
        return key, f"output {number} {ENDS[pole][0]}".replace("−", "-")
    ends = [ENDS[part][0] if part in ENDS else part for part in rest.split(".") if part]
    ends = [f"lead {end}" if end.isdecimal() else end for end in ends]
    return key, " ".join(ends).replace("−", "-") or "lead"


def _cut(text: str, most: int) -> str:
    plain = text.encode("ascii", "replace").decode("ascii")
    return plain if len(plain) <= most else f"{plain[: most - 2]}.."
