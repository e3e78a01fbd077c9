"""How an instrument's link wants to be used, and how it is known: tables of a driver file."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema

from seqrun.files import regular
from seqrun.files.common import Strict
from seqrun.quantity import Seconds, custom_error

#: one or two control characters (line feed, carriage return, ETX …), or a prompt
_TERMINATOR = re.compile(r"[\x00-\x1f]{0,2}|[>;#$]")


def _pattern(value: Any) -> Any:
    if isinstance(value, str):
        try:
            regular.compiled(value)
        except regular.PatternError as problem:
            expected = "a regular expression without look-around and back-references"
            raise custom_error(f'"{value[:80]}": {problem}', expected) from None
    return value


def _terminator(value: Any) -> Any:
    if isinstance(value, str) and _TERMINATOR.fullmatch(value) is None:
        expected = r'"\n", "\r\n", "\r", another control character, a prompt such as ">", or ""'
        quotes = " (in double quotes: single ones take it letter by letter)"
        raise custom_error(f"{value!r}", expected + (quotes if "\\" in value else ""))
    return value


def _ascii(value: Any) -> Any:
    if isinstance(value, str) and not (value.isprintable() and value.isascii()):
        raise custom_error(f"{value!r} cannot be sent", "printable ASCII")
    return value


def _stop_bits(value: Any) -> Any:
    if value not in (1, 1.5, 2):
        raise custom_error(f"{value!r}", "1, 1.5 or 2")
    return value


Sent = Annotated[str, BeforeValidator(_ascii), StringConstraints(max_length=200)]
PatternText = Annotated[str, BeforeValidator(_pattern), StringConstraints(max_length=300)]
Terminator = Annotated[str, BeforeValidator(_terminator)]


StopBits = Annotated[float, BeforeValidator(_stop_bits), WithJsonSchema({"enum": [1, 1.5, 2]})]


class SerialLine(Strict):
    """What a serial line has to be set to; None leaves the library's own setting."""

    baud_rate: int | None = Field(default=None, gt=0, description="of a serial line")
    data_bits: int | None = Field(default=None, ge=5, le=8)
    parity: Literal["none", "odd", "even", "mark", "space"] | None = None
    stop_bits: (
        Annotated[float, BeforeValidator(_stop_bits), WithJsonSchema({"enum": [1, 1.5, 2]})] | None
    ) = None
    flow_control: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] | None = None


class Manners(SerialLine):
    """How the link to the instrument wants to be used."""

    write_termination: Terminator = "\n"
    read_termination: Terminator = "\n"
    answer_ends: Literal["terminator", "silence"] = "terminator"
    silence: Seconds = Field(
        default=0.05, gt=0, le=5, description="that ends an answer which has no terminator"
    )
    time_out: Seconds = Field(
        default=5.0, gt=0, le=3600, description='for an answer, such as "5 s"'
    )
    pacing: Seconds = Field(default=0.0, ge=0, le=10, description="pause between two messages")
    headers: bool = Field(
        default=False, description="answers may begin with the header of their query"
    )
    acknowledge: PatternText = Field(
        default="", description="what answers each write that asks nothing; empty: nothing does"
    )
    acknowledged: Literal["writes", "all", "try"] = Field(
        default="writes", description="writes alone, queries too, or found out at opening"
    )
    error_query: Sent = Field(
        default="SYST:ERR?", description="takes one entry from the error queue"
    )
    error_check: Literal["appended", "separate", "none"] = Field(
        default="appended",
        description="the error query as part of each message, as a message of its own, or never",
    )
    no_error: PatternText = Field(
        default=r"^\s*[+-]?0+\s*(,|$)", description="what an empty queue answers"
    )
    clear: Sent = Field(default="*CLS", description="forgets old errors; empty: no such command")


class Identity(Strict):
    """How the instrument is known when it is not by ``*IDN?``."""

    ask: Sent = Field(default="*IDN?", min_length=1, description="the question")
    tells: Literal["identity", "fingerprint", "nothing"] = Field(
        default="identity",
        description="fingerprint: the answer fits the type and names nothing; nothing: it is asked "
        "nothing, because it answers nothing. The bench file's label says which instrument it is",
    )
    asks: bool = Field(default=True, description="an answer comes")
    raw: bool = Field(default=False, description="the question is bytes in hexadecimal")
    length: int | None = Field(default=None, ge=1, le=1000, description="bytes of the answer")
    time_out: Seconds | None = Field(default=None, gt=0, le=60)


class Document(Strict):
    """The document that commands or figures come from."""

    title: Annotated[str, StringConstraints(min_length=1, max_length=200)]
    revision: Annotated[str, StringConstraints(max_length=100)] = ""
    table: Annotated[str, StringConstraints(max_length=200)] = Field(
        default="", description="of a data sheet: which table, on which page"
    )
    status: Literal["read", "from memory", "unverified"]
    note: Annotated[str, StringConstraints(max_length=400)] = ""

    def __str__(self) -> str:
        parts = (self.title, self.revision, self.table, self.status)
        return ", ".join(part for part in parts if part)
