"""Short and long forms, optional nodes and numeric suffixes of command patterns.

Patterns are written as SCPI-99 writes them: ``[SOURce<1-2>:]VOLTage[:LEVel][:IMMediate]``.
Upper case is the short form (volume 1, 6.2.1), brackets enclose nodes that may be left out
(5.1), ``<n>`` allows a numeric suffix of 1 or more, ``<1-4>`` bounds it.
"""

from __future__ import annotations

import re
from typing import NamedTuple

NO_UPPER_BOUND = 999_999


class Mnemonic(NamedTuple):
    """One word of a pattern; ``suffix`` is (lowest, highest) when it takes a number."""

    short: str
    long: str
    suffix: tuple[int, int] | None

    @classmethod
    def parse(cls, word: str) -> Mnemonic:
        """From "VOLTage", "CHANnel<n>" or "CHANnel<1-4>".

        Raises:
            ValueError: not written in the short/long notation.
        """
        found = _WORD.fullmatch(word)
        if found is None:
            raise ValueError(f"{word!r} is not a mnemonic such as VOLTage or CHANnel<1-4>")
        upper, lower, digits, low, high = found.groups()
        digits = digits or ""
        suffix = None
        if "<" in word:
            suffix = (int(low), int(high)) if low else (1, NO_UPPER_BOUND)
        return cls(upper + digits, (upper + lower).upper() + digits, suffix)


_WORD = re.compile(r"(\*?[A-Z_]+)([a-z_]*)(\d*)(?:<(?:n|(\d+)-(\d+))>)?")


def expand(pattern: str) -> list[tuple[tuple[Mnemonic, ...], tuple[int | None, ...]]]:
    """Every way of writing a pattern's header.

    Returns:
        Per way: its mnemonics, and for each ``<n>`` of the pattern, left to right, the index of
        the mnemonic that carries it, or ``None`` where the optional node was left out.
    """
    tokens = re.findall(r"\[|\]|:|[^\[\]:]+", pattern.strip().removesuffix("?"))
    ways = _sequence(tokens)
    if tokens:
        raise ValueError(f"unbalanced brackets in {pattern!r}")
    words: list[str] = re.findall(r"[^\[\]:?]+", pattern)
    numbered = [i for i, word in enumerate(words) if "<" in word]
    found = []
    for way in ways:
        if not way:
            continue
        positions = {index: depth for depth, index in enumerate(way)}
        mnemonics = tuple(Mnemonic.parse(words[index]) for index in way)
        found.append((mnemonics, tuple(positions.get(index) for index in numbered)))
    return found


def _sequence(tokens: list[str], counter: list[int] | None = None) -> list[tuple[int, ...]]:
    """Consume tokens up to a closing bracket; ways as tuples of word indices."""
    counter = counter if counter is not None else [0]
    ways: list[tuple[int, ...]] = [()]
    while tokens:
        token = tokens.pop(0)
        if token == "]":
            tokens.insert(0, token)
            break
        if token == ":":
            continue
        if token == "[":
            inner = _sequence(tokens, counter)
            if not tokens or tokens.pop(0) != "]":
                raise ValueError("a bracket is not closed")
            ways = [way + more for way in ways for more in [*inner, ()]]
        else:
            ways = [(*way, counter[0]) for way in ways]
            counter[0] += 1
    return ways
