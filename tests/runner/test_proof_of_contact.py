"""A reading that an open lead would also give does not pass."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from short_runs import run

from seqrun.runner.events import Watcher
from seqrun.runner.hands import Operator
from seqrun.runner.opening import BenchFiles
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.steps.base import kinds
from seqrun.values import Disposition, Verdict

RELAYS = """
[[step]]
id = "relays"
do = "await_output"
"""
OFFSET = """
[[step]]
id = "offset.left"
do = "dc_voltage"
at = "out.left"
limit = { between = ["-50 mV", "50 mV"] }
"""
QUIET = """
[[step]]
id = "noise.left"
do = "output_noise"
at = "out.left"
records = 2
limit = { at_most = "2 mV" }
[[step]]
id = "hum.left"
do = "hum"
at = "out.left"
limit = { at_most = "1 mV" }
[[step]]
id = "bursts.left"
do = "noise_bursts"
at = "out.left"
watch = "20 s"
limit = { at_most = "0.5 Hz" }
"""


class Confirms(Operator):
    """An operator who confirms everything and moves nothing."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        super().__init__(lambda _: "", self.heard.append, lambda: None)


class Nobody(Confirms):
    """The same, when nobody can be asked to look."""

    looks = False


def verdicts(outcome: Outcome) -> dict[str, Verdict]:
    return {j.step: j.verdict for j in outcome.judged if j.limit or j.reading.value is None}


def with_hands(tmp_path: Path, sequence: str, hands: Operator, *faults: str) -> Outcome:
    plan, files = prepare(sequence, "demo", None, faults=faults)
    options = Options("T-1", "", tmp_path)
    return execute(plan, files, hands, Watcher(), options, Interrupts())


def test_an_offset_through_a_lead_that_nobody_put_on_is_not_measured(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    sequence = short_sequence(RELAYS + OFFSET)
    outcome = with_hands(tmp_path, sequence, Nobody(), "dc_offset@left=1")
    assert verdicts(outcome)["offset.left"] is Verdict.NOT_MEASURED
    assert outcome.disposition is not Disposition.ACCEPT


def test_the_operator_is_asked_to_look_when_no_tone_arrives(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    hands = Confirms()
    with_hands(tmp_path, short_sequence(RELAYS + OFFSET), hands)
    assert any(text.startswith("LOOK") and "out.left" in text for text in hands.heard)


def test_an_offset_behind_a_relay_that_stays_open_is_not_measured(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome = run(tmp_path, short_sequence(OFFSET), "stuck_relay@left=1")
    assert verdicts(outcome)["offset.left"] is Verdict.NOT_MEASURED


def test_with_the_leads_on_an_offset_of_nothing_passes(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome = run(tmp_path, short_sequence(RELAYS + OFFSET))
    assert verdicts(outcome)["offset.left"] is Verdict.PASS


class TakesOff(Watcher):
    """Takes a lead off when a step begins."""

    def __init__(self, step: str, terminal: str) -> None:
        self.step, self.terminal = step, terminal
        self.files: BenchFiles | None = None

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        if step_id == self.step and self.files is not None:
            self.files.demo.world.disconnect(self.terminal)


@pytest.mark.parametrize("step", ["noise.left", "hum.left", "bursts.left"])
def test_silence_at_a_probe_that_fell_off_before_it_was_ever_seen_is_not_measured(
    tmp_path: Path, short_sequence: Callable[..., str], step: str
) -> None:
    parts = {part.split('"')[1]: "[[step]]" + part for part in QUIET.split("[[step]]")[1:]}
    watcher = TakesOff(step, "scope.1")
    plan, watcher.files = prepare(short_sequence(parts[step]), "demo", None)
    options = Options("T-1", "", tmp_path)
    outcome = execute(plan, watcher.files, None, watcher, options, Interrupts())
    assert verdicts(outcome)[step] is Verdict.NOT_MEASURED


def test_a_tone_seen_by_another_step_is_proof_and_nothing_is_played_again(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    plan, files = prepare(short_sequence(RELAYS + QUIET), "demo", None)
    options = Options("T-1", "", tmp_path)
    outcome = execute(plan, files, None, Watcher(), options, Interrupts())
    assert {verdicts(outcome)[s] for s in ("noise.left", "hum.left")} == {Verdict.PASS}
    log = (outcome.folder / "messages.log").read_text(encoding="utf-8")
    assert log.count("OUTP1 ON") == 1  # by await_output


class MeterOffInTheEnd(Watcher):
    """The meter's lead is off when the rails are looked at in the end."""

    files: BenchFiles | None = None

    def hookup(self, words: str, live: bool, by: str) -> None:
        if self.files is not None and "rail." in words:
            self.files.demo.world.disconnect("meter.hi")


def test_a_rail_is_discharged_only_when_the_supply_sees_it_too(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    watcher = MeterOffInTheEnd()
    plan, watcher.files = prepare(short_sequence(""), "demo", None)
    options = Options("T-1", "", tmp_path)
    outcome = execute(plan, watcher.files, None, watcher, options, Interrupts())
    (residual, *_) = [j for j in outcome.judged if j.step == "discharge"]
    assert residual.verdict is Verdict.NOT_MEASURED
    assert "own leads" in residual.reading.note


#: judged, and good when near zero: an open lead would make it so
GOOD_NEAR_ZERO = {"dc_offset", "noise", "noise_a_weighted", "hum", "whine", "burst_rate"} | {
    "residual_voltage",
    "idle_drift",
}


def test_every_quantity_that_is_good_near_zero_says_what_proves_its_contact() -> None:
    stated = {y.of.name for kind in kinds().values() for y in kind.yields if y.of.contact}
    assert stated >= GOOD_NEAR_ZERO


def test_a_lead_that_moves_has_to_show_itself_again(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    moved = OFFSET + OFFSET.replace("left", "right") + OFFSET.replace("offset.left", "again.left")
    outcome = run(tmp_path, short_sequence(RELAYS + moved))
    log = (outcome.folder / "messages.log").read_text(encoding="utf-8")
    assert log.count("OUTP1 ON") == 3  # await_output, and the tone for each time on the left
