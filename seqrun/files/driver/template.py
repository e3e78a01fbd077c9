"""Command templates of driver files: ``"INST:NSEL {output};:VOLT {volts:.6g}"``.

A template names its placeholders in braces, with a Python format specification where the
instrument wants one. Nothing but names may stand there: no attributes, no indices, no code.
"""

from __future__ import annotations

import re
import string
from collections.abc import Mapping
from typing import Any

_NAME = re.compile(r"^[a-z][a-z0-9_]*$")
_SPEC = re.compile(r"^[<>^=]?[+-]?0?\d{0,3}(\.\d{1,2})?[defgs]?$")
# A question mark that is not inside a quoted string ends the header of a query.
_QUOTED = re.compile(r"\"[^\"]*\"|'[^']*'")
NUMBER_FORMAT = ".9g"  # below the resolution of any instrument, without 0.30000000000000004


class TemplateError(ValueError):
    """What is wrong with the text of a template, in words."""


class Word(str):
    """A text that takes a number's place and ignores the format meant for that number."""

    __slots__ = ()

    def __format__(self, spec: str) -> str:
        return str(self)


class Template:
    """A parsed template.

    Args:
        text: as it stands in the driver file.

    Raises:
        TemplateError: unbalanced braces, something else than a name in them, a control character.
    """

    __slots__ = ("_render", "names", "text")

    def __init__(self, text: str) -> None:
        if not text.strip():
            raise TemplateError("is empty")
        if not (text.isprintable() and text.isascii()):
            raise TemplateError("holds something beside printable ASCII (the link terminates it)")
        self.text = text
        try:
            pieces = list(string.Formatter().parse(text))
        except ValueError as problem:
            raise TemplateError(f"is no template: {problem}") from None
        names: list[str] = []
        whole = ""
        for literal, name, spec, conversion in pieces:
            whole += literal.replace("{", "{{").replace("}", "}}")
            if name is None:
                continue
            if not _NAME.match(name) or conversion:
                raise TemplateError(f"has '{{{name}}}', which is not a plain name")
            if spec and not _SPEC.match(spec):
                raise TemplateError(f"has the format '{spec}', which is not one for numbers")
            names.append(name)
            whole += "{" + name + (f":{spec}" if spec else "") + "}"
        self.names = tuple(dict.fromkeys(names))
        self._render = whole.format_map if names else None

    def __call__(self, values: Mapping[str, Any]) -> str:
        """The message with the values put in."""
        return self.text if self._render is None else self._render(values)

    @property
    def asks(self) -> bool:
        """True when the message contains a query, so that an answer has to be read."""
        return "?" in _QUOTED.sub("", self.text)

    def __repr__(self) -> str:
        return f"Template({self.text!r})"


def number(value: float) -> Any:
    """A float that a placeholder without format shows with nine digits."""
    return _Number(value)


class _Number(float):
    __slots__ = ()

    def __format__(self, spec: str) -> str:
        if spec.endswith("d"):
            return format(round(self), spec)
        return float.__format__(self, spec or NUMBER_FORMAT)
