"""Ways in which a wire fails, before anybody has told a person about it."""

from __future__ import annotations


class LinkFailure(Exception):
    """Nothing came, or the link is gone; what the library said is its cause."""


class TimedOut(LinkFailure):
    """No answer in time.

    Attributes:
        part: what did come, without the end that the manners promise.
        closed: the other side has hung up.
        length: so many bytes were waited for; None: a line.
        acknowledgement: what was waited for is that of a write, of this pattern; "": an answer.
    """

    def __init__(self, text: str, part: str = "", closed: bool = False) -> None:
        super().__init__(text)
        self.part, self.closed = part, closed
        self.length: int | None = None
        self.acknowledgement = ""


class Broken(LinkFailure):
    """The link is gone."""
