"""What the operator is told and asked while a unit is powered, charged, or being given up."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from seqrun.errors import InstrumentSilent, NotMeasured, SeqrunError, Tripped
from seqrun.instruments.desk import Question, Setting
from seqrun.plan.needs import Hookup
from seqrun.runner.events import Watcher
from seqrun.runner.hands import LIVE_WARNING, Assumed, Operator
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.steps.common.drive import Drive
from seqrun.values import Disposition

IMPEDANCE = """
[[step]]
id = "relays"
do = "await_output"
[[step]]
id = "impedance.{channel}"
each = "channel"
do = "source_impedance"
"""


def run(tmp_path: Path, sequence: str) -> tuple[Outcome, list[str]]:
    heard: list[str] = []
    plan, files = prepare(sequence, "demo", None)
    options = Options("T-1", "", tmp_path / "r")
    operator = Operator(lambda _: "", heard.append)
    return execute(plan, files, operator, Watcher(), options, Interrupts()), heard


@pytest.mark.parametrize("error", [Tripped("too much"), InstrumentSilent("no answer")])
def test_a_lead_is_not_asked_back_when_the_run_is_ending(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    monkeypatch: pytest.MonkeyPatch,
    error: SeqrunError,
) -> None:
    sequence = short_sequence(IMPEDANCE)
    going = Drive.capture

    def ends_without_load(self: Drive, **given: object) -> object:
        if not all(f"load.{c}.1" in self.ctx.where for c in self.channels):  # type: ignore[attr-defined]
            raise error
        return going(self, **given)  # type: ignore[arg-type]

    monkeypatch.setattr(Drive, "capture", ends_without_load)
    outcome, heard = run(tmp_path, sequence)
    assert outcome.disposition is Disposition.ABORTED
    assert outcome.safe.complete
    assert heard[-1].startswith("TAKE OFF")


def test_a_rail_that_may_still_be_charged_is_warned_of(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    _, heard = run(tmp_path, short_sequence(""))
    at = [i for i, text in enumerate(heard) if text.startswith("HOOKUP") and "to rail." in text]
    assert at and heard[at[-1] - 1] == LIVE_WARNING


def test_with_yes_nobody_moves_a_lead_turns_a_knob_or_reads() -> None:
    said: list[str] = []
    hands = Assumed(said.append, {"meter.hi": "out.left"})
    stays = Hookup((("meter.hi", "out.left"),), "meter to the left output")
    hands.connect(stays, live=False)
    hands.acknowledge("the cautions")
    assert said == ["HOOKUP (taken as made)  meter to the left output", "the cautions"]
    assert not hands.again("a clip on a wrong place")
    assert not hands.looks
    setting = Setting("supply", "set it to 30 V", "set_voltage")
    for asked in (
        lambda: hands.connect(Hookup((("meter.hi", "out.right"),), "moved"), live=False),
        lambda: hands.disconnect("meter.hi", "off", live=False),
        lambda: hands.turn("volume", "0", live=False),
        lambda: hands.set_by_hand(setting),
        lambda: hands.read_by_hand(Question("", "what it shows", "V")),
    ):
        with pytest.raises(NotMeasured, match="with --yes nobody does"):
            asked()
    hands.urge(setting)
    assert said[-1] == "DO IT NOW  set it to 30 V"
