"""Keys pressed while something is watched arrive one by one, with the time since they were."""

from __future__ import annotations

import os
import pty
import sys
import time

import pytest

from seqrun.errors import NotMeasured
from seqrun.runner.presses import terminal_presses


def test_a_key_arrives_without_enter_and_knows_when_it_was_pressed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    far, near = pty.openpty()
    with os.fdopen(near, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        with terminal_presses() as taken:
            assert taken() == []
            os.write(far, b"tc")
            end = time.monotonic() + 5.0
            got = taken()
            while len(got) < 2 and time.monotonic() < end:
                got += taken()
            assert [press.key for press in got] == ["t", "c"]
            assert all(0.0 <= press.ago_s < 5.0 for press in got)
    os.close(far)


def test_without_a_terminal_nobody_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    with open(os.devnull) as nothing:  # noqa: PTH123 - a device, not a file
        monkeypatch.setattr(sys, "stdin", nothing)
        with pytest.raises(NotMeasured, match="nobody"), terminal_presses():
            pass
