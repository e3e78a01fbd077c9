"""``seqrun live``: reports and cases in a browser, and no way to anything else."""

from __future__ import annotations

import http.client
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from seqrun.live.past import Past
from seqrun.live.server import Served, served
from seqrun.record import Store
from seqrun.record.cases import Cases
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts

LOADS = """title = "Loads"
revision = "A"
[[step]]
id = "load.{channel}"
each = "channel"
do = "load_resistance"
limit = { between = ["7 Ω", "9 Ω"] }
"""
ODD = "T 1#ä (2.)"


class Reader:
    """Somebody who was let in."""

    def __init__(self, page: Served) -> None:
        host, _, path = page.address.removeprefix("http://").partition("/")
        self._host = host
        self.cookie = ""
        status, heads, _ = self.ask(f"/{path}")
        assert status == 200
        self.cookie = str(heads["Set-Cookie"]).partition(";")[0]

    def ask(
        self, path: str, method: str = "GET", cookie: bool = True
    ) -> tuple[int, http.client.HTTPMessage, str]:
        line = http.client.HTTPConnection(self._host, timeout=60.0)
        try:
            line.request(method, path, headers={"Cookie": self.cookie} if cookie else {})
            answer = line.getresponse()
            return answer.status, answer.headers, answer.read().decode("utf-8", "replace")
        finally:
            line.close()


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one run, and a unit of an odd serial that somebody complained of."""
    above = tmp_path_factory.mktemp("records")
    (above / "short.toml").write_text(LOADS, encoding="utf-8")
    plan, files = prepare(str(above / "short.toml"), "demo", None)
    folder = above / "results"
    execute(plan, files, None, Watcher(), Options("T-1", "", folder), Interrupts())
    Cases(Store(folder)).add(ODD, "complaint", "hums <i>loudly</i>")
    (above / "secret.txt").write_text("secret", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def reader(results: Path) -> Iterator[Reader]:
    with served(Past(results).app) as page:
        yield Reader(page)


def _files(folder: Path) -> dict[str, tuple[int, int]]:
    return {
        str(one): (one.stat().st_size, one.stat().st_mtime_ns)
        for one in folder.rglob("*")
        if one.is_file()
    }


def test_reports_and_cases_are_shown_and_nothing_is_written(reader: Reader, results: Path) -> None:
    before = _files(results)
    run = Store(results).run("last").run_id
    _, heads, index = reader.ask("/")
    assert "script-src 'self'" in heads["Content-Security-Policy"]
    assert f"/runs/{run}/" in index and quote(ODD, safe="") in index
    status, heads, report = reader.ask(f"/runs/{run}/")
    assert status == 200 and "ACCEPT" in report and "SIMULATED" in report
    assert "script-src 'self'" in heads["Content-Security-Policy"]
    status, _, case = reader.ask("/units/T-1")
    assert status == 200 and "Next:" in case and f"/runs/{run}/" in case
    status, _, case = reader.ask(f"/units/{quote(ODD, safe='')}")
    assert status == 200 and "hums &lt;i&gt;loudly" in case
    status, heads, text = reader.ask(f"/runs/{run}/files/short.toml")
    assert status == 200 and "load_resistance" in text
    assert heads["Content-Type"].startswith("text/plain")
    assert _files(results) == before


@pytest.mark.parametrize(
    "path",
    [
        "/runs/..", "/runs/../", "/runs/%2e%2e/", "/runs/../secret.txt", "/secret.txt",
        "/runs/last/", "/runs/{run}/..%2f..%2fsecret.txt", "/runs/{run}/../../secret.txt",
        "/runs/{run}/%2e%2e%2f%2e%2e%2fsecret.txt", "/runs/{run}/..", "/runs/{run}/link.txt",
        "/runs/{run}/%2fetc%2fpasswd", "/runs/{run}/files/../../../secret.txt",
        "/runs/{run}/files/%2e%2e/%2e%2e/secret.txt",
        "/units/../../secret.txt", "/units/nobody", "/static/%2e%2e%2fpast.py", "/runs/%00/",
    ],
)  # fmt: skip
def test_no_path_leads_out_of_the_record(reader: Reader, results: Path, path: str) -> None:
    run = Store(results).run("last").run_id
    link = results / run / "link.txt"
    if not link.is_symlink():
        link.symlink_to(results.parent / "secret.txt")
    status, _, text = reader.ask(path.replace("{run}", run))
    assert status == 404 and text != "secret" and "root:" not in text


def test_without_the_cookie_and_with_another_method_there_is_nothing(
    reader: Reader, results: Path
) -> None:
    run = Store(results).run("last").run_id
    for path in ("/", f"/runs/{run}/", "/units/T-1", f"/runs/{run}/files/short.toml"):
        assert reader.ask(path, cookie=False)[0] == 403
        for method in ("POST", "PUT", "DELETE"):
            assert reader.ask(path, method)[0] == 405


def test_a_report_in_the_folder_that_is_no_page_of_ours_is_shown_as_text(
    reader: Reader, results: Path
) -> None:
    run = Store(results).run("last").run_id
    (results / run / "evil.html").write_text("<script>alert(1)</script>", encoding="utf-8")
    _, heads, _ = reader.ask(f"/runs/{run}/evil.html")
    assert heads["Content-Type"].startswith("text/plain")
    assert heads["X-Content-Type-Options"] == "nosniff"


@pytest.mark.skipif(sys.platform == "win32", reason="its signals are others")
def test_the_command_shows_its_address_and_ends_by_a_signal(results: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "seqrun", "live", "--results", str(results)],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert "http://127.0.0.1:" in process.stdout.readline()
        os.kill(process.pid, signal.SIGTERM)
        assert process.wait(60.0) == 0


def test_a_folder_that_is_none_is_wrong_use(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "seqrun", "live", "--results", str(tmp_path / "none")],
        capture_output=True, text=True, check=False, timeout=60.0,
    )  # fmt: skip
    assert done.returncode == 2 and "no such results folder" in done.stderr
