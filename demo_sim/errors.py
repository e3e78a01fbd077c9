"""Errors of the simulated bench."""

from __future__ import annotations


class DemoError(Exception):
    """The bench was asked for something it does not have.

    Args:
        message: what is wrong. found: what was given. expected: what would do. hint: the way on.
    """

    def __init__(
        self, message: str, *, found: str = "", expected: str = "", hint: str = ""
    ) -> None:
        self.found = found
        self.expected = expected
        self.hint = hint
        parts = [message]
        if found:
            parts.append(f"found: {found}")
        if expected:
            parts.append(f"expected: {expected}")
        if hint:
            parts.append(hint)
        super().__init__("; ".join(parts))
