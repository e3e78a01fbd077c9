"""Bench files by path, with what they name."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from seqrun.files.bench.checks import against_unit, by_itself, files_named
from seqrun.files.bench.file import Bench
from seqrun.files.common import Problem, load, load_text, refuse
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import Unit


def load_bench(path: str | Path) -> Bench:
    """A bench file by path.

    Raises:
        FileError: missing, or with something wrong in it.
    """

    def everything(bench: Bench) -> Iterator[Problem]:
        yield from by_itself(bench)
        yield from files_named(bench, Path(path))

    return load(Bench, Path(path), everything)


def bench_from_text(text: str, path: str | Path = "bench file") -> Bench:
    """A bench from TOML text in memory; files that it names are not looked at.

    Raises:
        FileError: something is wrong in it.
    """
    return load_text(Bench, text, Path(path), by_itself)


def check_bench(bench: Bench, unit: Unit) -> None:
    """See that leads, loads and sensors are on nodes and points that the unit has.

    Raises:
        FileError: listing those that are not.
    """
    refuse(bench.path if bench.text else bench.name, against_unit(bench, unit))


def driver_path(bench: Bench, key: str) -> Path:
    """The driver file of an instrument: a shipped one, or a path from the bench file's folder.

    Raises:
        FileError: with the nearest shipped name.
    """
    beside = bench.path if bench.text and bench.path.is_file() else None
    return find("driver", bench.instrument[key].driver, beside)
