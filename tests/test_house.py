"""The house stands: floors import only from floors below, and what should be light is light."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def test_each_floor_imports_only_from_floors_below_it() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as c; c()"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_help_is_answered_before_the_heavy_libraries_are_imported() -> None:
    code = (
        "import sys\n"
        "from seqrun.cli import app\n"
        "heavy = {'pandas', 'scipy', 'matplotlib', 'numpy', 'pyvisa', 'pydantic'}\n"
        "found = heavy & set(sys.modules)\n"
        "import seqrun.cli.commands, seqrun.report.run.progress, seqrun.runner.hands\n"
        "found |= {'prompt_toolkit'} & set(sys.modules)  # only where somebody is asked\n"
        "sys.exit(', '.join(found) or 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_a_name_stands_for_one_thing() -> None:
    """A class has its name alone: no second class, and no alias of a type, is called the same."""
    classes: dict[str, list[str]] = defaultdict(list)
    aliases: dict[str, list[str]] = defaultdict(list)
    for path in sorted((ROOT / "seqrun").rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        file = str(path.relative_to(ROOT))
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                classes[node.name.lstrip("_")].append(f"{file}:{node.lineno}")
        for node in tree.body:
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                aliases[node.targets[0].id].append(f"{file}:{node.lineno}")
    assert len(classes) > 100
    twice = {
        name: where + aliases.get(name, [])
        for name, where in classes.items()
        if len(where + aliases.get(name, [])) > 1
    }
    assert not twice, "one word for two things: choose another for one of them"


@pytest.mark.parametrize("package", ["seqrun", "demo_sim"])
def test_no_two_files_lean_on_each_other(package: str) -> None:
    """Not even for their types: where two files need each other, something belongs below both."""
    needs: dict[str, set[str]] = {}
    for path in (ROOT / package).rglob("*.py"):
        if path.name == "__init__.py":
            continue  # what a package offers is gathered there
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        needs[name] = {
            found
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.ImportFrom) and node.module
            for found in (node.module, *(f"{node.module}.{alias.name}" for alias in node.names))
        }
    assert len(needs) > 40
    assert not [
        (one, other) for one, uses in needs.items() for other in uses if one in needs.get(other, ())
    ]
