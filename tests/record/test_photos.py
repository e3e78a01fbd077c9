"""Photographs of a unit: what is kept of them, and what is refused."""

from __future__ import annotations

import io
import os
import struct
import zlib
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest_mock import MockerFixture

from seqrun.errors import UsageError
from seqrun.record import Store, merge
from seqrun.record.cases import Cases
from seqrun.record.photos import (
    LONGEST_SIDE,
    MOST_BYTES,
    missing,
    photo_file,
    photos_of,
    put,
    read_photo,
    written_anew,
)

#: of an extra, which is not there where the lowest versions are tried
Image = pytest.importorskip("PIL.Image")

PLACE, OWNER, MAKER = 0x8825, 0x9C9D, 0x010F  # GPS directory, owner's name, maker, of EXIF
SVG = b"<svg xmlns='http://www.w3.org/2000/svg'><script>fetch('//elsewhere.test')</script></svg>"


def picture(size: tuple[int, int] = (64, 48), kind: str = "JPEG", **more: object) -> bytes:
    out = io.BytesIO()
    Image.linear_gradient("L").resize(size).convert("RGB").save(out, kind, **more)
    return out.getvalue()


def from_a_phone(turned: int = 1) -> bytes:
    """With place, maker, a comment and an XMP packet, as a camera writes them."""
    exif = Image.Exif()
    exif[MAKER], exif[0x0112] = "Maker of cameras", turned
    place = exif.get_ifd(PLACE)
    place[1], place[2] = "N", (52.0, 31.0, 12.0)
    place[3], place[4] = "E", (13.0, 24.0, 18.0)
    xmp = b"<x:xmpmeta><rdf:li>Secret Street 5</rdf:li></x:xmpmeta>"
    return picture(exif=exif, comment=b"Secret Street 5", xmp=xmp)


@pytest.fixture
def cases(tmp_path: Path) -> Cases:
    return Cases(Store(tmp_path / "r"))


def test_nothing_that_a_camera_wrote_beside_the_picture_is_kept() -> None:
    before = from_a_phone()
    assert Image.open(io.BytesIO(before)).getexif().get_ifd(PLACE)  # it was there
    assert b"Secret Street" in before
    kept = written_anew(before)
    told = Image.open(io.BytesIO(kept))
    assert not told.getexif() and not told.getexif().get_ifd(PLACE)
    assert set(told.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert b"Exif" not in kept and b"Secret" not in kept and b"Maker" not in kept


def test_a_picture_stands_upright_without_its_mark_of_how_it_was_held() -> None:
    assert Image.open(io.BytesIO(written_anew(from_a_phone(turned=6)))).size == (48, 64)


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "JPEG"])
def test_a_large_picture_is_made_smaller_and_is_a_jpeg(kind: str) -> None:
    kept = Image.open(io.BytesIO(written_anew(picture((2400, 900), kind))))
    assert kept.format == "JPEG" and kept.size == (LONGEST_SIDE, 600)


def _huge_png(wide: int, high: int) -> bytes:
    """Some octets that say they are a picture of any size."""

    def chunk(name: bytes, data: bytes) -> bytes:
        whole = name + data
        return struct.pack(">I", len(data)) + whole + struct.pack(">I", zlib.crc32(whole))

    head = struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (SVG, "no picture"),
        (b"", "no picture"),
        (b"%PDF-1.7 nothing", "no picture"),
        (picture()[:400], "no picture"),
        (picture(kind="PNG")[:100], "no picture"),
        (picture(kind="GIF"), "no picture"),
        (_huge_png(9000, 9000), "9000 x 9000 pixels"),
        (_huge_png(100_000, 100_000), "pixels"),
        (b"\xff" * (MOST_BYTES + 1), "too large"),
    ],
    ids=["svg", "empty", "pdf", "cut-jpeg", "cut-png", "gif", "many", "bomb", "large"],
)
def test_what_is_no_picture_of_ours_is_refused(data: bytes, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        written_anew(data)


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 700), st.binary(min_size=1, max_size=40))
def test_a_spoiled_picture_is_read_or_refused_and_nothing_else(at: int, spoil: bytes) -> None:
    data = bytearray(picture())
    data[at : at + len(spoil)] = spoil
    with suppress(UsageError):
        assert written_anew(bytes(data))[:2] == b"\xff\xd8"


