"""``seqrun explain``."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Seqrun = Callable[..., Any]


def test_a_quantity_is_told_what_how_and_what_fools_it(seqrun: Seqrun) -> None:
    answer = seqrun("explain", "damping factor")
    assert answer.code == 0
    for label in ("What", "How", "Beware", 'do = "damping_factor"'):
        assert label in answer.out
    assert max(map(len, answer.out.splitlines())) <= 80


def test_an_unknown_quantity_gets_the_nearest_name_and_exit_2(seqrun: Seqrun) -> None:
    answer = seqrun("explain", "damping_fctor")
    assert answer.code == 2
    assert "did you mean 'damping_factor'?" in answer.err


def test_without_a_name_all_are_listed(seqrun: Seqrun) -> None:
    answer = seqrun("explain")
    assert answer.code == 0
    assert {"thd", "noise", "sink_rise"} <= {line.split(" ")[0] for line in answer.out.splitlines()}
