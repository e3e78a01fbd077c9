"""The house stands: floors import only from floors below, and what should be light is light."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

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
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
