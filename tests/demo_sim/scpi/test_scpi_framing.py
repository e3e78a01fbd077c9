"""Where messages end in a stream of bytes."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from demo_sim.scpi.framing import OVERRUN, MessageFramer


def test_a_message_ends_at_nl_or_at_the_links_end() -> None:
    framer = MessageFramer()
    assert framer.feed(b"A\nB\nC") == [b"A", b"B"]
    assert framer.feed(b"", end=True) == [b"C"]
    assert framer.feed(b"D", end=True) == [b"D"]
    assert framer.feed(b"E\n", end=True) == [b"E"]


def test_nl_inside_a_definite_block_is_data() -> None:
    framer = MessageFramer()
    assert framer.feed(b"X #13a\nb;Y\nZ\n") == [b"X #13a\nb;Y", b"Z"]


def test_a_hash_that_is_no_block_ends_like_any_text() -> None:
    framer = MessageFramer()
    assert framer.feed(b"X #HFF\nY '#19'\nZ #3ab\nFOO#19\n") == [
        b"X #HFF", b"Y '#19'", b"Z #3ab", b"FOO#19",
    ]  # fmt: skip


def test_an_indefinite_block_runs_to_the_end_mark_where_there_is_one() -> None:
    assert MessageFramer().feed(b"X #0a\nb\n", end=True) == [b"X #0a\nb"]
    assert MessageFramer().feed(b"X #0a\nb\n", end=False) == [b"X #0a", b"b"]


def test_a_forgotten_quote_does_not_swallow_the_next_message() -> None:
    assert MessageFramer().feed(b"X 'abc\nY\n") == [b"X 'abc", b"Y"]


def test_an_oversized_message_is_dropped_up_to_its_end_and_no_further() -> None:
    framer = MessageFramer(longest=10)
    assert framer.feed(b"0123456789A") == [OVERRUN]
    assert framer.feed(b"still the same") == []
    assert framer.feed(b"end\nnext\n") == [b"next"]
    assert framer.pending == 0


def test_an_oversized_block_is_dropped_with_its_data_though_they_hold_nl() -> None:
    framer = MessageFramer(longest=100)
    assert framer.feed(b"X #3500" + b"\n" * 200) == [OVERRUN]
    assert framer.feed(b"\n" * 300 + b";REST\nnext\n") == [b"next"]


def test_an_announced_giant_block_takes_no_memory() -> None:
    framer = MessageFramer(longest=1000)
    assert framer.feed(b"X #9999999999") == [OVERRUN]
    for _ in range(1000):
        framer.feed(b"x" * 1000)
    assert framer.pending <= 1000


@given(
    st.lists(
        st.one_of(
            st.sampled_from([b"*IDN?", b"VOLT 3;:OUTP ON", b"T 'a;b'", b'T "#9"', b"", b"N #HFF"]),
            st.binary(max_size=30).map(lambda b: b"D #2%02d" % len(b) + b),
        ),
        max_size=6,
    ),
    st.lists(st.integers(1, 7), min_size=1),
)
def test_fragments_of_any_size_give_the_same_messages(
    messages: list[bytes], cuts: list[int]
) -> None:
    data = b"".join(message + b"\n" for message in messages)
    framer, got, at, turn = MessageFramer(), [], 0, 0
    while at < len(data):
        step = cuts[turn % len(cuts)]
        got += framer.feed(data[at : at + step])
        at, turn = at + step, turn + 1
    assert got == messages
