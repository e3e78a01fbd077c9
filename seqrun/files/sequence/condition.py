"""``only_if``: what earlier steps must have come to before a step is done."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from seqrun.errors import FileError
from seqrun.quantity import custom_error
from seqrun.values import Verdict

STATES = ("passed", "failed", "measured", "not measured")
_GOOD = frozenset({Verdict.PASS, Verdict.CONDITIONAL_PASS})
_BAD = frozenset({Verdict.FAIL, Verdict.CONDITIONAL_FAIL})


class OnlyIf:
    """``"offset.left passed"``: what an earlier step must have come to."""

    __slots__ = ("_plain", "pattern", "state")

    def __init__(self, text: str) -> None:
        pattern, _, state = text.strip().partition(" ")
        self.pattern, self.state = pattern, " ".join(state.split())
        self._plain = not any(mark in pattern for mark in "*?[")
        if self.state not in STATES:
            raise FileError(
                f'"{text}"', expected="an id and then passed, failed, measured or not measured"
            )

    def matches(self, ids: Iterable[str]) -> list[str]:
        """The ids that it is about."""
        if self._plain:
            return [i for i in ids if i == self.pattern]
        return [i for i in ids if fnmatch.fnmatchcase(i, self.pattern)]

    def holds(self, verdicts: Mapping[str, Iterable[Verdict]]) -> bool:
        """Whether it is so, given the verdicts of the readings of each step done so far.

        A reading without a limit (``Verdict.NONE``) counts as measured, neither passed nor
        failed; a step that was skipped has no verdicts and is not measured.
        """
        groups = [list(verdicts[i]) for i in self.matches(verdicts)]
        if not groups:
            return self.state == "not measured"
        missing = [not g or Verdict.NOT_MEASURED in g for g in groups]
        if self.state == "measured":
            return not any(missing)
        if self.state == "not measured":
            return any(missing)
        if self.state == "failed":
            return any(v in _BAD for g in groups for v in g)
        judged = [[v for v in g if v is not Verdict.NONE] for g in groups]
        return all(g and all(v in _GOOD for v in g) for g in judged)

    def __str__(self) -> str:
        return f"{self.pattern} {self.state}"

    def __repr__(self) -> str:
        return f"Condition({str(self)!r})"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, OnlyIf) and str(self) == str(other)

    def __hash__(self) -> int:
        return hash(str(self))

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(cls._from_file)

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: Any) -> dict[str, Any]:
        return {"type": "string", "examples": ["offset.left passed", "offset.* failed"]}

    @classmethod
    def _from_file(cls, value: Any) -> OnlyIf:
        if isinstance(value, OnlyIf):
            return value
        try:
            return cls(value if isinstance(value, str) else repr(value))
        except FileError as problem:
            raise custom_error(problem.found, problem.expected or "a condition") from problem
