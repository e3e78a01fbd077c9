"""Every kind of step there is, and every quantity that they yield: found by being in this package.

A new kind of step is one new module here, or in a folder of it; nothing else has to know of it.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

from seqrun.plan.contract import READ_AGAIN, STEP_DONE, Step
from seqrun.plan.measurand import Measurand, Yields


@cache
def kinds() -> dict[str, type[Step]]:
    """Every kind of step there is: ``do = "name"`` -> its class, from all modules and folders.

    Raises:
        TypeError: two kinds of one name, two quantities of one name, or a folder that is no
            package, so that what is in it would be passed over.
    """
    import seqrun.steps as package

    return kinds_in(package.__path__, package.__name__)


def kinds_in(paths: Iterable[str], package: str) -> dict[str, type[Step]]:
    """The kinds of step in a package and its folders; otherwise as :func:`kinds`."""
    for path in paths:
        for file in Path(path).rglob("*.py"):
            if not (file.parent / "__init__.py").exists():
                raise TypeError(f"{file} is not seen: {file.parent} has no __init__.py")
    found: dict[str, type[Step]] = {}
    for module in pkgutil.walk_packages(paths, package + "."):
        loaded = importlib.import_module(module.name)
        for item in vars(loaded).values():
            if not (isinstance(item, type) and issubclass(item, Step) and "kind" in vars(item)):
                continue
            if (other := found.setdefault(item.kind, item)) is not item:
                raise TypeError(
                    f"two steps are called '{item.kind}': {_told(other)}, {_told(item)}"
                )
    measurands_of(found)
    return dict(sorted(found.items()))


def _told(kind: type[Step]) -> str:
    return f"{kind.__module__}.{kind.__name__}"


def measurands_of(steps: Mapping[str, type[Step]]) -> dict[str, Measurand]:
    """The quantities that kinds of step yield, by name.

    Raises:
        TypeError: two of one name that are not the same.
    """
    found: dict[str, Measurand] = {one.name: one for one in (STEP_DONE, READ_AGAIN)}
    for name, kind in steps.items():
        for one in kind.yields:
            if found.setdefault(one.of.name, one.of) != one.of:
                raise TypeError(
                    f"'{name}' declares a quantity '{one.of.name}' of its own: another step has "
                    "declared one of that name, and it has to be that one"
                )
    return dict(sorted(found.items()))


@cache
def measurands() -> dict[str, Measurand]:
    """Every quantity that some step yields, by its name in the record."""
    return measurands_of(kinds())


def quantity(name: str) -> Measurand | None:
    """A quantity by its name in the record; None for one that no step yields (an old record's)."""
    return measurands().get(name)


def title_of(name: str) -> str:
    """What people are told a quantity is called; an unknown one by its name without underscores."""
    found = quantity(name)
    return found.title if found is not None else name.replace("_", " ")


@cache
def yielded_by() -> dict[str, tuple[tuple[str, Yields], ...]]:
    """Name of a quantity -> the kinds of step that yield it, and how; those that judge it first."""
    found: dict[str, list[tuple[str, Yields]]] = {}
    for name, kind in kinds().items():
        for one in kind.yields:
            found.setdefault(one.of.name, []).append((name, one))
    return {
        name: tuple(sorted(by, key=lambda pair: not pair[1].judged))
        for name, by in sorted(found.items())
    }
