"""``seqrun explain``: what a quantity is, how it is measured, what can fool it."""

from __future__ import annotations

import difflib
import textwrap

from seqrun.errors import UsageError

WIDTH = 80
LABEL = 9  # columns before the text


def explain_command(quantity: str | None) -> int:
    """Print one explanation, or the list of all quantities.

    Raises:
        UsageError: no step measures such a quantity.
    """
    from seqrun.steps.base import explanations

    known = explanations()
    if quantity is None:
        widest = max(map(len, known)) + 1
        for name, (text, _) in known.items():
            print(_entry(f"{name:<{widest}}", text.what, widest))
        return 0
    name = "_".join(quantity.lower().replace("-", " ").split())
    if name not in known:
        near = difflib.get_close_matches(name, known, 1, 0.4)
        raise UsageError(
            f"no step measures a quantity called '{quantity}'",
            expected=f"did you mean '{near[0]}'?" if near else None,
            hint="'seqrun explain' without a name lists them all",
        )
    text, by = known[name]
    unit = text.unit or "a plain number"
    print(f"{name.replace('_', ' ')} ({unit})")
    for label, words in (
        ("What", text.what),
        ("How", text.how),
        ("Beware", text.fooled_by),
        ("Step", ", ".join(f'do = "{kind}"' for kind in by)),
    ):
        print(_entry(f"  {label:<{LABEL - 2}}", words, LABEL))
    return 0


def _entry(label: str, words: str, indent: int) -> str:
    return textwrap.fill(
        words, WIDTH, initial_indent=label, subsequent_indent=" " * indent, break_on_hyphens=False
    )
