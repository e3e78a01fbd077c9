"""Reading again: what was read first stays on record, no longer counts, and earns no accept."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest
from pytest_mock import MockerFixture
from short_runs import run

from seqrun.errors import Interrupted
from seqrun.plan.needs import Hookup
from seqrun.record import Store, load_run
from seqrun.record.again import READ_AGAIN
from seqrun.report.history.collect import unit_history
from seqrun.runner.again import LONGEST_S, ReadAgain, repeatable
from seqrun.runner.hands import Operator
from seqrun.runner.opening import VirtualHands
from seqrun.runner.preparation import prepare
from seqrun.values import Disposition

LOAD = """
[[step]]
id = "load.{channel}"
each = "channel"
do = "load_resistance"
limit = { between = ["0.9 * rated_load", "1.1 * rated_load"] }
stop_if_not_measured = true
"""


class Slipping(VirtualHands):
    """Hands that put the meter's red lead on ``slips`` the first time that it belongs on the left
    terminal, with the unit live or not as ``when`` says; asked, once, for a lead that holds
    ``asks``, they want to read again instead."""

    looks = True
    slips: ClassVar[str] = ""
    when: ClassVar[bool] = False
    asks: ClassVar[str] = ""
    asks_when: ClassVar[bool] = True
    told: ClassVar[list[str]] = []
    at: ClassVar[list[Hookup]] = []

    @classmethod
    def set_up(
        cls, slips: str = "", *, when: bool = False, asks: str = "", asks_when: bool = True
    ) -> None:
        cls.slips, cls.when, cls.told, cls.at = slips, when, [], []
        cls.asks, cls.asks_when = asks, asks_when

    def connect(self, hookup: Hookup, live: bool) -> None:
        cls = type(self)
        if cls.asks and live is cls.asks_when and cls.asks in str(hookup.leads):
            cls.asks = ""
            raise ReadAgain
        leads = hookup.leads
        if cls.slips and live is cls.when and ("meter.hi", "out.left") in leads:
            cls.at.append(hookup)
            leads = tuple((t, cls.slips if t.startswith("meter.hi") else n) for t, n in leads)
            cls.slips = ""
        super().connect(Hookup(leads, hookup.words), live)

    def again(self, text: str) -> bool:
        type(self).told.append(text)
        return self._put_right()

    def _put_right(self) -> bool:
        if not self.at:
            return False
        super().connect(self.at.pop(), False)
        return True


@pytest.fixture
def slipping(mocker: MockerFixture) -> type[Slipping]:
    mocker.patch("seqrun.runner.run.VirtualHands", Slipping)
    Slipping.set_up()
    return Slipping


def _rows(results: Path, quantity: str) -> list[dict[str, str]]:
    with (results / "readings.csv").open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["quantity"] == quantity]


def test_a_load_that_reads_like_a_wrong_clip_is_read_again_and_the_run_goes_on(
    tmp_path: Path, slipping: type[Slipping], short_sequence: Callable[..., str]
) -> None:
    path = Path(short_sequence())
    path.write_text(
        path.read_text(encoding="utf-8").replace(
            '[[step]]\nid = "loads"\ndo = "load_resistance"\n', LOAD.lstrip()
        ),
        encoding="utf-8",
    )
    slipping.set_up("ground")
    outcome = run(tmp_path / "r", str(path))
    assert len(slipping.told) == 1 and "on one place" in slipping.told[0]
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    left = [r for r in _rows(tmp_path / "r", "load_resistance") if r["channel"] == "left"]
    assert [r["verdict"] for r in left] == ["not measured", "pass"]
    assert "on one place" in _rows(tmp_path / "r", READ_AGAIN)[0]["note"]


def test_a_load_that_is_wrong_is_asked_about_and_holds_when_it_stands(
    tmp_path: Path, slipping: type[Slipping], short_sequence: Callable[..., str]
) -> None:
    path = Path(short_sequence())
    path.write_text(
        path.read_text(encoding="utf-8").replace(
            '[[step]]\nid = "loads"\ndo = "load_resistance"\n', LOAD.lstrip()
        ),
        encoding="utf-8",
    )
    outcome = run(tmp_path / "r", str(path), "load_wrong@left=0.3")
    assert len(slipping.told) == 1
    assert slipping.told[0].startswith("LOOK  load.left at left: load left of 8.045 Ω reads 6.84 Ω")
    assert outcome.disposition is Disposition.HOLD
    assert not _rows(tmp_path / "r", "dc_offset")  # the run ended before power


def test_at_the_next_lead_the_step_before_is_read_again(
    tmp_path: Path, slipping: type[Slipping], short_sequence: Callable[..., str]
) -> None:
    slipping.set_up(asks="meter.hi', 'out.right")
    outcome = run(tmp_path / "r", short_sequence())
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    rows = _rows(tmp_path / "r", "dc_offset")
    assert [r["channel"] for r in rows] == ["left", "left", "right"]
    counted = load_run(tmp_path / "r", outcome.run_id).judged
    assert sum(j.quantity == "dc_offset" and j.channel == "left" for j in counted) == 1
    assert [j.value for j in counted] == [j.value for j in outcome.judged]
    trends = unit_history(Store(tmp_path / "r"), "T-1", True).trends
    offset = next(t for t in trends if t.row.quantity == "dc_offset" and t.row.channel == "left")
    assert len(offset.values) == 1


def test_a_fail_that_is_read_again_until_it_passes_is_no_accept(
    tmp_path: Path, slipping: type[Slipping], short_sequence: Callable[..., str]
) -> None:
    """The first reading stands on a rail; somebody who reads again hides no fault that comes and
    goes."""
    slipping.set_up("rail.pos", when=True, asks="meter.hi', 'out.right")
    outcome = run(tmp_path / "r", short_sequence())
    rows = _rows(tmp_path / "r", "dc_offset")
    assert [r["verdict"] for r in rows][-2:] == ["pass", "pass"], rows
    assert outcome.disposition is Disposition.HOLD
    assert "comes and goes" in outcome.reason


def test_only_what_reads_the_unit_as_it_is_now_can_be_read_again(
    short_sequence: Callable[..., str],
) -> None:
    plan, _ = prepare(short_sequence(), "demo", None)
    by = {action.id: action for action in plan.actions}
    cold, live, energises = by["loads"], by["offset.left"], by["bring_up"]
    assert repeatable(cold, charged=False, up=False)
    assert not repeatable(cold, charged=True, up=False)
    assert repeatable(live, charged=True, up=True)
    assert not repeatable(live, charged=True, up=False)
    assert not repeatable(energises, charged=False, up=False)
    assert not repeatable(by["discharge"], charged=True, up=True)
    long = replace(live, needs=replace(live.needs, seconds=LONGEST_S + 1.0))
    assert not repeatable(long, charged=True, up=True)


def test_nobody_is_asked_to_put_a_lead_right_on_a_powered_unit(
    tmp_path: Path, slipping: type[Slipping], short_sequence: Callable[..., str]
) -> None:
    steps = (
        '[[step]]\nid = "offset"\ndo = "dc_voltage"\nat = "out.left"\nstop_if_failed = true\n'
        'limit = { between = ["-50 mV", "50 mV"] }\n'
    )
    slipping.set_up("rail.pos", when=True)
    outcome = run(tmp_path / "r", short_sequence(steps))
    assert [r["verdict"] for r in _rows(tmp_path / "r", "dc_offset")] == ["fail"]
    assert not slipping.told and outcome.safe.complete
    assert outcome.disposition is not Disposition.ACCEPT


def test_where_nothing_was_read_there_is_nothing_to_read_again(
    tmp_path: Path, slipping: type[Slipping], short_sequence: Callable[..., str]
) -> None:
    slipping.set_up(asks="out.left", asks_when=False)  # before the very first reading
    outcome = run(tmp_path / "r", short_sequence())
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    assert not _rows(tmp_path / "r", READ_AGAIN)


def test_r_at_a_prompt_reads_again_and_k_keeps_a_doubted_reading() -> None:
    def typing(*answers: str) -> tuple[Operator, list[str]]:
        rest, heard = list(answers), list[str]()
        return Operator(lambda prompt: heard.append(prompt) or rest.pop(0), heard.append), heard

    hands, heard = typing("r")
    with pytest.raises(ReadAgain):
        hands.connect(Hookup((("meter.hi", "out.left"),), "red to out.left"), live=False)
    assert heard[-1] == ("Enter when done, r read again, ? what for, s to skip, q to end the run: ")
    hands, heard = typing("r", "")
    hands.acknowledge("CAUTIONS\n  Hot metal.", "read")  # nothing was read before it
    assert heard[1] == "Enter when read, ? what for, q to end the run: "
    assert typing("x", "k")[0].again("LOOK") is False
    assert typing("")[0].again("LOOK") is True
    with pytest.raises(Interrupted):
        typing("q")[0].again("LOOK")
