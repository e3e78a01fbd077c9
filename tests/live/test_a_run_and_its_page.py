"""A page takes nothing from a run: not when it dies, not when it fails, not when nobody looks."""

from __future__ import annotations

import http.client
import json
import re
import threading
import time
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest

from seqrun.errors import Interrupted, Tripped, UsageError
from seqrun.live.bench_page import BenchPage, bench_page
from seqrun.live.board import Scene
from seqrun.live.network import LOOPBACK, listening
from seqrun.live.view import Parts
from seqrun.plan.needs import Hookup
from seqrun.report.run.progress import Progress
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Verdict


class At(Watcher):
    """Does something when a step begins."""

    def __init__(self, step: str, do: Callable[[], object]) -> None:
        self._step, self._do = step, do

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        if step_id == self._step:
            self._do()


def _run(
    folder: Path, sequence: str, meanwhile: Callable[[BenchPage, Interrupts], object], step: str
) -> tuple[Outcome, BenchPage]:
    plan, files = prepare(sequence, "demo", None)
    interrupts = Interrupts()
    with bench_page(plan, "T-1", interrupts.stop) as page:
        watcher = page.watching(At(step, lambda: meanwhile(page, interrupts)))
        options = Options("T-1", "", folder)
        return execute(plan, files, None, watcher, options, interrupts), page


def _cookie(page: BenchPage) -> tuple[http.client.HTTPConnection, dict[str, str]]:
    host = re.sub(r"^http://|/.*$", "", page.address)
    line = http.client.HTTPConnection(host, timeout=60.0)
    line.request("GET", page.address.partition(host)[2])
    answer = line.getresponse()
    answer.read()
    cookie = str(answer.headers["Set-Cookie"]).partition(";")[0]
    return line, {"Cookie": cookie, "Origin": f"http://{host}"}


