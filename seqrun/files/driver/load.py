"""Reading a driver file."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from seqrun.files.common import load_text, read_text
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
    return _checked(Path(path), read_text(Path(path)))


@lru_cache(maxsize=64)
def _checked(path: Path, text: str) -> Driver:
    """The same text is the same driver: several instruments have one, and nothing changes it."""
    return load_text(Driver, text, path, problems)
