"""What a link can do to an answer: the kinds of corruption, each of them one exchange."""

from __future__ import annotations

from collections.abc import Callable

#: the answer as it would have come -> what comes; None: the connection is cut
Spoil = Callable[[bytes], bytes | None]


def _half_bytes(answer: bytes) -> bytes:
    """Every other byte is gone, the end of the line is not."""
    return answer[:-1:2] + answer[-1:]


def _header(answer: bytes) -> bytes:
    """A block that says to be longer than it is; text gets a block's header before it."""
    if answer.startswith(b"#") and len(answer) > 3:
        return answer[:2] + b"9" + answer[3:]
    return b"#15" + answer


KINDS: dict[str, Spoil] = {
    "cut": lambda _: None,
    "lost": lambda _: b"",
    "half": lambda a: a[: len(a) // 2],
    "no end of line": lambda a: a.rstrip(b"\n"),
    "twice": lambda a: a + a,
    "another before": lambda a: b"1.234\n" + a,
    "another after": lambda a: a + b"1.234\n",
    "garbage": lambda _: b"\xff\xfe\x00?!\n",
    "text": lambda _: b"HELLO\n",
    "empty line": lambda _: b"\n",
    "blank line before": lambda a: b"\n" + a,
    "nan": lambda _: b'NAN;0,"No error"\n',
    "not a number": lambda _: b'9.91E37;0,"No error"\n',
    "overload": lambda _: b'9.9E37;0,"No error"\n',
    "infinite": lambda _: b'INF;0,"No error"\n',
    "error in queue": lambda a: a.replace(b'0,"No error"', b'-350,"Queue overflow"'),
    "error without answer": lambda _: b'-113,"Undefined header"\n',
    "carriage return": lambda a: a.replace(b"\n", b"\r\n"),
    "spaces": lambda a: b"  " + a.rstrip(b"\n") + b"  \n",
    "echo": lambda a: b"MEAS:VOLT?\n" + a,
    "zero bytes": lambda a: b"\0\0" + a,
    "last bytes gone": lambda a: a[:-3] + b"\n",
    "every other byte": _half_bytes,
    "block header": _header,
    "no error alone": lambda _: b'0,"No error"\n',
    "escapes": lambda a: b"\x1b[2J\x1b]0;x\x07" + a,
}
#: what changes a number to another that looks right cannot be known from one exchange
LATE = "one behind"  # the answer comes only with the next one
