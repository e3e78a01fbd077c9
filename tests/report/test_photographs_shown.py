"""A unit's photographs in the reports of its runs, and with what is worth keeping of it."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

from invented_run import good
from past_runs import START, a_run
from PIL import Image

from seqrun.record import Store, load_run
from seqrun.record.cases import Cases
from seqrun.record.photos import photos_of, written_anew
from seqrun.report.run.page import render_page
from seqrun.report.shared.summary import photos_of_run


def keep(results: Path, note: str, time: datetime | None = None, serial: str = "EX-0007") -> Path:
    out = io.BytesIO()
    Image.new("RGB", (40, 30), "brown").save(out, "PNG")
    cases = Cases(Store(results))
    path = cases.add_photo(serial, written_anew(out.getvalue()), note)
    if time is not None:
        cases.add(serial, "photo", f"{path.name} {note}, again", time=time)
    return path


def test_a_report_shows_what_was_photographed_about_its_run_and_not_another(tmp_path: Path) -> None:
    runs = [a_run(tmp_path, days, good()) for days in (0, 10)]
    keep(tmp_path, "after both", START + timedelta(days=5))
    keep(tmp_path, "another unit", serial="EX-0008")
    first, second = (photos_of_run(load_run(tmp_path, run)) for run in runs)
    assert [one.note for one in first] == ["after both, again"]  # five days after the first
    assert [one.note for one in second] == ["after both, again", "after both"]


def test_the_picture_stands_in_the_page_itself_with_its_note_escaped(tmp_path: Path) -> None:
    run = a_run(tmp_path, 0, good())
    path = keep(tmp_path, '<b>burnt</b> "ballast"')
    html = render_page(load_run(tmp_path, run))
    assert 'src="data:image/jpeg;base64,/9j/' in html
    assert 'alt="&lt;b&gt;burnt&lt;/b&gt; &#34;ballast&#34;"' in html
    path.write_bytes(b"<svg/>")
    html = render_page(load_run(tmp_path, run))
    assert "not as it was kept" in html and "data:image/jpeg" not in html


def test_a_unit_without_photographs_has_no_heading_for_them(tmp_path: Path) -> None:
    run = a_run(tmp_path, 0, good())
    Cases(Store(tmp_path)).add("EX-0007", "work", "a new fuse", time=datetime.now(UTC))
    assert "Photographs" not in render_page(load_run(tmp_path, run))
    assert photos_of(tmp_path, Cases(Store(tmp_path)).entries("EX-0007")) == ()