def test_links_devices_and_folders_are_no_pictures(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(picture())
    (tmp_path / "link.jpg").symlink_to(tmp_path / "a.jpg")
    os.mkfifo(tmp_path / "waits.jpg")  # opening it would wait for ever
    for name in ("link.jpg", "waits.jpg", ".", "none.jpg"):
        with pytest.raises(UsageError):
            read_photo(tmp_path / name)
    with pytest.raises(UsageError, match="is a link"):
        read_photo(tmp_path / "link.jpg")
    assert read_photo(tmp_path / "a.jpg") == picture()


def test_a_photo_is_on_record_with_its_note_and_its_change_or_loss_shows(cases: Cases) -> None:
    path = cases.add_photo("P-1", written_anew(picture()), "burnt ballast, left", "A. N.")
    (one,) = photos_of(cases.folder, cases.entries("P-1"))
    assert (one.note, one.by, one.path, one.lost) == ("burnt ballast, left", "A. N.", path, "")
    assert cases.lost("P-1") == ()
    whole = path.read_bytes()
    path.write_bytes(whole + b"\0")
    assert any("not as it was kept" in line for line in cases.lost("P-1"))
    path.unlink()
    assert any("is gone" in line for line in cases.lost("P-1"))
    elsewhere = cases.folder / "elsewhere.jpg"
    elsewhere.write_bytes(whole)
    path.symlink_to(elsewhere)
    assert any("is gone" in line for line in cases.lost("P-1"))


def test_a_photo_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    order = []
    mocker.patch("os.fsync", lambda file: order.append("synced"))
    real = Path.replace
    mocker.patch.object(
        Path, "replace", lambda part, to: (order.append("named"), real(part, to))[1]
    )
    path = put(tmp_path, b"jpeg")
    assert order == ["synced", "named"]
    assert path.read_bytes() == b"jpeg"


def test_a_photo_is_found_by_its_name_while_it_is_whole_and_nothing_else_is(cases: Cases) -> None:
    path = cases.add_photo("P-1", written_anew(picture()))
    assert photo_file(cases.folder, path.name) == path
    (path.parent / "notes.txt").write_text("secret", encoding="utf-8")
    for name in ("notes.txt", f"{path.name} note", f"../{path.parent.name}/{path.name}", "0.jpg"):
        assert photo_file(cases.folder, name) is None
    path.write_bytes(b"another")
    assert photo_file(cases.folder, path.name) is None


def test_a_row_that_names_another_file_leads_nowhere(cases: Cases) -> None:
    cases.add("P-1", "photo", "../../../etc/passwd")
    assert photos_of(cases.folder, cases.entries("P-1")) == ()


def test_photos_are_merged_once(tmp_path: Path, cases: Cases) -> None:
    other = Cases(Store(tmp_path / "other"))
    other.add_photo("P-1", written_anew(picture()), "the fuse")
    (tmp_path / "other" / "runs.csv").write_text("", encoding="utf-8")
    for _ in range(2):
        merge(cases.folder, other.folder)
    (one,) = photos_of(cases.folder, cases.entries("P-1"))
    assert one.note == "the fuse" and not one.lost


def test_where_nothing_reads_pictures_it_says_what_to_install(mocker: MockerFixture) -> None:
    data = picture()
    assert missing() == ""
    mocker.patch.dict("sys.modules", {"PIL": None, "PIL.Image": None})
    assert missing() == "pip install 'seqrun[photo]'"
    with pytest.raises(UsageError, match="no library that reads pictures") as refused:
        written_anew(data)
    assert refused.value.hint == missing()
