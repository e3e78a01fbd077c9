"""What the dialect servers share: framing, a table of commands in the manuals' own notation, an
error queue, and a link over TCP or a pseudo-terminal.

A dialect is bytes in, bytes out (:meth:`Dialect.receive`), so that a test may also talk to it
without any link.
"""

from __future__ import annotations

import os
import re
import select
import socket
import threading
import time
import tty
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import ClassVar

Answer = str | bytes | None


class Refused(Exception):
    """A message that the instrument does not take; ``str()`` is the entry of its error queue."""


class Dialect:
    """An instrument at the end of a wire.

    ``gap_s``: silence after which a message is over, for instruments without terminators.
    ``received`` holds every message, for tests.
    """

    gap_s: ClassVar[float] = 0.0

    def __init__(self) -> None:
        self.received: list[str] = []
        self.mute = False  # a test's way to make it fall silent
        self.hangs_up = False  # and to make it close the connection, once, at the next message

    def receive(self, data: bytes) -> bytes:
        """What the instrument says to these bytes, at once."""
        raise NotImplementedError


class Lines(Dialect):
    """Messages that end with a terminator. Subclasses answer :meth:`line`."""

    ends: ClassVar[bytes] = b"\n"
    answers_end: bytes = b"\n"

    def __init__(self) -> None:
        super().__init__()
        self._rest = b""

    def receive(self, data: bytes) -> bytes:
        self._rest += data
        said = b""
        while self.ends in self._rest:
            message, self._rest = self._rest.split(self.ends, 1)
            text = message.decode("latin-1")
            self.received.append(text)
            if self.mute:
                continue
            answer = self.line(text)
            if answer is not None:
                whole = answer.encode("latin-1") if isinstance(answer, str) else answer
                said += whole + self.answers_end
        return said

    def line(self, text: str) -> Answer:
        """The answer to one message, without terminator; None for silence."""
        raise NotImplementedError


# --- commands as manuals print them -------------------------------------------------------------


def header(notation: str) -> str:
    """A regular expression from a manual's notation, such as ``:OUTPut[<n>][:STATe]``.

    Capitals are the short form, the rest of the word may be left out as a whole, brackets hold
    what may be left out, ``<n>`` is a number, a leading colon is free.
    """
    said = notation.removeprefix(":")
    found = ""
    position = 0
    while position < len(said):
        word = re.match(r"([A-Z*_]+)([a-z]*)", said[position:])
        number = re.match(r"<\w+>", said[position:])
        if word:
            short, rest = word[1], word[2]
            found += re.escape(short) + (f"(?:{rest})?" if rest else "")
            position += word.end()
        elif number:
            found += r"(\d+)"
            position += number.end()
        else:
            mark = said[position]
            found += {"[": "(?:", "]": ")?", ":": ":"}.get(mark, re.escape(mark))
            position += 1
    return rf":?{found}"


Handler = Callable[..., Answer]
_MARK = "_commands"


def command(*notations: str) -> Callable[[Handler], Handler]:
    """Marks a method as the doing of these commands; it gets the numbers, then the parameters."""

    def mark(do: Handler) -> Handler:
        setattr(do, _MARK, notations)
        return do

    return mark


class Commands(Lines):
    """A line instrument with a table of commands and an error queue.

    ``joins``: whether the manual lets ";" join messages. Where it does not say so, it does not.
    """

    joins: ClassVar[bool] = False
    between: ClassVar[str] = ";"
    undefined: ClassVar[str] = '-113,"Undefined header"'
    range_error: ClassVar[str] = '-222,"Data out of range"'
    none: ClassVar[str] = '0,"No error"'

    def __init__(self) -> None:
        super().__init__()
        self.errors: deque[str] = deque(maxlen=20)
        self._table: list[tuple[re.Pattern[str], Handler]] = []
        for name in dir(type(self)):
            for notation in getattr(getattr(type(self), name), _MARK, ()):
                self.takes(notation, getattr(self, name))

    def takes(self, notation: str, do: Handler) -> None:
        """Put a command into the table."""
        pattern = re.compile(header(notation) + r"(?:\s+(.*))?", re.IGNORECASE)
        self._table.append((pattern, do))

    def line(self, text: str) -> Answer:
        messages = text.split(";") if self.joins else [text]
        said: list[str | bytes] = []
        path = ""
        for message in (m.strip() for m in messages):
            if not message:
                continue
            whole = message
            if path and message[0] not in ":*" and not self._known(message):
                whole = path + message  # the tree is kept from the message before (IEEE 488.2)
            elif self.joins and path and message[0] not in ":*" and self._known(path + message):
                whole = path + message
            try:
                answer = self._do(whole)
            except Refused as problem:
                self.refuse(str(problem))
                answer = None
            if message[0] != "*":
                stem = whole.split(" ", 1)[0].split("?", 1)[0]
                path = stem[: stem.rfind(":") + 1]
            if answer is not None:
                said.append(answer)
        if not said:
            return None
        if any(isinstance(answer, bytes) for answer in said):
            parts = [a if isinstance(a, bytes) else a.encode("latin-1") for a in said]
            return self.between.encode().join(parts)
        return self.between.join(str(answer) for answer in said)

    def _known(self, message: str) -> bool:
        return any(pattern.fullmatch(message) for pattern, _ in self._table)

    def _do(self, message: str) -> Answer:
        for pattern, do in self._table:
            if found := pattern.fullmatch(message):
                return do(*(group or "" for group in found.groups()))
        raise Refused(self.undefined)

    def refuse(self, entry: str) -> None:
        """Put an entry in the error queue."""
        self.errors.append(entry)

    def next_error(self) -> str:
        """Take the oldest entry out of the queue."""
        return self.errors.popleft() if self.errors else self.none

    def number(self, text: str, low: float, high: float) -> float:
        """A parameter as a number within limits.

        Raises:
            Refused: no number, or out of range.
        """
        try:
            value = float(text)
        except ValueError:
            raise Refused('-104,"Data type error"') from None
        if not low <= value <= high:
            raise Refused(self.range_error)
        return value

    def one_of(self, text: str, *words: str) -> str:
        """A parameter that is one of the manual's words, given as ``LONGform``; the short form.

        Raises:
            Refused: none of them.
        """
        for word in words:
            short = re.match(r"[A-Z0-9_]+", word)
            assert short is not None
            if text.upper() in (short[0], word.upper()):
                return short[0]
        raise Refused('-224,"Illegal parameter value"')

    def is_on(self, text: str) -> bool:
        """A parameter that says ON or OFF (SCPI 1999, volume 1, 7.3).

        Raises:
            Refused: neither.
        """
        return self.one_of(text, "ON", "OFF", "1", "0") in ("ON", "1")

    def suffix(self, n: str, most: int) -> int:
        """The number in a header, from 1 to ``most``.

        Raises:
            Refused: another one, or none.
        """
        if n not in (str(k) for k in range(1, most + 1)):
            raise Refused('-114,"Header suffix out of range"')
        return int(n)


