"""Program messages that a device might get: right, nearly right, and rubbish."""

from __future__ import annotations

from hypothesis import strategies as st

from demo_sim.scpi import ScpiDevice

NUMBERS = st.one_of(
    st.integers(-10, 10).map(str),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.sampled_from(
        ["1E3", ".5", "7.", "+2", "1E400", "1E99999", "#HFF", "#Q17", "#B102", "1e", "--1"]
    ),
)
SUFFIXES = st.sampled_from(
    ["V", "MV", "A", "MHZ", "OHM", "MOHM", "S", "NS", "QV", "V/S", "V2", "X" * 20]
)
WORDS = st.sampled_from(
    [
        "ON",
        "OFF",
        "MIN",
        "MAX",
        "DEF",
        "AUTO",
        "INF",
        "SIN",
        "SQUare",
        "CHAN1",
        "nonsense",
        "X" * 14,
    ]
)
STRINGS = st.text(st.characters(codec="ascii", exclude_characters="\n"), max_size=12).flatmap(
    lambda text: st.sampled_from(
        [f"'{text.replace(chr(39), chr(39) * 2)}'", '"' + text.replace('"', '""') + '"', f"'{text}"]
    )
)
LISTS = st.sampled_from(
    ["(@1)", "(@1,3:5)", "(@1!1:2!2)", "(@)", "(@1", "(1+2)", "(@99999999)", "()"]
)
BLOCKS = st.one_of(
    st.binary(max_size=12).map(lambda b: b"#1%d" % min(len(b), 9) + b[:9]),
    st.binary(max_size=12).map(lambda b: b"#2%02d" % len(b) + b),
    st.sampled_from([b"#0abc", b"#", b"#9", b"#15ab", b"#3x12"]),
)


def _bytes(texts: st.SearchStrategy[str]) -> st.SearchStrategy[bytes]:
    return texts.map(lambda text: text.encode("latin-1"))


PARAMETERS = st.one_of(
    _bytes(NUMBERS),
    st.tuples(_bytes(NUMBERS), _bytes(SUFFIXES)).map(b" ".join),
    st.tuples(_bytes(NUMBERS), _bytes(SUFFIXES)).map(b"".join),
    _bytes(WORDS),
    _bytes(STRINGS),
    _bytes(LISTS),
    BLOCKS,
)


PLAIN = st.one_of(
    st.integers(0, 10).map(lambda n: b"%d" % n), st.sampled_from([b"ON", b"MIN", b"MAX", b"DEF"])
)


def messages(device: ScpiDevice) -> st.SearchStrategy[bytes]:
    """Messages of one to five units over the device's own headers, some of them damaged."""
    headers = sorted(h.encode("ascii") for h in device.headers())
    queries = st.sampled_from([h for h in headers if h.endswith(b"?")])
    commands = st.sampled_from([h for h in headers if not h.endswith(b"?")])
    likely = st.one_of(
        queries,
        queries,
        st.tuples(commands, PLAIN).map(b" ".join),
        st.sampled_from([b"*CLS", b"*RST", b"*WAI"]),
    )
    header = st.one_of(
        queries,
        commands,
        st.one_of(queries, commands).map(lambda h: h.rpartition(b":")[2].lower()),
        st.tuples(queries, st.integers(0, 5)).map(lambda t: t[0][:-1] + b"%d?" % t[1]),
    )
    data = st.lists(PARAMETERS, max_size=3).map(b",".join)
    odd = st.tuples(header, data).map(lambda u: u[0] + b" " + u[1] if u[1] else u[0])
    sound = st.lists(likely, min_size=1, max_size=4).map(b";".join)
    mixed = st.lists(st.one_of(likely, odd), min_size=1, max_size=5).map(b";".join)
    damaged = st.tuples(mixed, st.integers(0, 200), st.binary(max_size=3)).map(
        lambda t: t[0][: t[1] % (len(t[0]) + 1)] + t[2] + t[0][t[1] % (len(t[0]) + 1) + 1 :]
    )
    return st.one_of(sound, mixed, mixed, damaged, st.binary(max_size=60))


def asks(message: bytes) -> bool:
    """Whether a message certainly asks something: a question mark that no data can hide."""
    return b"?" in message and not any(mark in message for mark in (b"'", b'"', b"#", b"("))
