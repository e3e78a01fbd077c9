"""What findings say of a unit is kept, and worked out anew when a file or the sheet is another."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from seqrun.errors import FileError
from seqrun.files.findings import load
from seqrun.files.findings.load import patterns_of
from seqrun.files.shipped import shipped
from seqrun.files.unit.sheet import load_unit


@pytest.fixture
def isolate(tmp_path: Path, mocker: Any) -> Path:
    """The findings of ``isolate``, in a file that may be changed."""
    files = dict(shipped("findings"))
    own = tmp_path / "isolation.toml"
    own.write_text(files["isolation"].read_text(encoding="utf-8"), encoding="utf-8")
    mocker.patch.object(load, "shipped", return_value={"isolation": own})
    return own


def test_each_unit_has_its_own_and_the_same_unit_the_same(isolate: Path) -> None:
    two, mono = load_unit("demo-2x40"), load_unit("demo-mono")
    first = patterns_of(["isolate"], two)
    assert first is not None and first is patterns_of(["isolate"], load_unit("demo-2x40"))
    other = patterns_of(["isolate"], mono)
    assert other is not None and other.unit == mono
    assert {c.id for c in first.causes} != {c.id for c in other.causes}
    assert patterns_of(["no-such-sequence"], two) is None


def test_a_file_that_has_changed_is_read_again_and_a_spoilt_one_refused(isolate: Path) -> None:
    unit = load_unit("demo-2x40")
    before = patterns_of(["isolate"], unit)
    text = isolate.read_text(encoding="utf-8")
    assert before is not None and "no_fault = 0.5" not in text
    isolate.write_text(
        "no_fault = 0.123\n"
        + "\n".join(line for line in text.splitlines() if not line.startswith("no_fault")),
        encoding="utf-8",
    )
    os.utime(isolate, ns=(1, isolate.stat().st_mtime_ns + 1_000_000))
    after = patterns_of(["isolate"], unit)
    assert after is not None and after.no_fault == 0.123 != before.no_fault
    isolate.write_text("title = 3\n", encoding="utf-8")
    os.utime(isolate, ns=(1, isolate.stat().st_mtime_ns + 2_000_000))
    with pytest.raises(FileError):
        patterns_of(["isolate"], unit)
