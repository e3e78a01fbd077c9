"""Every quantity that a step yields is explained, in words that fit a technician's terminal."""

from __future__ import annotations

import ast
import textwrap
from pathlib import Path

import pytest

import seqrun.steps
from seqrun.quantity import DIMENSIONS
from seqrun.steps.base import explanations, kinds

FOLDER = Path(seqrun.steps.__file__).parent
KNOWN = explanations()


def quantities_in_code() -> set[str]:
    """The names that stand in the steps' own calls of Reading and Measured, and their default."""
    found: set[str] = set()
    for path in FOLDER.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in (
                "Measured",
                "Reading",
            ):
                name = node.args[0]
                if isinstance(name, ast.Constant):
                    found.add(str(name.value))
    for kind in kinds().values():
        name = vars(kind).get("quantity")
        if isinstance(name, str):
            found.add(name)
    return found


def test_every_quantity_named_by_a_step_is_explained() -> None:
    assert quantities_in_code() - set(KNOWN) == set()


@pytest.mark.parametrize("name", sorted(kinds()))
def test_every_kind_of_step_says_in_its_docstring_what_it_does(name: str) -> None:
    words = kinds()[name].__doc__
    assert words is not None
    assert len(words.split()) >= 4


@pytest.mark.parametrize("name", sorted(KNOWN))
def test_an_explanation_is_short_and_has_a_known_unit(name: str) -> None:
    text, by = KNOWN[name]
    assert text.unit in DIMENSIONS
    assert by
    for words in (text.what, text.how, text.fooled_by):
        assert words.endswith(".")
        assert len(textwrap.wrap(words, 71)) <= 6
