"""Answers that are cut, late, doubled, garbled or about something else: no wrong reading is
accepted, no reading is lost, nothing stays on, and no mistake of ours comes to light.

``tests/benchmarks/bench_every_message.py`` does this to every message of a long run.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import pytest
from forked import Tap, once, put_in
from spoiling import KINDS, LATE

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="it forks")

STEPS = """
[[step]]
id = "offset.left"
do = "dc_voltage"
at = "out.left"
limit = { between = ["-50 mV", "50 mV"] }
[[step]]
id = "gain"
do = "gain"
limit = { between = ["gain - 1 dB", "gain + 1 dB"] }
"""


def test_whatever_a_link_does_to_an_answer_nothing_wrong_is_accepted_and_nothing_stays_on(
    short_sequence: Callable[..., str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tap = Tap(tmp_path / "clean")
    put_in(tap, monkeypatch.setattr)
    sequence = short_sequence(STEPS)
    clean, _ = once(sequence, tap)
    assert str(clean.disposition) == "accept"
    tap.clean, seen = clean.judged, tuple(tap.seen)
    unlike = list({one.like: number for number, one in enumerate(seen)}.values())
    kinds = [*KINDS, LATE][::2]
    tap.todo = defaultdict(list)
    for place, kind in enumerate(kinds):  # spread over the run
        tap.todo[unlike[place * len(unlike) // len(kinds)]].append(kind)
    tap.results, tap.seen, tap.step = tmp_path / "tapped", [], "opening"
    again, _ = once(sequence, tap)
    assert (again.disposition, tuple(tap.seen)) == (clean.disposition, seen)
    assert len(tap.told) > len(kinds) // 2  # the others change nothing in that answer
    bad = [
        f"{line}: {kind} at {seen[number]}"
        for number, kind, said in tap.told
        for line in said
        if line[:4].isupper()
    ]
    assert not bad
    assert any("accept" in said for *_, said in tap.told)
    assert any("accept" not in said for *_, said in tap.told)
