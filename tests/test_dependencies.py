"""What is declared is used, and what is imported is declared: nobody installs for nothing."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
OURS = ("seqrun", "demo_sim", "tests")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
#: declared, and never imported by name: what uses it instead
UNSEEN = {
    "pyvisa-py": "PyVISA loads it by its name @py",
    "pytest-mock": "the fixture mocker",
    "pytest-xdist": "pytest -n",
    "import-linter": "lint-imports",
    "ruff": ".ci/run",
    "mypy": ".ci/run",
    "build": "test_wheel.py runs it",
    "hatchling": "build calls it without isolation",
    "pyvisa-sim": "PyVISA loads it by its name @sim",
    "pyserial": "PyVISA-py imports it for serial resources",
    "pyusb": "PyVISA-py imports it for USB resources",
    "gpib-ctypes": "PyVISA-py imports it for GPIB resources",
    "psutil": "PyVISA-py imports it to find instruments on all networks of the machine",
}
#: one project in two packages
PART_OF = {"pydantic-core": "pydantic"}


def plain(name: str) -> str:
    """A name as the packaging rules compare it."""
    return re.sub(r"[-_.]+", "-", re.split(r"[\s\[<>=!~;]", name.strip())[0]).lower()


CORE = {plain(entry) for entry in PROJECT["dependencies"]}


def imported(*folders: str) -> dict[str, str]:
    """Distributions that the code in these folders imports, and a file that does."""
    found: dict[str, str] = {}
    for folder in reversed(folders):
        found |= imported_in(folder)
    return found


@cache
def distributions() -> Mapping[str, list[str]]:
    """Of each package that can be imported here, the distributions that bring it."""
    return packages_distributions()


@cache
def imported_in(folder: str) -> dict[str, str]:
    known = distributions()
    found: dict[str, str] = {}
    beside = {path.stem for path in (ROOT / folder).rglob("*.py")}
    beside |= {path.parent.name for path in (ROOT / folder).rglob("__init__.py")}
    for path in (ROOT / folder).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom) and not node.level and node.module:
                names = [node.module]
            for name in (full.split(".")[0] for full in names):
                if name in sys.stdlib_module_names or name in OURS:
                    continue
                if folder == "tests" and name in beside:
                    continue
                for distribution in known.get(name, [name]):
                    one = PART_OF.get(plain(distribution), plain(distribution))
                    found.setdefault(one, str(path.relative_to(ROOT)))
    return found


def test_every_dependency_of_the_program_is_imported_by_it() -> None:
    unused = CORE - set(imported("seqrun", "demo_sim")) - set(UNSEEN)
    assert not unused, f"declared, and nothing imports it: {sorted(unused)}"


def test_every_import_of_the_program_is_declared() -> None:
    declared = CORE | {plain(e) for name, es in EXTRAS.items() if name != "test" for e in es}
    missing = {k: v for k, v in imported("seqrun", "demo_sim").items() if k not in declared}
    assert not missing, f"imported, and not declared: {missing}"


@pytest.mark.parametrize("extra", [name for name in EXTRAS if name != "test"])
def test_every_entry_of_an_extra_is_imported(extra: str) -> None:
    unused = {plain(e) for e in EXTRAS[extra]} - set(imported("seqrun", "demo_sim")) - set(UNSEEN)
    assert not unused, f"[{extra}] declares what nothing imports: {sorted(unused)}"


def test_tests_import_what_the_program_or_their_own_extra_declares() -> None:
    declared = CORE | {plain(entry) for entries in EXTRAS.values() for entry in entries}
    missing = {k: v for k, v in imported("tests").items() if k not in declared}
    assert not missing, f"imported, and not declared: {missing}"


def test_the_extra_for_tests_holds_nothing_that_no_test_needs() -> None:
    wanted = {
        plain(entry) for entry in EXTRAS["test"] if not entry.startswith(("seqrun", "types-"))
    }
    stubs = {name for name in wanted if name.endswith("-stubs")}
    unused = wanted - stubs - set(imported("tests", "seqrun")) - set(UNSEEN)
    assert not unused, f"[test] declares what nothing uses: {sorted(unused)}"


def test_stubs_are_of_libraries_that_are_used() -> None:
    stubs = {plain(e) for e in EXTRAS["test"] if plain(e).endswith("-stubs")}
    assert {name.removesuffix("-stubs") for name in stubs} <= CORE
