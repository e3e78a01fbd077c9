"""A reading that an open lead would also give does not pass."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pytest_mock import MockerFixture
from short_runs import run

from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.load import load_sequence
from seqrun.files.shipped import find, shipped
from seqrun.files.unit.sheet import load_unit
from seqrun.instruments.roles import Capture
from seqrun.instruments.scope import DrivenScope
from seqrun.plan.needs import Hookup
from seqrun.runner.events import Watcher
from seqrun.runner.hands import Operator
from seqrun.runner.opening import BenchFiles, VirtualHands
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
    # by await_output, and after each of the three readings
    assert log.count("OUTP1 ON") == 4


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


#: judged, and never good for being near zero: a unit that gives nothing fails these
AWAY_FROM_ZERO = {
    "ambient_temperature", "clipping_onset", "damping_factor", "dc_voltage", "dynamic_headroom",
    "efficiency", "gain", "gain_to_point", "hold_up", "load_resistance",
    "output_power", "own_channel", "own_rail_voltage", "polarity", "sensor_temperature", "sinad",
    "tone_boost", "tone_cut", "upper_corner",
}  # fmt: skip


def test_every_judged_quantity_says_what_proves_its_contact_or_is_never_near_zero() -> None:
    judged = {y.of.name: y.of for kind in kinds().values() for y in kind.yields if y.judged}
    silent = {name for name, of in judged.items() if not of.contact}
    assert silent == AWAY_FROM_ZERO & judged.keys()


@pytest.mark.parametrize("name", sorted(shipped("sequence")))
def test_a_shipped_limit_that_nothing_would_meet_is_about_a_quantity_with_a_rule(name: str) -> None:
    sequence = load_sequence(find("sequence", name), kinds())
    unit = load_unit("demo-receiver")
    for entry in expand_all(sequence, unit):
        if entry.limit is None or any(n not in unit.names() for n in entry.limit.names()):
            continue
        limit = entry.limit.resolve(entry.unit, unit.names())
        meets = (limit.low is None or limit.low <= 0.0) and (
            limit.high is None or limit.high >= 0.0
        )
        for of in entry.judges if meets else ():
            assert of.contact, (name, entry.id, of.name)


HUNT = """
[[step]]
id = "hunt.left"
do = "noise_hunt"
at = "out.left"
mode = "unattended"
cycles = 1
listen = "10 s"
warm = "10 s"
cool = "10 s"
limit = { at_most = "0.5 Hz" }
"""
RIPPLE = """
[[step]]
id = "ripple"
do = "ripple"
at = "rail.pos"
limit = { at_most = "20 mV" }
"""


@pytest.mark.parametrize("step", ["noise.left", "hum.left", "bursts.left"])
def test_silence_at_a_probe_that_fell_off_after_it_was_seen_is_not_measured(
    tmp_path: Path, short_sequence: Callable[..., str], step: str
) -> None:
    parts = {part.split('"')[1]: "[[step]]" + part for part in QUIET.split("[[step]]")[1:]}
    watcher = TakesOff(step, "scope.1")
    plan, watcher.files = prepare(short_sequence(RELAYS + parts[step]), "demo", None)
    outcome = execute(
        plan, watcher.files, None, watcher, Options("T-1", "", tmp_path), Interrupts()
    )
    assert verdicts(outcome)[step] is Verdict.NOT_MEASURED


class PutsNoneOnRails(VirtualHands):
    """Hands that put no probe onto a rail."""

    def connect(self, hookup: Hookup, live: bool) -> None:
        if not any(t.startswith("scope") and n.startswith("rail") for t, n in hookup.leads):
            super().connect(hookup, live)


@pytest.mark.parametrize("lies", [True, False])
def test_ripple_counts_only_beside_the_rails_own_voltage(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture, lies: bool
) -> None:
    if lies:
        mocker.patch("seqrun.runner.run.VirtualHands", PutsNoneOnRails)
    found = verdicts(run(tmp_path, short_sequence(RIPPLE)))["ripple"]
    assert (found is Verdict.NOT_MEASURED) is lies, found


def test_a_driven_channel_that_shows_a_constant_is_not_measured(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture
) -> None:
    acquire = DrivenScope.acquire

    def stuck(self: DrivenScope, *args: Any, **how: Any) -> Capture:
        got = acquire(self, *args, **how)
        return replace(got, constant=dict.fromkeys(got.volts, True))

    mocker.patch.object(DrivenScope, "acquire", stuck)
    gain = '[[step]]\nid = "gain"\ndo = "gain"\nlimit = { at_most = "99 dB" }\n'
    outcome = run(tmp_path, short_sequence(gain))
    assert verdicts(outcome)["gain"] is Verdict.NOT_MEASURED
    assert any("shows a constant" in j.reading.note for j in outcome.judged)


def test_a_lead_that_moves_has_to_show_itself_again(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    moved = OFFSET + OFFSET.replace("left", "right") + OFFSET.replace("offset.left", "again.left")
    outcome = run(tmp_path, short_sequence(RELAYS + moved))
    log = (outcome.folder / "messages.log").read_text(encoding="utf-8")
    # await_output, and the tone before and after each of the two on the left
    assert log.count("OUTP1 ON") == 5
