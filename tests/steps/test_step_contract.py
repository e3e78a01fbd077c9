"""A new kind of step is told what it forgot when its class is made; a new one needs no edit."""

from __future__ import annotations

import ast
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, ClassVar

import pytest
from pytest_mock import MockerFixture

from seqrun.plan.context import Context
from seqrun.plan.contract import STEP_DONE, Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.steps import common
from seqrun.steps.base import kinds, kinds_in, measurands_of
from seqrun.values import normal

WORDS: dict[str, Any] = {
    "what": "How much the lamp glows.",
    "how": "By eye.",
    "fooled_by": "The sun.",
}
GLOW = Measurand("glow", "V", **WORDS)
HUE = Measurand("hue", "Hz", **WORDS)


class Base(Step):
    """All that a step has to define but what it yields."""

    def needs(self, view: BenchView) -> Needs:
        return Needs()

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return Forecast(1.0, 0.1)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        yield from ()


class Glow(Base):
    """How much the lamp glows, and its hue."""

    kind: ClassVar[str] = "glow"
    yields: ClassVar = (judged(GLOW, "channel"), shown(HUE))


def glow() -> Glow:
    return Glow(id="lamp", do="glow")


# --- told when it is declared --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"unit": "Volt"}, "no known unit"),
        ({"unit": None}, "no known unit"),
        ({"what": ""}, "not explained: what"),
        ({"how": "by eye"}, "full stop"),
        ({"fooled_by": " "}, "not explained: fooled_by"),
        ({"name": "Glow"}, "small letters"),
        ({"name": "glow of lamp"}, "small letters"),
    ],
)
def test_a_quantity_without_name_unit_or_explanation_is_refused(
    changed: dict[str, Any], said: str
) -> None:
    with pytest.raises(TypeError, match=said):
        Measurand(**{"name": "glow", "unit": "V", **WORDS, **changed})


@pytest.mark.parametrize("missing", ["name", "unit", "what", "how", "fooled_by"])
def test_a_quantity_that_leaves_something_out_is_told_what(missing: str) -> None:
    whole = {"name": "glow", "unit": "V", **WORDS}
    del whole[missing]
    with pytest.raises(TypeError, match=missing):
        Measurand(**whole)


def test_a_step_without_a_docstring_is_refused() -> None:
    with pytest.raises(TypeError, match="docstring"):

        class Silent(Base):
            kind: ClassVar[str] = "silent"
            yields: ClassVar = ()


def test_a_program_whose_docstrings_are_taken_out_has_its_steps(mocker: MockerFixture) -> None:
    """``python -OO``, or PYTHONOPTIMIZE=2 in somebody's environment."""
    flags = SimpleNamespace(flags=SimpleNamespace(optimize=2))
    mocker.patch("seqrun.plan.contract.sys", flags)

    class Stripped(Base):
        kind: ClassVar[str] = "stripped"
        yields: ClassVar = ()

    assert Stripped.kind == "stripped"


def test_a_step_that_does_not_declare_what_it_yields_is_refused() -> None:
    with pytest.raises(TypeError, match="does not declare what it yields"):

        class Undeclared(Base):
            """It reads something or other."""

            kind: ClassVar[str] = "undeclared"


def test_a_step_that_declares_bare_names_is_refused() -> None:
    with pytest.raises(TypeError, match="does not declare what it yields"):

        class Bare(Base):
            """It names what it yields."""

            kind: ClassVar[str] = "bare"
            yields: ClassVar = ("glow",)


def test_a_judged_quantity_without_a_forecast_is_refused() -> None:
    with pytest.raises(TypeError, match="judges glow and does not forecast it"):

        class Unforeseen(Step):
            """How much the lamp glows."""

            kind: ClassVar[str] = "unforeseen"
            yields: ClassVar = (judged(GLOW),)

            def needs(self, view: BenchView) -> Needs:
                return Needs()

            def perform(self, ctx: Context) -> Iterator[Yielded]:
                yield from ()


@pytest.mark.parametrize("forgotten", ["needs", "perform"])
def test_a_step_that_cannot_be_planned_or_done_is_refused(forgotten: str) -> None:
    parts = {
        "__doc__": "How much the lamp glows.",
        "__module__": __name__,
        "__annotations__": {"kind": ClassVar[str], "yields": ClassVar},
        "kind": "half",
        "yields": (shown(GLOW),),
        "needs": Base.needs,
        "perform": Base.perform,
    }
    del parts[forgotten]
    with pytest.raises(TypeError, match=f"does not define {forgotten}"):
        type("Half", (Step,), parts)


@pytest.mark.parametrize(
    "declared",
    [(judged(GLOW), judged(HUE)), (judged(GLOW), shown(GLOW))],
    ids=["one limit about two units", "one quantity twice"],
)
def test_what_one_limit_cannot_be_about_is_refused(declared: Any) -> None:
    with pytest.raises(TypeError, match=r"one limit is about one unit|declares a quantity twice"):

        class Both(Base):
            """How much the lamp glows, twice."""

            kind: ClassVar[str] = "both"
            yields: ClassVar = declared


