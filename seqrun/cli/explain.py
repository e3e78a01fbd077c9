"""``seqrun explain``: what a quantity is, how it is measured, what can fool it."""

from __future__ import annotations

import difflib
import textwrap
from typing import TYPE_CHECKING

from seqrun.errors import UsageError

if TYPE_CHECKING:
    from seqrun.plan.measurand import Yields

WIDTH = 80
LABEL = 10  # columns before the text


def explain_command(quantity: str | None) -> int:
    """Print one explanation, or the list of all quantities.

    Raises:
        UsageError: no step measures such a quantity.
    """
    from seqrun.steps.base import kinds, measurands, yielded_by

    known = measurands()
    if quantity is None:
        widest = max(map(len, known)) + 1
        for name, text in known.items():
            print(_entry(f"{name:<{widest}}", text.what, widest))
        return 0
    name = "_".join(quantity.lower().replace("-", " ").split())
    if name not in known and name in kinds():
        from seqrun.cli.reference import steps_command

        return steps_command(name)
    if name not in known:
        near = difflib.get_close_matches(name, [*known, *kinds()], 1, 0.4)
        raise UsageError(
            f"no step measures a quantity called '{quantity}'",
            expected=f"did you mean '{near[0]}'?" if near else None,
            hint="'seqrun explain' without a name lists them all",
        )
    text = known[name]
    print(f"{text.title} ({text.unit or 'a plain number'})")
    by = yielded_by().get(name, ())
    steps = [f'do = "{kind}"{_how(one)}' for kind, one in by]
    for label, words in (
        ("What", text.what),
        ("How", text.how),
        ("Beware", text.fooled_by),
        *((("Contact", text.contact),) if text.contact else ()),
        ("Step", ", ".join(steps) or "of any kind, when it could not be done"),
    ):
        print(_entry(f"  {label:<{LABEL - 2}}", words, LABEL))
    return 0


def _how(one: Yields) -> str:
    """Whether a limit can be about it, and how many there are of one entry."""
    told = [] if one.words == "one" else [one.words]
    told += [] if one.judged else ["for the record"]
    return f" ({', '.join(told)})" if told else ""


def _entry(label: str, words: str, indent: int) -> str:
    return textwrap.fill(
        words, WIDTH, initial_indent=label, subsequent_indent=" " * indent, break_on_hyphens=False
    )
