"""Declaring commands: patterns, clashes, bounds that move, what a handler gets."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_sim.scpi import (
    Block,
    Call,
    ChannelList,
    Choice,
    Numeric,
    Quoted,
    ScpiDevice,
    command,
    query,
)
from demo_sim.scpi.mnemonics import Mnemonic, expand
from demo_sim.scpi.response import encode
from demo_sim.scpi.suffixes import MULTIPLIERS, scale


def test_every_way_of_leaving_out_optional_nodes_is_known() -> None:
    ways = {":".join(m.short for m in way) for way, _ in expand("[SOURce]:VOLTage[:LEVel[:IMM]]?")}
    assert ways == {"VOLT", "VOLT:LEV", "VOLT:LEV:IMM", "SOUR:VOLT", "SOUR:VOLT:LEV",
                    "SOUR:VOLT:LEV:IMM"}  # fmt: skip


def test_a_mnemonic_keeps_the_digits_of_its_name() -> None:
    assert Mnemonic.parse("FREQuency2") == ("FREQ2", "FREQUENCY2", None)
    assert Mnemonic.parse("CHANnel<1-4>") == ("CHAN", "CHANNEL", (1, 4))


@pytest.mark.parametrize("pattern", ["[SOURce:VOLTage", "SOURce]:VOLTage", "volt", "VOLT<x>"])
def test_a_pattern_that_is_none_is_refused_where_it_is_written(pattern: str) -> None:
    with pytest.raises((ValueError, TypeError)):
        type("Wrong", (ScpiDevice,), {"f": command(pattern)(lambda self, call: None)})


def test_two_handlers_for_one_header_are_refused() -> None:
    with pytest.raises(TypeError, match="has a handler already"):

        class Clash(ScpiDevice):
            @command("[SENSe:]RANGe")
            def one(self, call: Call) -> None: ...

            @command("[SOURce:]RANGe")
            def other(self, call: Call) -> None: ...


class Source(ScpiDevice):
    """Two outputs whose upper bound depends on a range."""

    def __init__(self) -> None:
        super().__init__()
        self.range = 10.0
        self.volts = 0.0
        self.got: object = None

    @command("RANGe", Numeric(unit="V"))
    def set_range(self, call: Call, volts: float) -> None:
        self.range = volts

    @command("VOLTage<1-2>", Numeric(unit="V", min=0.0, max=lambda d, call: d.range * call.suffix))
    def set_volts(self, call: Call, volts: float) -> None:
        self.volts = volts

    @query("VOLTage<1-2>?")
    def get_volts(self, call: Call) -> float:
        return self.volts

    @command("SOURce<n>:BURSt<1-3>:MODE", Choice("CHANnel<1-4>", "TRIGgered"))
    def keep(self, call: Call, *values: object) -> None:
        self.got = (*call.suffixes, *values)

    @command("DATA", Block())
    def keep_block(self, call: Call, data: memoryview) -> None:
        self.got = data

    @query("WAVeform?")
    def waveform(self, call: Call) -> object:
        return np.arange(5, dtype=">u2")

    @query("PAIR?")
    def pair(self, call: Call) -> object:
        return np.float64(1.5), np.int32(3), np.bool_(True), Quoted("x"), "WORD"

    @query("NOTHing?")
    def nothing(self, call: Call) -> None: ...


def test_a_bound_may_move_with_settings_and_differ_per_suffix() -> None:
    source = Source()
    assert source.execute("VOLT? MAX;:VOLT2? MAX") == b"+1.000000000E+01;+2.000000000E+01\n"
    source.execute("VOLT2 15;:VOLT1 15")
    assert source.execute("SYST:ERR?;:VOLT?").startswith(b'-222,"Data out of range')
    source.execute("RANG 100;VOLT1 15")
    assert source.execute("SYST:ERR?;:VOLT?;VOLT? MAX").endswith(
        b'0,"No error";+1.500000000E+01;+1.000000000E+02\n'
    )


def test_a_remembered_message_is_judged_anew_each_time() -> None:
    source = Source()
    source.execute("RANG 1")
    source.execute("VOLT MAX")
    source.execute("RANG 2")
    source.execute("VOLT MAX")
    assert source.volts == 2.0


def test_a_handler_gets_its_suffixes_in_the_order_of_the_pattern() -> None:
    source = Source()
    source.execute("SOUR7:BURS3:MODE CHAN4")
    assert source.got == (7, 3, "CHAN4")
    source.execute("SOUR:BURS:MODE TRIGGERED")
    assert source.got == (1, 1, "TRIG")


def test_a_block_arrives_as_a_view_of_the_message() -> None:
    source = Source()
    source.execute(b"DATA #210" + bytes(range(10)))
    assert isinstance(source.got, memoryview)
    assert bytes(source.got) == bytes(range(10))


def test_an_array_goes_out_as_a_block_in_its_own_byte_order() -> None:
    assert Source().execute("WAV?") == b"#210" + bytes([0, 0, 0, 1, 0, 2, 0, 3, 0, 4]) + b"\n"


def test_a_block_is_not_copied_on_its_way_out() -> None:
    samples = np.arange(100_000, dtype="<u2")
    pieces = encode(samples)
    assert isinstance(pieces, list)
    assert np.shares_memory(np.frombuffer(pieces[1], dtype="<u2"), samples)


def test_numpy_scalars_answer_like_pythons() -> None:
    assert Source().execute("PAIR?") == b'+1.500000000E+00,3,1,"x",WORD\n'


def test_a_query_that_returns_nothing_is_reported_as_a_defect() -> None:
    source = Source()
    assert source.execute("NOTH?") == b""
    assert source.execute("SYST:ERR?").startswith(b'-310,"System error;TypeError')


def test_an_instrument_whose_clock_fails_can_still_say_so() -> None:
    class Broken(ScpiDevice):
        def begin_message(self) -> None:
            raise ZeroDivisionError("two\nlines")

    answer = Broken().execute("*IDN?")
    assert answer.startswith(b"SEQRUN DEMO")
    assert Broken().execute("SYST:ERR?") == b'-310,"System error;ZeroDivisionError: two lines"\n'


def test_headers_can_be_listed() -> None:
    headers = Source().headers()
    assert ":SOUR:BURS:MODE" in headers
    assert "*IDN?" in headers
    assert len(headers) == len(set(headers))


@given(st.integers(-(10**6), 10**6), st.sampled_from(sorted(MULTIPLIERS)))
def test_a_multiplied_value_is_the_nearest_double_to_the_exact_one(n: int, prefix: str) -> None:
    """7.7.3 gives decimal multipliers; the value must not pick up a rounding of its own."""
    exact = Fraction(n) * Fraction(10) ** MULTIPLIERS[prefix]
    assert scale(float(n), prefix + "W", "W") == float(exact)


@given(st.lists(st.tuples(st.integers(1, 50), st.integers(1, 50)), min_size=1, max_size=5))
def test_a_channel_list_names_each_channel_of_its_ranges(ranges: list[tuple[int, int]]) -> None:
    class Switch(ScpiDevice):
        @command("CLOSe", ChannelList(last=50))
        def close(self, call: Call, channels: tuple[int, ...]) -> None:
            self.closed = channels

    switch = Switch()
    switch.execute(f"CLOS (@{','.join(f'{a}:{b}' for a, b in ranges)})")
    expected = [n for a, b in ranges for n in (range(a, b + 1) if a <= b else range(a, b - 1, -1))]
    assert switch.closed == tuple(expected)