def test_a_server_that_dies_takes_nothing_from_a_powered_run(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome, page = _run(
        tmp_path / "r", short_sequence(), lambda page, _: page.serving.stop(), "offset.left"
    )
    assert outcome.disposition is Disposition.ACCEPT and outcome.safe.complete
    assert not page.serving.alive


def test_a_mistake_of_the_page_takes_nothing_from_a_powered_run(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    def spoil(page: BenchPage, _: Interrupts) -> None:
        page.board.change = page.board.also = None  # type: ignore[method-assign,assignment]

    outcome, _ = _run(tmp_path / "r", short_sequence(), spoil, "offset.left")
    assert outcome.disposition is Disposition.ACCEPT and outcome.safe.complete


def test_the_page_ends_a_powered_run_in_the_safe_state(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    def stop(page: BenchPage, _: Interrupts) -> None:
        line, heads = _cookie(page)
        line.request("POST", "/stop", json.dumps({"page": "a" * 24}), heads)
        assert line.getresponse().status == 200

    outcome, page = _run(tmp_path / "r", short_sequence(), stop, "offset.left")
    assert outcome.disposition is Disposition.ABORTED and outcome.safe.complete
    assert "the bench page" in outcome.reason
    assert not any(judged.step == "offset.right" for judged in outcome.judged)
    scene = page.board.scene
    assert scene.safe and scene.disposition is Disposition.ABORTED and scene.confirmed


def test_each_part_of_each_scene_of_a_run_can_be_drawn(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    scenes: list[Scene] = []
    settled = """
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
settle = { within = "5 mV", for = "2 s", at_most = "60 s" }
limit = { between = ["-50 mV", "50 mV"] }
"""

    def listen(page: BenchPage, _: Interrupts) -> None:
        page.board.watched_by(lambda: scenes.append(page.board.scene))

    outcome, page = _run(tmp_path / "r", short_sequence(settled), listen, "protection")
    assert outcome.disposition is Disposition.ACCEPT
    plan, _ = prepare(short_sequence(settled), "demo", None)
    parts = Parts(plan.view)
    drawn = [parts.of(scene) for scene in scenes]
    assert any("between -50 mV and 50 mV" in one["number"] for one in drawn)
    assert any("out.left" in one["leads"] for one in drawn)
    assert any("The unit is powered" in one["state"] for one in drawn)
    assert "Safe state confirmed" in drawn[-1]["state"] and "ACCEPT" in drawn[-1]["todo"]
    for scene in scenes:  # no step is said to take longer than all that is left
        assert scene.step_left_s is None or scene.left_s >= scene.step_left_s
    judged = [one for one in outcome.judged if one.verdict is Verdict.PASS]
    assert dict(page.board.scene.counted) == {"pass": len(judged)}


def test_nothing_from_outside_becomes_part_of_the_page() -> None:
    evil = '<img src=x onerror="alert(1)">'
    parts = Parts().of(
        Scene(
            title=evil, serial=evil, index=0, step=evil, what=evil, text=evil, notes=(evil,),
            reason=evil, unconfirmed=(evil,), simulated=True,
        )
    )  # fmt: skip
    assert not any("<img" in html for html in parts.values())
    assert "&lt;img" in parts["todo"] and "&lt;img" in parts["notes"]


def test_a_port_that_is_taken_is_told_before_anything_is_energised(
    short_sequence: Callable[..., str],
) -> None:
    (taken,) = listening([LOOPBACK], 0)
    plan, _ = prepare(short_sequence(), "demo", None)
    try:
        port = taken.getsockname()[1]
        with (
            pytest.raises(UsageError, match=str(port)),
            bench_page(plan, "T-1", lambda _: None, port=port),
        ):
            pass
    finally:
        taken.close()


class Silent:
    """A terminal at whose keyboard nobody is."""

    def typed(self, within_s: float) -> str | None:
        return None

    def discard(self) -> None:
        pass


def test_whoever_answers_first_at_page_or_terminal_is_the_one(
    short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The terminal asks with nobody at its keyboard; the page's answer comes from a thread."""
    from seqrun.cli.live import operator_with_page

    plan, _ = prepare(short_sequence(), "demo", None)
    interrupts = Interrupts()
    monkeypatch.setattr("seqrun.report.run.progress.line_of", lambda _: nullcontext(Silent()))
    across = Hookup((("meter.hi", "out.left"),), "meter: red to out.left")
    with bench_page(plan, "T-1", interrupts.stop) as page:
        hands = operator_with_page(page, Progress(live=False), interrupts)

        def answered(answer: Callable[[Any], object]) -> threading.Thread:
            def wait() -> None:
                while page.board.scene.question is None:
                    pass
                answer(page.board.scene.question)

            thread = threading.Thread(target=wait, daemon=True)
            thread.start()
            return thread

        thread = answered(lambda put: page.answers.answer(put.id, ""))
        hands.connect(across, live=False)
        thread.join(60.0)
        thread = answered(lambda _: interrupts.stop("the bench page"))
        with pytest.raises(Interrupted, match="the bench page"):
            hands.connect(across, live=True)
        thread.join(60.0)
        assert page.board.scene.question is None


def test_while_a_question_stands_at_the_page_the_trips_are_looked_at(
    short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from seqrun.cli.live import operator_with_page

    plan, _ = prepare(short_sequence(), "demo", None)
    interrupts = Interrupts()
    monkeypatch.setattr("seqrun.report.run.progress.line_of", lambda _: nullcontext(Silent()))
    monkeypatch.setattr("seqrun.report.run.progress._ASK_S", 0.01)
    looks: list[int] = []

    def watch() -> None:
        looks.append(1)
        if len(looks) == 3:
            raise Tripped("5 A", where="supply_current")

    def nobody() -> str | None:  # answers; the test ends all the same, as a failed one
        return "" if time.monotonic() > until else None

    interrupts.watch = watch
    until = time.monotonic() + 30.0
    across = Hookup((("meter.hi", "out.left"),), "meter: red to out.left")
    with bench_page(plan, "T-1", interrupts.stop) as page:
        monkeypatch.setattr(page.answers, "_taken", nobody)
        hands = operator_with_page(page, Progress(live=False), interrupts)
        with pytest.raises(Tripped):
            hands.connect(across, live=True)
