"""Signals that would end the program are noted, whoever sends them; the run then ends safely."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from seqrun.runner.signals import Interrupts

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")


@contextmanager
def found(number: int, handler: Any) -> Iterator[None]:
    """The handler that a run finds when it begins."""
    former = signal.signal(number, handler)
    try:
        yield
    finally:
        signal.signal(number, former)


@pytest.mark.parametrize(
    "name",
    [
        "SIGTERM",
        "SIGHUP",
        "SIGQUIT",
        "SIGUSR1",
        "SIGUSR2",
        "SIGALRM",
        "SIGXCPU",
        "SIGPROF",
        "SIGIO",
    ],
)
def test_a_signal_that_would_end_the_program_is_noted(name: str) -> None:
    number = getattr(signal, name)
    interrupts = Interrupts()
    with found(number, signal.SIG_DFL), interrupts.installed():
        assert signal.getsignal(number) is not signal.SIG_DFL  # or it would end the tests
        os.kill(os.getpid(), number)
    assert interrupts.arrived == name
    assert name in interrupts.reason


def test_a_run_that_nohup_has_begun_outlives_its_terminal() -> None:
    interrupts = Interrupts()
    with found(signal.SIGHUP, signal.SIG_IGN), interrupts.installed():
        os.kill(os.getpid(), signal.SIGHUP)
    assert not interrupts.arrived


def test_a_signal_that_somebody_else_uses_is_left_to_him() -> None:
    heard: list[int] = []
    interrupts = Interrupts()
    with found(signal.SIGUSR1, lambda n, _: heard.append(n)), interrupts.installed():
        os.kill(os.getpid(), signal.SIGUSR1)
    assert heard == [signal.SIGUSR1]
    assert not interrupts.arrived
