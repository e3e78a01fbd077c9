"""Arbitrary blocks as a client reads them, held against the standard and against PyVISA.

Sources: IEEE Std 488.2-1992, 8.7.9 (definite length arbitrary block response data: ``#``, a
non-zero digit, that many digits giving the number of bytes, the bytes) and 8.7.10 (indefinite
length, ``#0``, ended by NL with END), from memory; ``pyvisa.util.to_ieee_block`` and
``from_ieee_block`` as an encoder and decoder that are not ours.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyvisa import util

from seqrun.instruments.block import Block, NoBlock, from_stream, to_end

MORE, END = "more", "end"


class Bytes:
    """A link on which these bytes have come, given out in pieces of at most ``piece`` bytes."""

    def __init__(self, data: bytes, piece: int = 1 << 20) -> None:
        self.data, self.piece = data, piece

    def read(self, count: int) -> tuple[bytes, str]:
        taken, self.data = (
            self.data[: min(count, self.piece)],
            self.data[min(count, self.piece) :],
        )
        if not taken:
            raise TimeoutError
        return taken, MORE if self.data else END


def both_ways(data: bytes, piece: int = 1 << 20) -> tuple[Block, Block]:
    return from_stream(Bytes(data, piece).read, 1), to_end(Bytes(data, piece).read, MORE, 0)


def test_the_digits_say_how_many_bytes_follow() -> None:
    for block in both_ways(b"#15hello\n"):
        assert bytes(block.data) == b"hello"


def test_leading_zeros_in_the_length_are_usual() -> None:
    for block in both_ways(b"#9000000005hello\n"):
        assert bytes(block.data) == b"hello"


def test_an_empty_block_is_a_block() -> None:
    for block in both_ways(b"#10\n"):
        assert bytes(block.data) == b""


def test_data_may_be_anything_even_terminators_and_the_number_sign() -> None:
    data = b"\n#\n;\r\n#0\x00\xff"
    for block in both_ways(b"#2%02d" % len(data) + data + b"\n"):
        assert bytes(block.data) == data


@given(st.binary(max_size=5000), st.integers(1, 700))
def test_pieces_of_any_size_make_the_same_block(data: bytes, piece: int) -> None:
    digits = b"%d" % len(data)
    for block in both_ways(b"#%d" % len(digits) + digits + data + b"\n", piece):
        assert bytes(block.data) == data


@given(st.lists(st.integers(0, 65535), min_size=1, max_size=300), st.booleans())
def test_samples_come_out_as_pyvisa_put_them_in(codes: list[int], big: bool) -> None:
    message = bytes(util.to_ieee_block(codes, "H", big)) + b"\n"
    for block in both_ways(message):
        ours = np.frombuffer(block.data, ">u2" if big else "<u2")
        assert ours.tolist() == codes
        assert ours.tolist() == util.from_ieee_block(message, "H", big)


def test_what_follows_the_block_in_the_same_message_is_not_data() -> None:
    block = to_end(Bytes(b'#15hello;0,"No error"\n').read, MORE, 0)
    assert bytes(block.data) == b"hello"


def test_nothing_is_copied_on_the_way_to_numpy() -> None:
    payload = struct.pack("<1000H", *range(1000))
    block = to_end(Bytes(b"#42000" + payload + b"\n").read, MORE, 2000)
    array = np.frombuffer(block.data, "<u2")
    assert not array.flags.owndata
    assert np.shares_memory(array, np.frombuffer(block.whole, np.uint8))


@pytest.mark.parametrize(
    "message",
    [b"#0hello\n", b"1.0,2.0\n", b"#A5hello\n", b"#2a5hello\n", b"#9999999999\n", b"##\n"],
    ids=["indefinite", "text", "letter", "length", "too long", "no digit"],
)
def test_what_is_no_definite_length_block_is_refused(message: bytes) -> None:
    with pytest.raises(NoBlock):
        from_stream(Bytes(message).read, 1)
    with pytest.raises(NoBlock):
        to_end(Bytes(message).read, MORE, 0)


def test_a_message_that_ends_early_is_refused() -> None:
    with pytest.raises(NoBlock, match="3 bytes"):
        to_end(Bytes(b"#15hel").read, MORE, 0)