class Scpi(Commands):
    """One that says who it is, and whose error queue is cleared by ``*CLS`` and read by a query."""

    idn: ClassVar[str]
    error_query: ClassVar[str] = ":SYSTem:ERRor?"

    def __init__(self) -> None:
        super().__init__()
        self.takes("*IDN?", lambda _: self.idn)
        self.takes("*CLS", lambda _: self.errors.clear())
        self.takes(self.error_query, lambda _: self.next_error())


# --- links --------------------------------------------------------------------------------------


class _Link:
    """Moves bytes between a dialect and whoever is connected, in a thread of its own."""

    def __init__(self, dialect: Dialect) -> None:
        self._dialect = dialect
        self._stop, self._stopper = os.pipe()
        self.resource = ""
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        os.write(self._stopper, b"x")
        self._thread.join(2.0)
        for end in (self._stop, self._stopper):
            os.close(end)

    def _run(self) -> None:
        raise NotImplementedError

    def _ready(self, end: int, wait_s: float | None = None) -> bool:
        """Whether there is something to read; False when it is time to stop or nothing came."""
        found, _, _ = select.select([end, self._stop], [], [], wait_s)
        return end in found and self._stop not in found

    def _message(self, end: int, first: bytes, read: Callable[[], bytes]) -> bytes:
        """With what follows it before the gap that ends a message."""
        gap = self._dialect.gap_s
        give_up = time.monotonic() + 1.0
        while gap and self._ready(end, gap) and time.monotonic() < give_up:
            first += read()
        return first


class _Tcp(_Link):
    """A raw socket on loopback; one connection after another."""

    def __init__(self, dialect: Dialect) -> None:
        super().__init__(dialect)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.resource = f"TCPIP0::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"

    def _run(self) -> None:
        with self._listener:
            while self._ready(self._listener.fileno()):
                connection, _ = self._listener.accept()
                with connection:
                    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    self._serve(connection)

    def _serve(self, connection: socket.socket) -> None:
        try:
            while self._ready(connection.fileno()):
                data = connection.recv(65536)
                if not data:
                    return
                data = self._message(connection.fileno(), data, lambda: connection.recv(65536))
                if self._dialect.hangs_up:
                    self._dialect.hangs_up = False
                    return
                connection.sendall(self._dialect.receive(data))
        except OSError:
            return  # the other end hung up


class _Pty(_Link):
    """A pseudo-terminal: for the other end, a serial port."""

    def __init__(self, dialect: Dialect) -> None:
        super().__init__(dialect)
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.resource = f"ASRL{os.ttyname(self._theirs)}::INSTR"

    def _run(self) -> None:
        try:
            while self._ready(self._ours):
                data = os.read(self._ours, 65536)
                data = self._message(self._ours, data, lambda: os.read(self._ours, 65536))
                said = self._dialect.receive(data)
                while said:
                    said = said[os.write(self._ours, said) :]
        except OSError:
            return

    def close(self) -> None:
        super().close()
        os.close(self._ours)
        os.close(self._theirs)


@contextmanager
def served(dialect: Dialect, link: str = "tcp") -> Iterator[str]:
    """The VISA resource of a dialect that is being served.

    Args:
        link: "tcp", or "pty" for a serial line.
    """
    server: _Link = _Tcp(dialect) if link == "tcp" else _Pty(dialect)
    server.start()
    try:
        yield server.resource
    finally:
        server.close()


def block(data: bytes, digits: int = 0) -> bytes:
    """A definite-length block (IEEE 488.2, 8.7.9), with that many digits for the length."""
    length = str(len(data)).zfill(digits)
    return b"#" + str(len(length)).encode() + length.encode() + data
