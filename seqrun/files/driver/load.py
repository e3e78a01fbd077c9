"""Reading a driver file."""

from __future__ import annotations

from pathlib import Path

from seqrun.files.common import load, load_text
from seqrun.files.driver.checks import problems
from seqrun.files.driver.file import Driver


def driver_from_text(text: str, path: str | Path = "driver file") -> Driver:
    """A driver from TOML text in memory; otherwise as :func:`load_driver`."""
    return load_text(Driver, text, Path(path), problems)


def load_driver(path: str | Path) -> Driver:
    """A driver file by path.

    Raises:
        FileError: missing, or with something wrong in it.
    """
    return load(Driver, Path(path), problems)
