"""Finding the sequences, unit sheets and drivers that ship with seqrun, and files in general.

In a source checkout they stand beside the package; in an installed wheel they are inside it.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Literal

from seqrun.errors import FileError
from seqrun.files.common import nearest

Kind = Literal["sequence", "unit", "driver", "findings", "costs"]

_FOLDERS: dict[Kind, str] = {
    "sequence": "sequences",
    "unit": "sequences/units",
    "driver": "drivers",
    "findings": "sequences/findings",
    "costs": "sequences/costs",
}


@cache
def root() -> Path:
    """The folder that holds ``sequences/`` and ``drivers/``."""
    return root_of(Path(__file__).resolve().parent.parent)


def root_of(package: Path) -> Path:
    """The same for a package in a given folder.

    Raises:
        FileError: the files are not with the package.
    """
    inside = package / "_shipped"
    if inside.is_dir():
        return inside
    # Only beside a pyproject.toml: site-packages may hold a stranger's folder of that name.
    if (package.parent / "pyproject.toml").is_file():
        return package.parent
    raise FileError(
        "the files that ship with seqrun are not there",
        expected=f"{inside}",
        hint="install seqrun again",
    )


def folder(kind: Kind) -> Path:
    """Where shipped files of a kind are."""
    return root() / _FOLDERS[kind]


def shipped(kind: Kind) -> dict[str, Path]:
    """Name -> file of all that ship, sorted."""
    found = {path.stem: path for path in folder(kind).iterdir() if path.suffix == ".toml"}
    return dict(sorted(found.items(), key=lambda item: item[1].name))


def find(kind: Kind, name: str | Path, beside: Path | None = None) -> Path:
    """The file for a name or a path.

    A bare name (``acceptance``) is a shipped file; anything with a folder or ``.toml`` in it is a
    path, taken from the folder of the file ``beside`` that names it, or from the current one.

    Raises:
        FileError: with the nearest shipped name.
    """
    text = str(name)
    if isinstance(name, Path) or text.endswith(".toml") or "/" in text or "\\" in text:
        try:
            path = Path(text).expanduser()
        except RuntimeError:  # "~name/…", and nobody is so called here
            path = Path(text)
        if beside is not None and not path.is_absolute():
            path = beside.parent / path
        if path.exists():  # a folder, a pipe or a device is told as such when it is read
            return path
        raise _missing(kind, text, str(path))
    found = shipped(kind).get(text)
    if found is None:
        raise _missing(kind, text, None)
    return found


def _missing(kind: Kind, name: str, looked: str | None) -> FileError:
    names = list(shipped(kind))
    stem = Path(name).stem or name
    near = nearest(stem, names)
    expected = f"did you mean '{near}'?" if near else f"one of {', '.join(names) or '(none)'}"
    if looked is None:
        return FileError(
            f"there is no {kind} called '{name}'",
            expected=expected,
            hint=f"or give the path of your own file, such as ./{stem or 'my'}.toml",
        )
    return FileError("there is no such file", expected=f"a {kind} file; {expected}", where=looked)
