"""Files that a command writes for a person to keep and to edit: whole or not at all."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

from seqrun.errors import FileError


def quoted(text: str) -> str:
    """A text as a TOML string, whatever it holds: an instrument's answer, a resource's name.

    JSON's string is TOML's basic string, but for DEL and lone surrogates, which TOML wants escaped
    or not at all.
    """
    told = text.encode("utf-8", "replace").decode("utf-8")
    return json.dumps(told, ensure_ascii=False).replace("\x7f", "\\u007f")


def remark(text: str) -> str:
    """A text as what may stand behind the # of a comment: one line, without control characters."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def write_whole(path: Path, text: str) -> None:
    """Write a text file (UTF-8) so that whoever reads it finds the old one or the new one, after a
    power cut too. One that is there keeps its permissions, and a link stays a link. A pipe gets the
    text when somebody reads it, and is not waited for.

    Raises:
        FileError: it cannot be written; what was there is there still.
    """
    target = path.resolve()
    if target.exists() and not target.is_file():
        _into(path, text)
        return
    beside = target.with_name(target.name + ".part")
    try:
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            beside.chmod(target.stat().st_mode & 0o7777)
        beside.replace(target)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise FileError(
            f"cannot be written: {error.strerror or error}",
            expected="a file in a folder that is there and may be written to",
            where=str(path),
        ) from None


def _into(path: Path, text: str) -> None:
    """Into a pipe or a device that is there.

    Raises:
        FileError: a folder, or a pipe that nobody reads.
    """
    try:
        number = os.open(path, os.O_WRONLY | getattr(os, "O_NONBLOCK", 0))
        os.set_blocking(number, True)
        with os.fdopen(number, "w", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        nobody = error.errno == errno.ENXIO
        raise FileError(
            "is a pipe that nobody reads" if nobody else f"cannot be written: {error.strerror}",
            expected="the name of a file",
            where=str(path),
        ) from None
