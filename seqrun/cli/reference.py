"""``seqrun steps`` and ``seqrun example``: what may stand in a file, and files to begin with."""

from __future__ import annotations

import difflib
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.errors import UsageError

if TYPE_CHECKING:
    from seqrun.plan.contract import Step

WIDTH = 80
#: key -> file among those that ship; costs and drivers have one that is commented anyway
EXAMPLES = {
    "unit": "sequences/examples/unit.toml",
    "bench": "sequences/examples/bench.toml",
    "sequence": "sequences/examples/sequence.toml",
    "costs": "sequences/costs/example.toml",
    "driver": "drivers/generic-meter.toml",
}


def example_command(kind: str) -> int:
    """Print a commented template of a kind of file.

    Raises:
        UsageError: there is no such kind.
    """
    from seqrun.cli.commands import files_are_utf8
    from seqrun.files.common import one_of, read_text
    from seqrun.files.shipped import root

    if kind not in EXAMPLES:
        raise UsageError(
            f"there is no example of '{kind}'", expected=one_of(kind, EXAMPLES), where="example"
        )
    text = read_text(root() / Path(EXAMPLES[kind]))
    if kind == "bench":
        for role, driver in _some_drivers().items():
            text = text.replace(f'"{{{role}}}"', f'"{driver}"')
    files_are_utf8()
    print(text, end="")
    return 0


def _some_drivers() -> dict[str, str]:
    """A driver that ships for each role, to stand where the user's own goes."""
    from seqrun.files.driver.load import load_driver
    from seqrun.files.shipped import shipped

    found: dict[str, str] = {}
    for name, path in shipped("driver").items():
        driver = load_driver(path)
        if driver.remote and driver.accuracy_of != "simulated bench":
            found.setdefault(driver.role, name)
    return found


def steps_command(kind: str | None) -> int:
    """Print every kind of step in a line, or one of them with its keys.

    Raises:
        UsageError: there is no such kind.
    """
    from seqrun.steps.base import kinds
    from seqrun.steps.keys import summary

    known = kinds()
    if kind is None:
        widest = max(map(len, known)) + 2
        for name, one in known.items():
            print(_entry(f"{name:<{widest}}", summary(one), widest))
        print("\n'seqrun steps KIND' tells the keys of one.")
        return 0
    name = "_".join(kind.lower().replace("-", " ").split())
    if name not in known:
        near = difflib.get_close_matches(name, known, 1, 0.4)
        raise UsageError(
            f"there is no kind of step '{kind}'",
            expected=f"did you mean '{near[0]}'?" if near else None,
            hint="seqrun steps lists them all",
        )
    for line in step_lines(name, known[name]):
        print(line)
    return 0


def step_lines(name: str, kind: type[Step]) -> list[str]:
    """One kind of step with its keys: those it must have first, those of every step last."""
    from seqrun.files.sequence.fields import StepFields
    from seqrun.steps.keys import described, summary

    lines = [f'do = "{name}"', *_entry("  ", summary(kind), 2).splitlines()]
    yields = ", ".join(one.of.name for one in kind.yields)
    lines += _entry("  Reads  ", yields or "nothing", 9).splitlines()
    words = described(kind)
    common = set(StepFields.model_fields)
    own = [(key, f) for key, f in kind.model_fields.items() if key not in common]
    own.sort(key=lambda pair: not pair[1].is_required())
    shared = [(key, f) for key, f in kind.model_fields.items() if key in common]
    for heading, fields in (("Keys of its own", own), ("Keys of every step", shared)):
        lines += ["", f"  {heading}"] if fields else []
        for key, field in fields:
            if key in ("limit", "settle") and not kind.limit_words:
                continue
            written = field.alias or key
            must = "must be given: " if field.is_required() and fields is own else ""
            lines += _entry(f"    {written:<21}", f"{must}{words[written]}", 25).splitlines()
    return lines


def _entry(label: str, words: str, indent: int) -> str:
    return textwrap.fill(
        words, WIDTH, initial_indent=label, subsequent_indent=" " * indent, break_on_hyphens=False
    )
