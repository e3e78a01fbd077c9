"""DC and thumps at the outputs while a unit is switched off and on again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
import switching_again
from hypothesis import given
from hypothesis import strategies as st

from demo_sim.amplifier.passing import Thump
from demo_sim.amplifier.spec import ChannelSpec
from seqrun.measure.uncertain import variable
from seqrun.steps.thump import (
    CLOSING_S,
    GAP_S,
    LEAST_S,
    RECORD_S,
    _closing,
    _OutputSeen,
    record_length,
)
from seqrun.steps.timing import CLOSES
from seqrun.values import Bound, exactly

Powered = Callable[..., Any]


def switched(powered: Powered, *faults: str, later: str = "") -> Any:
    return powered(*faults, seed=3).do(switching_again.switched(later))


def test_a_healthy_unit_stays_at_rest_while_it_is_switched(powered: Powered) -> None:
    for reading in switched(powered).all("thump"):
        assert reading.value < 0.1 and reading.bound is Bound.EXACT


def test_a_thump_is_read_in_its_channel_off_and_on(powered: Powered) -> None:
    """4 V as the relay closes; a part of it as it lets go, when the rails have fallen a little."""
    done = switched(powered, "thump@left=0.5")
    off_left, off_right, on_left, on_right = done.all("thump")
    assert 1.0 < off_left.value < 4.2
    assert 2.0 < on_left.value < 4.2
    assert max(off_right.value, on_right.value) < 0.1


@given(
    first=st.floats(0.0, 0.5),
    begins=st.floats(0.0, 12.0),
    wide=st.floats(0.1, CLOSING_S),
    gap=st.floats(0.01, GAP_S),
)
def test_no_gap_between_two_records_lies_where_the_relays_close(
    first: float, begins: float, wide: float, gap: float
) -> None:
    """Records one after another, whatever lies between them."""
    window, now, ends = (begins, begins + wide), first, first
    seen: list[tuple[float, float]] = []
    while now < window[1] + 1.0:
        seconds = record_length(now, window)
        assert 0.0 < seconds <= CLOSING_S + GAP_S + LEAST_S
        ends = now + seconds
        seen.append((now, ends))
        now = ends + gap
    low = max(window[0], first)  # before the first record nobody looked
    assert any(start <= low + 1e-9 and end >= window[1] - 1e-9 for start, end in seen)


def test_one_record_holds_the_moment_at_which_the_relays_close(
    powered: Powered, made_up: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Records of an even length would leave a gap just there."""
    take, records = _OutputSeen.take, []

    def kept(self: _OutputSeen, wave: Any, at_s: float) -> None:
        records.append((at_s, at_s + wave.volts.size * wave.dt_s))
        take(self, wave, at_s)

    def clicks(c: ChannelSpec) -> ChannelSpec:
        relay = replace(c.relay, pull_in_s=5.07)  # where records of 1.6 s have a gap
        return replace(c, relay=relay, thump=Thump(on_v=4.0, on_s=0.01))

    unit = powered(made_up("clicks", clicks), seed=3)
    monkeypatch.setattr(_OutputSeen, "take", kept)
    awaited = '[[step]]\nid = "relays"\ndo = "await_output"\n'
    once = switching_again.switched(awaited).replace('id = "', 'id = "first_')
    on = unit.do(once + switching_again.switched()).all("thump")[-2]
    assert on.value == pytest.approx(4.0, abs=0.3)
    closes = unit.truth.relay_pull_in("left")
    assert any(start < closes - 0.4 and end > closes + 0.4 for start, end in records)


def test_a_relay_that_closed_while_nobody_looked_is_not_called_quiet(powered: Powered) -> None:
    closed = '[[step]]\nid = "closed"\ndo = "await_output"\n'
    done = switched(powered, "thump@left=0.5", later=closed)
    (on, _) = [r for r in done.all("thump") if "off" not in r.note]
    assert on.value is None
    assert "fewer stages" in on.note


def test_an_output_that_shows_no_tone_is_not_called_quiet(powered: Powered) -> None:
    done = switched(powered, "stuck_relay@left=1")
    told = [r for r in done.all("thump") if r.channel == "left"]
    assert len(told) == 2
    assert all(r.value is None for r in told)


@pytest.mark.parametrize("severity", [0.3, 0.44])
def test_a_thump_is_as_large_as_it_was_or_at_least_what_was_seen_of_it(
    powered: Powered, severity: float
) -> None:
    """The harder it is, the later the relay lets go: within a record, or between two of them while
    it still grows."""
    unit = powered(f"thump@left={severity}", seed=3)
    off = switching_again.switched().partition('[[step]]\nid = "again"')[0]
    read = unit.do(off).one("thump", "left")
    true_v, at_s = unit.truth.thump_off("left"), unit.truth.relay_release("left")
    assert (at_s > RECORD_S) == (severity > 0.4)
    assert read.value is not None
    if at_s > RECORD_S:
        assert read.bound is Bound.AT_LEAST
        assert 0.9 * true_v < read.value - read.expanded_uncertainty < true_v
    else:
        assert read.bound is Bound.EXACT
        assert abs(read.value - true_v) < read.expanded_uncertainty


@pytest.mark.parametrize(("seed", "bound"), [(3, Bound.AT_LEAST), (7, Bound.EXACT)])
def test_a_thump_is_seen_from_the_moment_on_at_which_the_relay_closes(
    powered: Powered, seed: int, bound: Bound
) -> None:
    """The relays of one close between two records, those of the other within one."""
    unit = powered("thump@left=0.35", seed=seed)
    read = unit.do(switching_again.switched()).all("thump")[2]
    true_v = unit.truth.thump_on("left")
    assert read.value is not None and read.bound is bound
    if bound is Bound.AT_LEAST:
        assert 0.9 * true_v < read.value - read.expanded_uncertainty < true_v
    else:
        assert abs(read.value - true_v) < read.expanded_uncertainty


@pytest.mark.parametrize(("points", "one_record"), [(25_000, True), (2500, False)])
def test_no_record_is_stretched_until_it_looks_too_seldom(points: int, one_record: bool) -> None:
    """Over 4 s a scope of 2500 samples would look every other millisecond, and read a click of ten
    too low: it keeps to records of the usual length."""
    delay = variable(6.0, 0.85, "relay")
    ctx: Any = SimpleNamespace(
        kept={CLOSES: {"left": delay}}.get,
        rails_up=exactly(100.0),
        scope=SimpleNamespace(max_points=points),
    )
    window = _closing(ctx, ("left",))
    assert (window is not None) == one_record
    assert _closing(ctx, ("left", "right")) is None, "of one of them nothing is known"
