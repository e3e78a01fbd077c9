"""Definite-length blocks (IEEE 488.2, 8.7.9), from a stream and from a link that tells the end."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from seqrun.instruments.block import CHUNK, HEADER, LARGEST, NoBlock, from_stream, to_end

MORE, LAST = "more", "last"


class Pipe:
    """Bytes that come in pieces of at most ``step``."""

    def __init__(self, data: bytes, step: int = 1 << 30) -> None:
        self.data, self.step, self.asked = data, step, [0]

    def __call__(self, count: int) -> tuple[bytes, str]:
        self.asked.append(count)
        n = min(count, self.step)
        piece, self.data = self.data[:n], self.data[n:]
        assert piece, "the link would wait for ever"
        return piece, MORE if self.data else LAST


@pytest.mark.parametrize("step", [1, 2, 3, 1000])
@pytest.mark.parametrize("text", [b"#15hello\n", b"#205hello\n", b"#9000000005hello\n"])
def test_a_block_of_a_stream_is_read_to_its_length_and_its_end(text: bytes, step: int) -> None:
    pipe = Pipe(text + b"NEXT", step)
    found = from_stream(pipe, 1)
    assert bytes(found.data) == b"hello"
    assert pipe.data == b"NEXT"


def test_an_empty_block_is_a_block() -> None:
    pipe = Pipe(b"#10\nNEXT")
    assert bytes(from_stream(pipe, 1).data) == b""
    assert pipe.data == b"NEXT"


def test_without_a_terminator_nothing_more_is_read() -> None:
    pipe = Pipe(b"#12ab#")
    assert bytes(from_stream(pipe, 0).data) == b"ab"
    assert pipe.data == b"#"


@pytest.mark.parametrize("before", [b"", b"C", b"C1:WF DAT2,", b"x" * HEADER])
def test_a_header_before_a_block_is_left(before: bytes) -> None:
    found = from_stream(Pipe(before + b"#12ab\n", 7), 1, header=True)
    assert bytes(found.data) == b"ab"
    found = to_end(Pipe(before + b"#12ab\n"), MORE, 2, header=True)
    assert bytes(found.data) == b"ab"


def test_a_header_has_an_end() -> None:
    with pytest.raises(NoBlock, match=r"^x+…$"):
        from_stream(Pipe(b"x" * (HEADER + 200)), 1, header=True)
    with pytest.raises(NoBlock):
        to_end(Pipe(b"x" * (HEADER + 1) + b"#12ab\n"), MORE, 2, header=True)


Read = Callable[[Pipe], object]


@pytest.mark.parametrize("read", [lambda p: from_stream(p, 1), lambda p: to_end(p, MORE, 9)])
@pytest.mark.parametrize(
    "text", [b"C1#12ab\n", b"5.00E-01\n", b"#02ab\n", b"#x2ab\n", b"#2x5hello\n", b"##\n12345"]
)
def test_what_is_no_block_is_told_as_it_came(read: Read, text: bytes) -> None:
    with pytest.raises(NoBlock) as told:
        read(Pipe(text))
    assert str(told.value).startswith(text[:2].decode())


@pytest.mark.parametrize("read", [lambda p: from_stream(p, 1), lambda p: to_end(p, MORE, 9)])
def test_a_length_that_no_instrument_has_is_not_waited_for(read: Read) -> None:
    with pytest.raises(NoBlock):
        read(Pipe(b"#9%09d" % (LARGEST + 1) + b"abc\n"))


def test_a_block_that_ends_too_soon_says_how_much_came() -> None:
    with pytest.raises(NoBlock, match="#15 and 4 bytes"):
        to_end(Pipe(b"#15hell"), MORE, 5)
    assert bytes(to_end(Pipe(b"#15hello"), MORE, 5).data) == b"hello"


@pytest.mark.parametrize("step", [1, 3, 1000])
def test_a_block_of_a_link_with_an_end_comes_in_pieces(step: int) -> None:
    found = to_end(Pipe(b"#15hello\n", step), MORE, 5)
    assert bytes(found.data) == b"hello"
    assert (found.start, found.length) == (3, 5)


def test_a_large_block_is_asked_for_in_one_piece() -> None:
    pipe = Pipe(b"#9%09d" % 100_000 + bytes(100_000) + b"\n")
    assert to_end(pipe, MORE, 100_000).length == 100_000
    assert pipe.asked[1:] == [100_064]
    small = Pipe(b"#12ab\n")
    to_end(small, MORE, 2)
    assert small.asked[1:] == [CHUNK]


def test_a_long_wrong_answer_is_cut() -> None:
    assert str(NoBlock(b"y" * 121)) == "y" * 120 + "…"
    assert str(NoBlock(b"y" * 120 + b"\r\n")) == "y" * 120 + "…"
    assert str(NoBlock(b"y" * 120)) == "y" * 120
    assert str(NoBlock(b"no\r\n")) == "no"
