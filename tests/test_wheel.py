"""The built wheel, apart from the checkout, finds its sequences, unit sheets and drivers."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory, once: Callable[..., Any]) -> Path:
    """The wheel's content in an empty folder, built once for all workers."""
    folder: Path = once("the wheel", lambda: built(tmp_path_factory.mktemp("wheel")))
    return folder


def built(folder: Path) -> Path:
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder)]
    done = subprocess.run([*build, str(ROOT)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "reports"),
    [(("plan", "acceptance"), 0), (("run", "relays", "--serial", "W-1"), 1)],
)
def test_plans_and_runs_are_made_from_the_wheel(
    unpacked: Path, tmp_path: Path, words: tuple[str, ...], reports: int
) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "seqrun", *words, "--bench", "demo"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(unpacked)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert len(list(tmp_path.glob("results/*/report.html"))) == reports


def test_it_is_the_wheel_that_was_run(unpacked: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from seqrun.files.shipped import root; print(root())"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(unpacked)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert Path(done.stdout.strip()) == unpacked / "seqrun" / "_shipped"


def test_the_wheel_tells_type_checkers_that_it_has_types(unpacked: Path) -> None:
    assert (unpacked / "seqrun" / "py.typed").is_file()
