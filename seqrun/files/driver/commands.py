"""The commands of one operation in a driver file, and how its answer is read."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import (
    BeforeValidator,
    Field,
    GetJsonSchemaHandler,
    StringConstraints,
    WithJsonSchema,
)
from pydantic_core import CoreSchema

from seqrun.files.common import Strict
from seqrun.files.driver.manners import PatternText, Sent
from seqrun.files.driver.template import Template, TemplateError
from seqrun.quantity import Seconds

LONGEST_COMMAND = 1000  # characters
OF = "of"  # in a table of words: the placeholder whose value chooses the word
PLACE = re.compile(r"\{([a-z_]\w*)\}")  # a placeholder in ``match``; {2} and {1,3} count
Positive = Annotated[float, Field(gt=0)]
Bit = Annotated[int, Field(ge=0, le=47)]  # of a whole number that a float holds exactly
As = Literal["number", "hex", "binary", "byte", "si"]


def _as_table(value: Any) -> Any:
    """A command alone, a list of commands, or a list of tables is short for a table."""
    if isinstance(value, str):
        return {"send": [value]}
    if isinstance(value, list):
        if value and all(isinstance(item, dict) for item in value):
            return {**value[0], "also": value[1:]}
        return {"send": value}
    return value


Command = Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_COMMAND)]
_TEXTS = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}
Messages = Annotated[
    tuple[Command, ...],
    BeforeValidator(lambda v: [v] if isinstance(v, str) else v),
    WithJsonSchema(_TEXTS),
]


class Commands(Strict):
    """The messages of one operation, in order, and how its answer is read.

    The answer is that of the last message that asks. From its text: ``field`` of those between
    ``separator``, then the first group of ``match``, then ``character``, then ``map`` or what
    ``as`` says, then ``bit``, ``invert``, and the number times ``scale`` plus ``shift``.
    """

    send: Messages = Field(description="one message, several, or none")
    after: Messages = Field(default=(), description="messages that follow, whatever was answered")
    raw: bool = Field(default=False, description="messages are bytes in hexadecimal")
    asks: bool | None = Field(default=None, description="the last message is answered; else by '?'")
    acknowledge: PatternText | None = Field(
        default=None, description="of this operation; empty: none comes"
    )
    words: dict[str, dict[str, Sent]] = Field(default={}, description="for this operation alone")
    factor: dict[str, Positive] = Field(default={}, description="as [scale], for this one alone")
    length: int | None = Field(default=None, ge=1, le=10_000, description="bytes of the answer")
    separator: str = Field(",", min_length=1, max_length=8)
    field: int | None = Field(default=None, description="counts from 0; negative from the end")
    match: PatternText = ""
    character: int | tuple[int, ...] | None = Field(
        default=None,
        description="counts from 0; negative from the end; a list: of output 1, of output 2 …",
    )
    map: dict[str, float | bool] = Field(
        default={}, description="words of the instrument and their values"
    )
    kind: As = Field(default="number", alias="as", description="how the text means a number")
    bit: Bit | tuple[Bit, ...] | None = Field(
        default=None, description="counts from 0; a list: of output 1, of output 2 …"
    )
    invert: bool = Field(default=False, description="true and false change places")
    scale: float = 1.0
    shift: float = 0.0
    combine: Literal["or", "and"] = Field(
        default="or", description="with several questions: true when any is, or when all are"
    )
    header: bool = Field(default=False, description="something stands before a block's '#'")
    block_end: Literal["", "\n", "\r\n", "\n\n"] | None = Field(
        default=None, description="what follows a block; else the read termination"
    )
    time_out: Seconds | None = Field(default=None, gt=0, le=3600)
    pause: Seconds = Field(default=0.0, ge=0, le=60, description="before the next message")
    check: bool = Field(default=True, description="look at the error queue afterwards")
    also: tuple[Commands, ...] = Field(default=(), description="further questions, as a list")

    @property
    def templates(self) -> tuple[Template, ...]:
        """The messages, parsed.

        Raises:
            TemplateError: one of them is no template.
        """
        return tuple(Template(text) for text in self.send)

    @property
    def answered(self) -> bool:
        """Whether an answer is read after the last message."""
        if self.asks is not None:
            return self.asks
        return bool(self.send) and not self.raw and self.templates[-1].asks

    @property
    def varies(self) -> bool:
        """Whether how its answer is read depends on the values of its placeholders."""
        return bool(self.read_by)

    @property
    def read_by(self) -> frozenset[str]:
        """Placeholders by whose values its answer is read: one question may tell of all outputs."""
        listed = isinstance(self.bit, tuple) or isinstance(self.character, tuple)
        return frozenset(PLACE.findall(self.match)) | ({"output"} if listed else frozenset())

    def of(self, output: int, words: Mapping[str, str]) -> Commands:
        """How the answer about one output is read.

        Args:
            output: from 1, where ``bit`` or ``character`` is a list.
            words: what stands for the placeholders in ``match``.
        """
        match = PLACE.sub(lambda found: re.escape(words.get(found[1], found[0])), self.match)
        return self.model_copy(
            update={
                "bit": _its(self.bit, output),
                "character": _its(self.character, output),
                "match": match,
            }
        )

    @property
    def names(self) -> frozenset[str]:
        """Placeholders in any of its messages, those of further questions too."""
        found: set[str] = set()
        for one in (self, *self.also):
            for text in (*one.send, *one.after):
                try:
                    found.update(Template(text).names)
                except TemplateError:
                    continue  # told by the checks
        return frozenset(found)


def _its(value: int | tuple[int, ...] | None, output: int) -> int | None:
    return value[output - 1] if isinstance(value, tuple) else value


class _Shorthand:
    """In the JSON Schema: a command, a list of commands, the table, or a list of tables."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        table = handler(core_schema)
        return {"anyOf": [*_TEXTS["anyOf"], table, {"type": "array", "items": table}]}


Entry = Annotated[Commands, BeforeValidator(_as_table), _Shorthand()]
