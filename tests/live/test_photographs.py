"""Photographs at the page: who may send one, and what becomes of what is none."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from PIL import Image
from serving import OTHER, PAGE, Served

from seqrun.live.past import Past
from seqrun.live.photographing import photograph_of
from seqrun.live.server import served as page_of
from seqrun.record import Store
from seqrun.record.cases import Cases
from seqrun.record.photos import MOST_BYTES, photos_of

SVG = b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>"


def picture() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (40, 30), "brown").save(out, "JPEG")
    return out.getvalue()


@pytest.fixture
def camera(tmp_path: Path) -> Iterator[Served]:
    """A page that keeps photographs of S-1 in ``r``."""
    found = Served(photograph_of(tmp_path / "r", "S-1", "the bench page"))
    try:
        yield found
    finally:
        found.live.close()
        found.serving.stop()


def send(camera: Served, data: bytes, page: str = PAGE, note: str = "", **heads: str) -> int:
    """The status of sending a picture as the page does."""
    usual = {
        "Cookie": f"{camera.door.cookie}={camera.door.worth}",
        "Origin": f"http://{camera.host}",
        "Content-Type": "image/jpeg",
    }
    path = f"/photo?page={page}&note={quote(note)}"
    return camera.ask("POST", path, data, **{**usual, **heads})[0]


def on_record(tmp_path: Path) -> list[str]:
    store = Store(tmp_path / "r")
    return [one.note for one in photos_of(store.folder, Cases(store).entries("S-1"))]


def test_the_page_that_commands_sends_a_photograph_and_no_other(
    camera: Served, tmp_path: Path
) -> None:
    assert send(camera, picture(), note="the fuse, left") == 200
    assert send(camera, picture(), page=OTHER) == 409  # it only watches
    assert send(camera, picture(), page="x") == 409
    assert on_record(tmp_path) == ["the fuse, left"]
    assert any("the fuse, left" in one.text for one in camera.board.scene.spoken)


def test_without_the_token_or_from_another_page_nothing_is_taken(
    camera: Served, tmp_path: Path
) -> None:
    for heads in ({"Cookie": "seqrun=guess"}, {"Origin": "http://elsewhere.test"}):
        assert send(camera, picture(), **heads) == 403
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize("data", [SVG, b"", picture()[:300], b"{}"])
def test_what_is_no_picture_is_refused_and_leaves_nothing(
    camera: Served, tmp_path: Path, data: bytes
) -> None:
    assert send(camera, data, note="a note") == 409
    assert send(camera, picture(), note="x" * 300) == 409
    assert not (tmp_path / "r").exists()


def test_a_picture_that_says_it_is_too_large_is_not_even_read(
    camera: Served, tmp_path: Path
) -> None:
    assert send(camera, b"", Content_Length=str(MOST_BYTES + 1)) == 409
    assert not (tmp_path / "r").exists()


def test_only_whole_photographs_are_shown_with_the_records(tmp_path: Path) -> None:
    results = tmp_path / "r"
    photograph_of(results, "S-1", "")(picture(), "the fuse")
    (one,) = photos_of(results, Cases(Store(results)).entries("S-1"))
    stranger = one.path.with_name(f"{'0' * 64}.jpg")
    stranger.write_bytes(SVG)
    (results / "cases" / "secret.txt").write_text("secret", encoding="utf-8")
    import http.client

    with page_of(Past(results).app) as page:
        host, _, token = page.address.removeprefix("http://").partition("/?token=")
        line = http.client.HTTPConnection(host, timeout=60.0)

        def get(path: str, **heads: str) -> tuple[int, str, bytes]:
            line.request("GET", path, headers=heads)
            answer = line.getresponse()
            told = answer.headers
            kind = str(told["set-cookie"] if "token" in path else told["content-type"])
            return answer.status, kind, answer.read()

        name = one.path.name
        assert get(f"/photos/{name}")[0] == 403
        cookie = get(f"/?token={token}")[1].partition(";")[0]
        status, kind, data = get(f"/photos/{name}", Cookie=cookie)
        assert (status, kind, data) == (200, "image/jpeg", one.path.read_bytes())
        assert (
            f'src="/photos/{name}" alt="the fuse"' in get("/units/S-1", Cookie=cookie)[2].decode()
        )
        for path in (stranger.name, "..%2Fsecret.txt", "%2e%2e/secret.txt", f"{name}%20x"):
            assert get(f"/photos/{path}", Cookie=cookie)[0] == 404
