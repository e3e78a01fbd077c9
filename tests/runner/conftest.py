"""What tests of the runner share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from seqrun.instruments.link import Link
from seqrun.record import RunInfo, Store
from seqrun.runner.cooled import Last, nothing_on_record
from seqrun.runner.engine import Engine
from seqrun.runner.events import Watcher
from seqrun.runner.opening import VirtualHands, open_bench
from seqrun.runner.preparation import prepare

HEAD = 'title = "T"\nrevision = "A"\n'


@pytest.fixture
def done(tmp_path: Path) -> Iterator[Callable[..., Engine]]:
    """``done(steps)``: the engine after it has done them all to a unit without power."""
    opened = []

    def do(
        steps: str,
        check: Callable[[], None] = lambda: None,
        bench: str = "demo",
        hands: type[VirtualHands] = VirtualHands,
        last: Last = nothing_on_record,
    ) -> Engine:
        path = tmp_path / "sequence.toml"
        path.write_text(HEAD + steps, encoding="utf-8")
        plan, files = prepare(str(path), bench, None)
        there = open_bench(files, lambda *_: None)
        opened.append(there)
        assert isinstance(there.control, Link)
        record = Store(tmp_path / "r").start(RunInfo("T-1", "demo", "short"))
        who = hands(there.control)
        there.desk.staff(who, there.clock.now)
        engine = Engine(plan, there, who, record, Watcher(), check, None, last)
        engine.do_all()
        return engine

    yield do
    for there in opened:
        there.close()
