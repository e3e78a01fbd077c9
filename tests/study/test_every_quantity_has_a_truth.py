"""No quantity is judged whose stated uncertainty nobody has held against the truth."""

from __future__ import annotations

import ast
import importlib
import pkgutil
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar

import pytest

import seqrun.steps
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, shown
from seqrun.plan.needs import Needs
from seqrun.plan.view import BenchView
from seqrun.steps.base import kinds
from seqrun.study.untold import NO_U, READ_AS, UNTOLD, studied, without_truth


def test_every_quantity_that_a_step_yields_has_a_truth_or_a_reason_why_there_is_none() -> None:
    assert without_truth(kinds()) == set()


def test_a_new_quantity_without_either_is_told() -> None:
    glow = Measurand("glow", "V", what="Its glow.", how="By eye.", fooled_by="The sun.")

    class Glow(Step):
        """How much a lamp glows, as somebody sees it."""

        kind: ClassVar[str] = "glow"
        yields: ClassVar = (shown(glow),)

        def needs(self, view: BenchView) -> Needs:
            return Needs()

        def perform(self, ctx: Context) -> Iterator[Yielded]:
            yield from ()

    assert without_truth({"glow": Glow}) == {("glow", "glow")}


def test_a_quantity_that_another_kind_of_step_reads_has_no_truth_by_that() -> None:
    """``hum`` has one as the step of that name reads it."""

    class Hum(kinds()["hum"]):  # type: ignore[misc]  # a class that is found when it runs
        """The same, read in another way."""

        kind: ClassVar[str] = "hum_again"

    assert ("hum_again", "hum") in without_truth({"hum_again": Hum})


def test_no_reason_is_left_over() -> None:
    """Given for what no step yields, or for what has a truth by now."""
    yielded = {one.of.name for kind in kinds().values() for one in kind.yields}
    assert set(UNTOLD) <= yielded
    assert not set(UNTOLD) & {quantity for _, quantity in studied()}
    assert {name for name, _ in studied()} | set(READ_AS) <= set(kinds())


@pytest.mark.parametrize("name", READ_AS)
def test_a_kind_that_is_read_as_another_shares_its_code(name: str) -> None:
    known = kinds()
    for other in READ_AS[name]:
        shared = set(known[name].__mro__) & set(known[other].__mro__) - set(Step.__mro__)
        assert any("perform" in vars(c) or "held" in vars(c) for c in shared), other


def constants() -> Iterator[tuple[str, Measurand]]:
    """Every quantity by what its module calls it."""
    for module in pkgutil.walk_packages(seqrun.steps.__path__, "seqrun.steps."):
        for name, value in vars(importlib.import_module(module.name)).items():
            if isinstance(value, Measurand):
                yield name, value


def test_what_is_shown_without_uncertainty_states_none_anywhere() -> None:
    names = {name for name, of in constants() if UNTOLD.get(of.name) is NO_U}
    assert len(names) >= sum(why is NO_U for why in UNTOLD.values())
    for path in Path(seqrun.steps.__path__[0]).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                first = node.args[0] if node.args else None
                stated = node.func.attr == "reading" and isinstance(first, ast.Name)
                assert not (stated and first.id in names), f"{path.name}: {first.id}"
