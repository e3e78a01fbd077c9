"""Drivers of real switches against their dialects: relays close, open, and all open when safe."""

from __future__ import annotations

from typing import Any

import pytest
from dialect_bench import eventually

from seqrun.errors import InstrumentRefused, InstrumentSilent, UsageError


def test_a_matrix_closes_the_crossing_of_row_and_column(opener: Any) -> None:
    switch, dialect = opener("keysight-34970a")
    switch.connect("meter.hi", "out.right")
    assert dialect.closed == {213}
    switch.connect("meter.lo", "ground")
    assert dialect.closed == {213, 221}
    switch.disconnect("meter.hi")
    assert dialect.closed == {221}
    switch.make_safe()
    assert dialect.closed == set()


def test_a_matrix_that_counts_along_its_rows_closes_one_crossing_and_no_other(opener: Any) -> None:
    switch, dialect = opener("keithley-2700")
    dialect.closed.add(148)  # somebody else's
    switch.connect("meter.hi", "out.right")
    switch.connect("meter.lo", "ground")
    assert dialect.closed == {103, 109, 148}
    switch.disconnect("meter.hi")
    assert dialect.closed == {109, 148}
    switch.make_safe()
    assert dialect.closed == set()


def test_a_relay_that_stays_open_is_told(opener: Any) -> None:
    switch, dialect = opener("keithley-2700")
    dialect.coils = False
    with pytest.raises(InstrumentRefused, match="is open"):
        switch.connect("meter.hi", "out.right")


def test_a_relay_board_gets_its_four_bytes(opener: Any) -> None:
    switch, dialect = opener("lcus-relay")
    switch.connect("meter.hi", "out.right")
    assert eventually(lambda: dialect.closed == [False, True, False, False])
    assert "A0 02 01 A3" in dialect.received
    switch.disconnect("meter.hi")
    assert eventually(lambda: dialect.closed == [False] * 4)


def test_safe_opens_what_was_closed_by_hand(opener: Any) -> None:
    switch, dialect = opener("lcus-relay")
    dialect.closed = [True] * 4
    switch.make_safe()
    assert eventually(lambda: dialect.closed == [False] * 4)


@pytest.mark.parametrize("name", ["keysight-34970a", "keithley-2700", "lcus-relay"])
def test_a_point_that_is_not_wired_is_refused_in_words(opener: Any, name: str) -> None:
    switch, dialect = opener(name)
    before = len(dialect.received)
    with pytest.raises(UsageError, match="nowhere"):
        switch.connect("meter.hi", "selector.nowhere")
    assert len(dialect.received) == before


@pytest.mark.usefixtures("nothing_late")
def test_a_board_known_by_its_state_comes_back_after_a_silence(opener: Any) -> None:
    switch, dialect = opener("lcus-relay", time_out_s=0.2)
    switch.connect("meter.hi", "out.right")
    dialect.mute = True
    with pytest.raises(InstrumentSilent):
        switch.disconnect("meter.hi")
    dialect.mute = False
    dialect.closed = [False, False, True, True]  # not the state that it was opened with
    switch.disconnect("meter.hi")
    switch.connect("meter.hi", "out.left")
    assert eventually(lambda: dialect.closed == [True, False, True, True])