# --- what is declared is what there is -----------------------------------------------------------


def test_the_limit_is_about_the_declared_unit_and_number() -> None:
    assert (Glow.unit, Glow.makes) == ("V", "channel")
    assert "How much the lamp glows." in Glow.limit_words


def test_a_reading_takes_name_unit_and_whether_it_is_judged_from_its_declaration() -> None:
    step, value = glow(), normal(1.0, 0.1, "eye")
    one, other = step.reading(GLOW, value, channel="left"), step.reading(HUE, value)
    assert (one.reading.quantity, one.reading.unit, one.judged) == ("glow", "V", True)
    assert (other.reading.quantity, other.reading.unit, other.judged) == ("hue", "Hz", False)
    assert one.reading.expanded_uncertainty == pytest.approx(0.2)


def test_how_many_readings_a_step_makes_is_told_in_words() -> None:
    assert [one.words for one in Glow.yields] == ["one for each channel", "one"]
    assert judged(GLOW, "several").words == "one"
    assert judged(GLOW, "several", each="device").words == "one for each device"


def test_a_further_reading_of_a_judged_quantity_may_be_for_the_record() -> None:
    assert glow().reading(GLOW, normal(1.0, 0.1, "eye"), judged=False).judged is False
    assert glow().reading(HUE, normal(1.0, 0.1, "eye"), judged=True).judged is False


def test_a_number_without_uncertainty_is_held_against_nothing() -> None:
    plain = glow().plain(GLOW, 1.0)
    assert (plain.judged, plain.value, plain.reading.budget) == (False, None, ())


@pytest.mark.parametrize("way", ["reading", "plain", "not_measured"])
def test_a_quantity_that_the_step_has_not_declared_is_refused(way: str) -> None:
    other = Measurand("glw", "V", **WORDS)
    value: Any = {"reading": normal(1.0, 0.1, "eye"), "plain": 1.0, "not_measured": "no"}[way]
    with pytest.raises(TypeError, match="'glow' yields 'glw', which it has not declared"):
        getattr(glow(), way)(other, value)


def test_what_could_not_be_done_goes_on_record_as_what_it_was_for() -> None:
    (lost,) = glow().nothing("no lamp")
    assert (lost.reading.quantity, lost.reading.unit, lost.reading.value) == ("glow", "V", None)
    assert lost.reading.note == "no lamp"


def test_of_a_step_that_reads_nothing_it_goes_on_record_that_it_was_not_done() -> None:
    kind = kinds()["set_control"]
    (lost,) = kind(id="c", do="set_control", control="volume", to="1").nothing("no such control")
    assert lost.reading.quantity == STEP_DONE.name


def test_two_steps_with_quantities_of_one_name_are_refused() -> None:
    class Other(Base):
        """How much another lamp glows."""

        kind: ClassVar[str] = "other_glow"
        yields: ClassVar = (judged(Measurand("glow", "A", **WORDS)),)

    with pytest.raises(TypeError, match="a quantity 'glow' of its own"):
        measurands_of({"glow": Glow, "other_glow": Other})


# --- found by being there ------------------------------------------------------------------------

MODULE = '''
"""A lamp."""
from typing import ClassVar
from tests_lamp_base import Base, GLOW
from seqrun.plan.measurand import judged

class Lamp(Base):
    """How much the lamp glows."""

    kind: ClassVar[str] = "{kind}"
    yields: ClassVar = (judged(GLOW),)
'''


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An importable package ``lamps`` to put kinds of step into."""
    folder = tmp_path / "lamps"
    folder.mkdir()
    (folder / "__init__.py").touch()
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setitem(sys.modules, "tests_lamp_base", sys.modules[__name__])
    yield folder
    for name in [name for name in sys.modules if name.split(".")[0] == "lamps"]:
        del sys.modules[name]


def put(folder: Path, kind: str) -> None:
    folder.mkdir(exist_ok=True)
    (folder / "__init__.py").touch()
    (folder / f"{kind}.py").write_text(textwrap.dedent(MODULE.format(kind=kind)))


def test_a_step_in_a_folder_of_the_package_is_found(package: Path) -> None:
    put(package / "house", "ceiling")
    put(package, "desk")
    assert set(kinds_in([str(package)], "lamps")) == {"ceiling", "desk"}


def test_a_folder_that_is_no_package_is_not_passed_over_in_silence(package: Path) -> None:
    put(package / "house", "ceiling")
    (package / "house" / "__init__.py").unlink()
    with pytest.raises(TypeError, match=r"has no __init__\.py"):
        kinds_in([str(package)], "lamps")


def test_two_steps_of_one_name_are_refused(package: Path) -> None:
    put(package / "house", "desk")
    put(package, "desk")
    with pytest.raises(TypeError, match="two steps are called 'desk'"):
        kinds_in([str(package)], "lamps")


@pytest.mark.parametrize(
    "path", sorted(Path(common.__path__[0]).glob("*.py")), ids=lambda path: path.stem
)
def test_what_steps_share_knows_of_no_kind_of_step(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("seqrun.steps"):
            assert (node.module or "").startswith("seqrun.steps.common"), node.module
