"""What can go wrong with a record."""

from __future__ import annotations

import errno
from pathlib import Path

from seqrun.errors import SeqrunError


class RecordError(SeqrunError):
    """The record cannot be written, or what is there cannot be read.

    Before a run it means that nothing was energised; during one, that the run must end in the safe
    state, because what is shown from then on would not be on record.
    """


class RecordLocked(RecordError):
    """Another program does not let go of the record."""


def from_os(error: OSError, path: Path, doing: str) -> RecordError:
    """An operating system's refusal in words, with what to do about it."""
    full = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    hints = {
        errno.EACCES: "give yourself the right to write there, or choose another --results folder",
        errno.EPERM: "give yourself the right to write there, or choose another --results folder",
        errno.EROFS: "it is a read-only disk: choose another --results folder",
        errno.ENOTDIR: "a file stands where a folder is wanted: move it, or choose another folder",
        errno.EISDIR: "a folder stands where a file is wanted: move it, or choose another folder",
        errno.EEXIST: "a file stands where a folder is wanted: move it, or choose another folder",
    }
    hint = "free some space, then run it again" if error.errno in full else None
    return RecordError(
        f"{doing} failed: {error.strerror or error}",
        where=str(path),
        hint=hint or hints.get(error.errno or 0),
    )
