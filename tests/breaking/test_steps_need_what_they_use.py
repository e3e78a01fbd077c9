"""A step says beforehand which instruments it uses and what it sets them to: what it does not say
the plan cannot refuse, and the bench learns it with the unit at its rails."""

from __future__ import annotations

import tempfile
from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest

from seqrun.instruments.generator import DrivenGenerator
from seqrun.instruments.meter import DrivenMeter
from seqrun.instruments.scope import DrivenScope
from seqrun.runner.engine import Engine
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts


class Spy(Watcher):
    """Notes which step of a run uses what of the instruments."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.step = ""
        self.functions: dict[str, set[str]] = defaultdict(set)
        self.roles: dict[str, set[str]] = defaultdict(set)
        configure = DrivenMeter.configure

        def configured(meter: Any, function: Any, *more: Any, **named: Any) -> Any:
            if self.step:
                self.functions[self.step].add(str(function))
            return configure(meter, function, *more, **named)

        monkeypatch.setattr(DrivenMeter, "configure", configured)
        for kind, role, call in (
            (DrivenMeter, "meter", "read"),
            (DrivenScope, "scope", "acquire"),
            (DrivenGenerator, "generator", "sine"),
        ):
            self._watch(monkeypatch, kind, role, call)

    def _watch(self, patch: pytest.MonkeyPatch, kind: Any, role: str, call: str) -> None:
        plain = getattr(kind, call)

        def used(instrument: Any, *given: Any, **named: Any) -> Any:
            if self.step:
                self.roles[self.step].add(role)
            return plain(instrument, *given, **named)

        patch.setattr(kind, call, used)

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        self.step = step_id

    def step_ended(self, step_id: str, judged: Any, bench_s: float) -> None:
        self.step = ""


@pytest.mark.parametrize("sequence", ["quick", "meter-only"])
def test_steps_say_which_instruments_and_functions_they_use(
    sequence: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    spy = Spy(monkeypatch)
    # Leads are readied for whoever moves them, which is none of the step's own measuring.
    monkeypatch.setattr(Engine, "_ready_meter", lambda *_: None)
    monkeypatch.setattr(Engine, "_feel", lambda *_: None)  # nor is the look before first power
    plan, files = prepare(sequence, "demo", None)
    with tempfile.TemporaryDirectory() as name:
        execute(plan, files, None, spy, Options("T-1", "", Path(name)), Interrupts())
    assert spy.functions and spy.roles
    untold: list[str] = []
    for action in plan.actions:
        needs = action.needs
        told = set(needs.meter or {"dc_voltage": None})
        # A tone proves its lead, where this bench can play and read one.
        if needs.proved_on or action.step.kind == "device_current":
            told.add("ac_voltage")
            spy.roles[action.id].discard("generator")
        untold += [
            f"{action.id} ({action.step.kind}) uses the {role}"
            for role in spy.roles[action.id] - needs.roles
        ]
        untold += [
            f"{action.id} ({action.step.kind}) sets the meter to {function}"
            for function in spy.functions[action.id] - told
        ]
    assert not untold
