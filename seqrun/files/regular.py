"""Regular expressions from files, matched in a time that grows with the text and no faster.

What a file brings is matched against what an instrument sends, while power may be on. The standard
library's engine goes back and tries again: ``(a+)+b`` doubles its time with every letter, and
``a*a*a*b`` is no better on a long line. RE2 cannot do that by its construction, and costs what
look-around and back-references would give: a file that uses them is refused.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Protocol

LONGEST_SUBJECT = 100_000  # characters of an answer that are looked at


class PatternError(ValueError):
    """A pattern is no regular expression, or one that RE2 does not know."""


class Match(Protocol):
    """A match."""

    def group(self, number: int = 0, /) -> str: ...


class Pattern:
    """A compiled pattern.

    Raises:
        PatternError: on construction, with what is wrong with it.
    """

    __slots__ = ("_compiled", "groups")

    def __init__(self, pattern: str) -> None:
        import re2  # only a bench with drivers needs it

        options = re2.Options()
        options.log_errors = False
        try:
            self._compiled = re2.compile(_valid(pattern), options)
        except re2.error as problem:
            told = problem.args[0] if problem.args else "not understood"
            words = told.decode("utf-8", "replace") if isinstance(told, bytes) else str(told)
            raise PatternError(words) from None
        self.groups: int = self._compiled.groups

    def search(self, text: str) -> Match | None:
        """Where it is found first, if anywhere."""
        found: Match | None = self._compiled.search(_valid(text[:LONGEST_SUBJECT]))
        return found

    def match(self, text: str) -> Match | None:
        """The same at the beginning only."""
        found: Match | None = self._compiled.match(_valid(text[:LONGEST_SUBJECT]))
        return found


def _valid(text: str) -> str:
    """Text that has a UTF-8 form: half a surrogate pair has none."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode("utf-8")


@lru_cache(maxsize=512)
def compiled(pattern: str) -> Pattern:
    """A pattern, compiled once.

    Raises:
        PatternError: what is wrong with it.
    """
    return Pattern(pattern)
