"""Regular expressions from files: refused when they could back-track for ever."""

from __future__ import annotations

import re
from collections.abc import Iterable
from re import _parser as parser  # type: ignore[attr-defined]  # the standard library's own parser
from typing import Any

#: repeats of fewer than this many are no loop worth speaking of
_FEW = 16


def runs_away(pattern: str) -> bool:
    """Whether a pattern repeats something that is itself repeated, or repeats a choice, without an
    end: on a text that almost fits, the time then doubles with every letter.

    Raises:
        re.error: it is no regular expression.
    """
    return _nested(parser.parse(pattern), inside=False)


def _nested(items: Iterable[Any], *, inside: bool) -> bool:
    for kind, argument in items:
        name = str(kind)
        if name in ("MAX_REPEAT", "MIN_REPEAT"):
            _, most, body = argument
            loop = most > _FEW
            if (loop and inside) or _nested(body, inside=inside or loop):
                return True
        elif name == "BRANCH":
            if inside or any(_nested(branch, inside=inside) for branch in argument[1]):
                return True
        elif name == "SUBPATTERN":
            if _nested(argument[3], inside=inside):
                return True
        elif name in ("ASSERT", "ASSERT_NOT"):
            if _nested(argument[1], inside=inside):
                return True
        elif name == "ATOMIC_GROUP" and _nested(argument, inside=inside):
            return True
    return False


def check(pattern: str) -> None:
    """See that a pattern is a regular expression whose time stays bounded.

    Raises:
        re.error: it is none, or it could run for ever.
    """
    if runs_away(pattern):
        raise re.error("repeats what is itself repeated, and could run for ever")
