"""Photographs of a unit, kept with its case.

Whatever comes in is decoded and written anew as a JPEG of moderate size: what a camera wrote beside
the picture (place, owner, preview, anything hidden) is not in it. The file is named by the SHA-256
of its contents, and the row in ``cases.csv`` names the file, so that a picture that was changed or
taken away shows.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.errors import UsageError
from seqrun.record.errors import from_os

if TYPE_CHECKING:
    from seqrun.record.case_rows import CaseEntry

FOLDER = Path("cases", "photos")  # within the results folder
FORMATS = ("JPEG", "PNG", "WEBP")  # a phone's JPEG with a second picture in it (MPO) is a JPEG
MOST_BYTES = 25_000_000  # of a file that is taken; a phone's picture has a fifth of it
MOST_PIXELS = 80_000_000  # decoded it would fill memory: three bytes for each
LONGEST_SIDE = 1600  # pixels of what is kept: a burnt joint still shows
QUALITY = 82
_NAME = re.compile(r"([0-9a-f]{64}\.jpg)(?: (.*))?", re.DOTALL)
_EXPECTED = f"a JPEG, PNG or WebP picture of at most {MOST_BYTES // 1_000_000} MB"


@dataclass(frozen=True, slots=True)
class Photo:
    """A photograph on record. ``lost``: what became of its file, or ""."""

    time_utc: str
    note: str
    by: str
    path: Path
    lost: str = ""

    @property
    def words(self) -> str:
        """What it shows, as its note says."""
        return self.note or "photograph without a note"


def missing() -> str:
    """Why no photograph can be taken here; "" when one can."""
    try:
        import PIL.Image  # noqa: F401
    except ImportError:
        return "pip install 'seqrun[photo]'"
    return ""


def read_photo(path: Path) -> bytes:
    """The file that somebody names.

    Raises:
        UsageError: it is no plain file, a link, or too large.
    """
    where = str(path)
    try:
        # What waits for a writer, or goes on for ever, is not even opened.
        kind = path.lstat().st_mode
        if stat.S_ISLNK(kind):
            hint = f"name the picture itself: {path.resolve()}"
            raise UsageError("is a link", expected="a file", where=where, hint=hint)
        if not stat.S_ISREG(kind):
            raise UsageError("is no file", expected=_EXPECTED, where=where)
        with path.open("rb") as file:
            if os.fstat(file.fileno()).st_size > MOST_BYTES:
                raise _too_large(where)
            return file.read(MOST_BYTES + 1)
    except OSError as error:
        raise UsageError(
            f"cannot be read: {error.strerror}", expected=_EXPECTED, where=where
        ) from None


def written_anew(data: bytes, where: str = "photograph") -> bytes:
    """A picture as the JPEG that is kept: turned upright, at most :data:`LONGEST_SIDE` pixels long,
    and nothing beside the picture in it.

    Raises:
        UsageError: it is none of :data:`FORMATS`, broken, or too large; no library reads pictures.
    """
    if hint := missing():
        raise UsageError("no library that reads pictures is here", where=where, hint=hint)
    from PIL import Image, ImageOps

    if len(data) > MOST_BYTES:
        raise _too_large(where)
    try:
        with Image.open(io.BytesIO(data), formats=FORMATS) as opened:
            wide, high = opened.size
            if wide * high > MOST_PIXELS:
                raise _too_many(where, f"{wide} x {high} pixels")
            opened.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
            upright = ImageOps.exif_transpose(opened)
            upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            layered = upright.convert("RGBA")
            # A picture of its own: none of what the one that came in carries goes with it.
            kept = Image.new("RGB", layered.size, "white")
            kept.paste(layered, mask=layered.getchannel("A"))
            out = io.BytesIO()
            kept.save(out, "JPEG", quality=QUALITY, optimize=True)
    except UsageError:
        raise
    except Image.DecompressionBombError:
        raise _too_many(where, "far too many pixels") from None
    except Exception as error:  # a decoder that is given rubbish raises anything
        hint = "a picture that is cut off or of another kind: open it, and save it as JPEG"
        raise UsageError(
            f"is no picture that can be read ({type(error).__name__})",
            expected=_EXPECTED,
            where=where,
            hint=hint,
        ) from None
    return out.getvalue()


def put(folder: Path, jpeg: bytes) -> Path:
    """Write a photograph under the name of its contents; where it lies.

    Args:
        folder: the results folder.

    Raises:
        RecordError: it cannot be written.
    """
    path = folder / FOLDER / f"{hashlib.sha256(jpeg).hexdigest()}.jpg"
    part = path.with_suffix(".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as file:
            file.write(jpeg)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise from_os(error, path, "keeping a photograph") from error
    return path


def photos_of(folder: Path, entries: list[CaseEntry] | tuple[CaseEntry, ...]) -> tuple[Photo, ...]:
    """The photographs among the entries of a case, oldest first.

    Args:
        folder: the results folder.
    """
    found = []
    for entry in entries:
        named = _NAME.fullmatch(entry.text)
        if entry.kind == "photo" and named is not None:
            path = folder / FOLDER / named[1]
            lost = _lost(path)
            found.append(Photo(entry.time_utc, named[2] or "", entry.by, path, lost))
    return tuple(found)


def photo_file(folder: Path, name: str) -> Path | None:
    """The file of that name among the photographs, whole as it was kept; None for any other."""
    path = folder / FOLDER / name
    return path if _NAME.fullmatch(name) and " " not in name and not _lost(path) else None


def _lost(path: Path) -> str:
    try:
        if path.is_symlink() or not path.is_file():
            return f"photograph {path.name[:12]}… is gone"
        whole = hashlib.sha256(path.read_bytes()).hexdigest() == path.stem
    except OSError as error:
        return f"photograph {path.name[:12]}… cannot be read: {error.strerror}"
    return "" if whole else f"photograph {path.name[:12]}… is not as it was kept"


def _too_large(where: str) -> UsageError:
    return UsageError("is too large", expected=_EXPECTED, where=where)


def _too_many(where: str, what: str) -> UsageError:
    most = MOST_PIXELS // 1_000_000
    return UsageError(f"has {what}", expected=f"at most {most} million pixels", where=where)
