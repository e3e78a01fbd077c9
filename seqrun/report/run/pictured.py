"""Photographs of a unit within a page that stands by itself."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass

from seqrun.record.photos import Photo

MOST = 8  # in one page; a picture weighs some hundred kilobytes


@dataclass(frozen=True, slots=True)
class Pictured:
    """A photograph. ``link``: a data address that holds the whole picture; "" when it is lost."""

    words: str
    told: str
    link: str


def within(photos: Sequence[Photo]) -> list[Pictured]:
    """The newest of them, oldest first."""
    return [_pictured(one) for one in photos[-MOST:]]


def _pictured(photo: Photo) -> Pictured:
    told = f"{photo.time_utc[:16].replace('T', ' ')} UTC{f', {photo.by}' if photo.by else ''}"
    if not photo.lost:
        try:
            data = base64.b64encode(photo.path.read_bytes()).decode("ascii")
        except OSError as error:
            return Pictured(photo.words, f"{told}: cannot be read: {error.strerror}", "")
        return Pictured(photo.words, told, f"data:image/jpeg;base64,{data}")
    return Pictured(photo.words, f"{told}: {photo.lost}", "")
