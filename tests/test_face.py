"""What ``import seqrun`` offers, and that it costs nothing until it is used."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from pytest_mock import MockerFixture

import seqrun

ROOT = Path(__file__).parent.parent


def test_importing_the_package_imports_none_of_the_libraries() -> None:
    code = (
        "import sys, seqrun\n"
        "heavy = {'pandas', 'scipy', 'numpy', 'pyvisa', 'pydantic', 'uncertainties', 'rich'}\n"
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", seqrun.__all__)
def test_every_public_name_is_there(name: str) -> None:
    assert getattr(seqrun, name) is not None
    assert name in dir(seqrun)


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'measures'"):
        _ = seqrun.measures


def test_every_module_of_measurements_is_offered() -> None:
    files = {p.stem for p in (ROOT / "seqrun" / "measure").glob("*.py")} - {"__init__"}
    assert set(seqrun.measure.MODULES) == files
    assert callable(seqrun.measure.distortion.distortion)


def test_the_example_for_a_notebook_runs_as_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (example,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.S)
    monkeypatch.chdir(tmp_path)
    exec(compile(example, "README.md", "exec"), {})
    said = capsys.readouterr().out
    assert said.startswith("reject ")
    assert "left" in said
    # Fourier: a sine clipped at 0.97149 of its peak has 1 %, at 0.92622 3 %
    thd = float(said.rsplit(":", 1)[1].split()[0])
    assert 1.0 < thd < 3.0


def test_results_come_as_a_frame_with_times_and_the_columns_of_the_record(tmp_path: Path) -> None:
    empty = seqrun.read_results(tmp_path)
    assert "expanded_uncertainty" in empty.columns
    assert isinstance(empty["time_utc"].dtype, pd.DatetimeTZDtype)
    assert len(seqrun.read_runs(tmp_path)) == 0


def test_a_real_bench_without_hands_is_refused_before_anything_is_opened(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    files = mocker.Mock(simulated=False)
    mocker.patch("seqrun.runner.preparation.prepare", return_value=(mocker.Mock(), files))
    opened = mocker.patch("seqrun.runner.run.open_bench")
    with pytest.raises(seqrun.SeqrunError, match="nobody moves the leads"):
        seqrun.run("quick", bench="bench.toml", serial="A-1", results=tmp_path)
    opened.assert_not_called()


def test_the_lowest_versions_of_all_dependencies_are_listed() -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / ".ci" / "lowest.py")],
        capture_output=True,
        text=True,
        check=True,
    )
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert len(done.stdout.splitlines()) == len(project["dependencies"])
