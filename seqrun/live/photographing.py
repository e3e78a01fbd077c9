"""Photographs that are taken at the page, and those on record as the pages show them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from seqrun.errors import SeqrunError
from seqrun.live.asking import LONGEST, Refused
from seqrun.record import Store
from seqrun.record.cases import Cases
from seqrun.record.photos import MOST_BYTES, Photo, missing, written_anew

#: keeps a picture (octets as they came) with a note
Photograph = Callable[[bytes, str], None]


def photograph_of(results: Path, serial: str, by: str) -> Photograph:
    """What keeps pictures with the case of a unit."""

    def keep(data: bytes, note: str) -> None:
        Cases(Store(results)).add_photo(serial, written_anew(data), note, by)

    return keep


class Camera:
    """Takes pictures from the page, one at a time: decoding one fills memory.

    Args:
        keep: None where no pictures are kept.
    """

    def __init__(self, keep: Photograph | None) -> None:
        self._keep = keep
        self._busy = asyncio.Lock()

    @property
    def why_not(self) -> str:
        """Why there is no camera; "" when there is one."""
        return missing() if self._keep is not None else "no unit"

    async def take(self, request: Request) -> str:
        """Keep the picture that a request brings; its note.

        Raises:
            Refused: it is none, is too large, or cannot be kept.
        """
        if self._keep is None:
            raise Refused("No photographs are kept here.")
        if self._busy.locked():
            raise Refused("A photograph is being kept already. Try again in a moment.")
        async with self._busy:
            note = request.query_params.get("note", "").strip()
            if len(note) > LONGEST:
                raise Refused(f"The note is too long: {LONGEST} characters at most.")
            data = await _body(request)
            try:
                await run_in_threadpool(self._keep, data, note)
            except SeqrunError as error:
                raise Refused(f"It was not kept: the picture {_told(error)}.") from None
        return note


async def _body(request: Request) -> bytes:
    said = request.headers.get("content-length", "")
    found = bytearray()
    if not said.isdecimal() or int(said) <= MOST_BYTES:
        async for chunk in request.stream():
            found += chunk
            if len(found) > MOST_BYTES:
                break
        else:
            return bytes(found)
    raise Refused(f"The picture is too large: {MOST_BYTES // 1_000_000} MB at most.")


def _told(error: SeqrunError) -> str:
    return error.found + (f"; expected {error.expected}" if error.expected else "")


def shown(photos: tuple[Photo, ...]) -> list[tuple[Photo, str]]:
    """Photographs, the newest first, each with its address among the pages."""
    return [(one, f"/photos/{quote(one.path.name)}") for one in reversed(photos) if not one.lost]
