"""An answer that is no state is neither on nor off, and one of several is asked for again."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from seqrun.errors import InstrumentError
from seqrun.instruments.link import Link
from seqrun.instruments.supply import DrivenSupply
from seqrun.runner.opening import OpenBench, open_bench, read_bench
from seqrun.runner.safe import make_safe


@pytest.fixture
def opened() -> Iterator[OpenBench]:
    bench = open_bench(read_bench("demo", None), lambda *_: None)
    yield bench
    bench.close()


@pytest.mark.parametrize("answer", ["INF", "NAN", "9.91E37", "-9.9E37", "HELLO", ""])
def test_an_answer_that_is_no_state_is_refused(
    opened: OpenBench, monkeypatch: pytest.MonkeyPatch, answer: str
) -> None:
    supply = opened.instruments["supply"]
    assert isinstance(supply, DrivenSupply)
    monkeypatch.setattr(Link, "exchange", lambda *_, **__: answer)
    with pytest.raises(InstrumentError):
        supply.enabled()
    with pytest.raises(InstrumentError):
        supply.constant_current(1)


def test_one_answer_of_on_is_asked_for_again(
    opened: OpenBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, wrong = DrivenSupply.enabled, [2]

    def enabled(self: DrivenSupply, output: int | None = None) -> bool:
        if output == 2 and wrong[0]:
            wrong[0] -= 1
            return True
        return real(self, output)

    monkeypatch.setattr(DrivenSupply, "enabled", enabled)
    report = make_safe(opened.instruments, opened.clock, [1, 2])
    assert report.complete
