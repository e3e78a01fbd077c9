"""Photographs of a unit: what is kept of them, and what is refused."""

from __future__ import annotations

import io
import os
import struct
import zlib
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest_mock import MockerFixture

from seqrun.errors import UsageError
from seqrun.record import RecordError, Store, merge, photos
from seqrun.record.cases import Cases
from seqrun.record.photos import (
    FOLDER,
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


def test_what_it_shows_is_still_seen_and_what_is_clear_is_white() -> None:
    halves = Image.new("RGBA", (64, 64), (200, 20, 20, 255))
    halves.paste((0, 0, 0, 0), (32, 0, 64, 64))
    out = io.BytesIO()
    halves.save(out, "PNG")
    kept = Image.open(io.BytesIO(written_anew(out.getvalue())))
    assert kept.getpixel((8, 32)) == pytest.approx((200, 20, 20), abs=6)
    assert kept.getpixel((56, 32)) == pytest.approx((255, 255, 255), abs=6)


def test_what_is_kept_is_of_quality_82_and_no_larger_than_that_needs() -> None:
    kept = written_anew(picture((800, 600)))
    as_large = io.BytesIO()
    Image.open(io.BytesIO(picture((800, 600)))).save(as_large, "JPEG", quality=82)
    told = Image.open(io.BytesIO(kept))
    assert told.quantization == Image.open(as_large).quantization
    assert len(kept) < len(as_large.getvalue())


def test_a_picture_has_as_many_bytes_and_pixels_as_are_taken_and_not_one_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = picture()
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    for most, pixels, told in (
        (len(data), 64 * 48, ""),
        (len(data) - 1, 64 * 48, "is too large"),
        (len(data), 64 * 48 - 1, "has 64 x 48 pixels"),
    ):
        monkeypatch.setattr(photos, "MOST_BYTES", most)
        monkeypatch.setattr(photos, "MOST_PIXELS", pixels)
        if not told:
            assert read_photo(path) == data
            assert written_anew(data)
            continue
        with pytest.raises(UsageError) as refused:
            written_anew(data)
        assert refused.value.found == told
        if told == "is too large":
            with pytest.raises(UsageError, match="is too large"):
                read_photo(path)


def test_of_a_file_that_grows_while_it_is_read_only_so_much_is_taken_as_tells_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"x" * 50)
    small = os.stat_result((0,) * 10)
    monkeypatch.setattr(os, "fstat", lambda _: small)
    monkeypatch.setattr(photos, "MOST_BYTES", 20)
    assert len(read_photo(path)) == 21


def test_of_a_picture_with_a_second_one_in_its_file_the_first_is_kept() -> None:
    first, second = (Image.new("RGB", (64, 48), c) for c in ((200, 20, 20), (20, 20, 200)))
    out = io.BytesIO()
    first.save(out, "MPO", save_all=True, append_images=[second])
    assert Image.open(io.BytesIO(out.getvalue())).format == "MPO"
    kept = Image.open(io.BytesIO(written_anew(out.getvalue())))
    assert (kept.format, getattr(kept, "n_frames", 1)) == ("JPEG", 1)
    assert kept.getpixel((32, 24)) == pytest.approx((200, 20, 20), abs=6)


def test_what_is_refused_is_told_with_what_would_do(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(picture())
    (tmp_path / "link.jpg").symlink_to(tmp_path / "a.jpg")
    wanted = "a JPEG, PNG or WebP picture of at most 25 MB"

    def told(name: str) -> tuple[str, str | None, str | None, str | None]:
        with pytest.raises(UsageError) as refused:
            read_photo(tmp_path / name)
        one = refused.value
        return one.found, one.expected, one.where, one.hint

    link = str(tmp_path / "link.jpg")
    real = f"name the picture itself: {(tmp_path / 'a.jpg').resolve()}"
    assert told("link.jpg") == ("is a link", "a file", link, real)
    assert told(".")[:2] == ("is no file", wanted)
    assert told("none.jpg")[:2] == ("cannot be read: No such file or directory", wanted)
    with pytest.raises(UsageError) as refused:
        written_anew(_huge_png(100_000, 100_000), "b.png")
    assert refused.value.found == "has far too many pixels"
    assert refused.value.expected == "at most 80 million pixels"
    assert refused.value.where == "b.png"
    with pytest.raises(UsageError) as refused:
        written_anew(SVG)
    assert refused.value.found == "is no picture that can be read (UnidentifiedImageError)"
    assert refused.value.hint == (
        "a picture that is cut off or of another kind: open it, and save it as JPEG"
    )


def test_what_became_of_a_photograph_is_told_by_the_beginning_of_its_name(
    cases: Cases, mocker: MockerFixture
) -> None:
    path = cases.add_photo("P-1", b"a picture")
    cases.add_photo("P-1", b"another picture", "the fuse")
    first, second = photos_of(cases.folder, cases.entries("P-1"))
    assert (first.note, first.words) == ("", "photograph without a note")
    assert (second.note, second.words) == ("the fuse", "the fuse")
    short = f"photograph {path.name[:12]}…"
    path.write_bytes(b"changed")
    assert cases.lost("P-1") == (f"{short} is not as it was kept",)
    mocker.patch.object(Path, "read_bytes", side_effect=PermissionError(13, "Permission denied"))
    assert cases.lost("P-1")[0] == f"{short} cannot be read: Permission denied"
    assert photo_file(cases.folder, path.name) is None


def test_a_complaint_that_names_a_photograph_is_none(cases: Cases) -> None:
    name = cases.add_photo("P-1", b"a picture").name
    cases.add("P-1", "complaint", f"{name} is not my unit")
    assert len(photos_of(cases.folder, cases.entries("P-1"))) == 1


def test_a_photograph_that_cannot_be_kept_is_told(tmp_path: Path) -> None:
    (tmp_path / "cases").write_text("", encoding="utf-8")
    with pytest.raises(RecordError, match="keeping a photograph failed: Not a directory") as told:
        put(tmp_path, b"a picture")
    assert told.value.where == str(tmp_path / FOLDER / f"{sha256(b'a picture').hexdigest()}.jpg")
