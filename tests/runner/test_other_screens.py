"""What a screen other than the terminal is told: each question whole, the bench, the numbers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from short_runs import run

from seqrun.errors import Interrupted
from seqrun.instruments.desk import Question
from seqrun.plan.context import Indication, Key
from seqrun.plan.needs import Hookup
from seqrun.runner.events import BenchNow, Watcher
from seqrun.runner.hands import Operator
from seqrun.runner.prompts import Asked, asked_by
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Limit

ACROSS = Hookup((("meter.hi", "out.left"), ("meter.lo", "ground")), "meter: red to out.left")
VOLTS = Question("meter", "set DC volts, read it", "V", (0.06, 6.0, 60.0), likely=40.0)


def _asked(do: Callable[[Operator], object], *answers: str) -> list[Asked]:
    heard: list[Asked] = []
    left = list(answers)

    def ask(line: str) -> str:
        heard.append(asked_by(line))
        return left.pop(0)

    do(Operator(ask, lambda _: None, lambda: None))
    return heard


def test_a_question_about_a_lead_tells_where_it_goes_and_which_answers_there_are() -> None:
    (asked,) = _asked(lambda hands: hands.connect(ACROSS, live=True), "")
    assert asked.kind == "lead" and asked.live and asked.leads == ACROSS.leads
    assert ACROSS.words in asked.text
    assert asked.keys[0].key == "" and asked.keys[-1].key == "q"
    assert not asked.typed


def test_every_key_that_is_offered_is_an_answer() -> None:
    (asked,) = _asked(lambda hands: hands.connect(ACROSS, live=False), "")
    for key in asked.keys:
        left = [key.key, "because"]
        said: list[str] = []
        hands = Operator(lambda _, left=left: left.pop(0), said.append, lambda: None)
        try:
            hands.connect(ACROSS, live=False)
        except Exception as end:  # each has its own way out
            assert "none of" not in str(end)
        assert not any("none of" in text for text in said), key


def test_pulling_the_plug_offers_no_skipping() -> None:
    (asked,) = _asked(lambda hands: hands.turn("mains", "off", live=True), "")
    assert "s" not in [key.key for key in asked.keys]


def test_a_number_is_asked_with_its_unit_and_kept_by_enter() -> None:
    first, keep = _asked(lambda hands: hands.read_by_hand(VOLTS), "55 V", "")
    assert first.typed and first.question is VOLTS
    assert "LOOK AGAIN" in keep.text and keep.keys[0].key == "" and "55 V" in keep.keys[0].label
    yes_or_no = Question("bench", "does it glow?", "")
    first, _ = _asked(lambda hands: hands.read_by_hand(yes_or_no), "y", "")
    assert not first.typed and [key.key for key in first.keys][:2] == ["y", "n"]


class Seen(Watcher):
    """What a watcher is told of the bench and of the numbers."""

    def __init__(self) -> None:
        self.benches: list[BenchNow] = []
        self.numbers: list[tuple[Indication, Limit | None]] = []
        self.offered: list[Sequence[Key]] = []

    def bench(self, now: BenchNow) -> None:
        self.benches.append(now)

    def step_shows(self, indication: Indication, limit: Limit | None, bench_s: float) -> None:
        self.numbers.append((indication, limit))


SETTLED = """
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
settle = { within = "5 mV", for = "2 s", at_most = "60 s" }
limit = { between = ["-50 mV", "50 mV"] }
"""
TRIP = '[[trip]]\nquantity = "supply_current"\nabove = "2 A"\nwhy = "a short"\n'


def test_a_watcher_sees_trips_leads_and_the_number_against_its_limit(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    path = Path(short_sequence(SETTLED))
    path.write_text(path.read_text("utf-8").replace("[[step]]", f"{TRIP}[[step]]", 1), "utf-8")
    seen = Seen()
    outcome = run(tmp_path / "r", str(path), watcher=seen)
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    near = [trip for now in seen.benches for trip in now.trips]
    assert {trip.quantity for trip in near} == {"supply_current"}
    assert all(trip.above == 2.0 and max(trip.values) < 2.0 for trip in near)
    assert not seen.benches[0].live and any(now.live for now in seen.benches)
    assert {now.leads.get("meter.hi") for now in seen.benches} >= {"out.left", "out.right"}
    volts = [(one, limit) for one, limit in seen.numbers if one.unit == "V" and limit is not None]
    assert any(limit == Limit(-0.05, 0.05) for _, limit in volts)


def test_a_stop_from_elsewhere_ends_as_ctrl_c_does_and_comes_too_late_in_the_safe_state() -> None:
    woken: list[bool] = []
    interrupts = Interrupts()
    interrupts.wake = lambda: woken.append(True)
    interrupts.stop("the bench page")
    with pytest.raises(Interrupted, match="the bench page"):
        interrupts.check()
    assert woken
    late = Interrupts()
    late.closing = True
    late.stop("the bench page")
    assert late.arrived == ""
