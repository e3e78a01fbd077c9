"""A command of seqrun as somebody types it, at a POSIX shell and at Windows' alike."""

from __future__ import annotations

import re
from pathlib import Path

_PLAIN = re.compile(r"[\w@%+=:,./-]+", re.ASCII)
#: where records go when no other folder is named
RESULTS = Path("results")


def command(*words: str, results: Path | None = None) -> str:
    """The whole line, so that it runs as it is printed; with the folder of the records where that
    is not the usual one."""
    folder = ("--results", str(results)) if results is not None and results != RESULTS else ()
    return " ".join(["seqrun", *map(quoted, (*words, *folder))])


def quoted(word: str) -> str:
    """A word of a command line: within double quotes where it must be, which every shell takes;
    what a shell would read within them is taken out."""
    if _PLAIN.fullmatch(word):
        return word
    return '"' + re.sub(r'["`$\\!%]', "'", word) + '"'
