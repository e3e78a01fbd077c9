"""JSON Schemas of the files, so that editors complete and check while one writes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, TypeAdapter

from seqrun.errors import UsageError
from seqrun.files.bench.file import Bench
from seqrun.files.common import one_of
from seqrun.files.sequence.fields import StepFields
from seqrun.files.sequence.file import Sequence
from seqrun.files.unit.sheet import Unit

KINDS = ("sequence", "unit", "bench", "driver", "findings", "costs")
Descriptions = Mapping[str, Mapping[str, str]]
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema(
    kind: str,
    step_kinds: Mapping[str, type[StepFields]],
    quantities: Mapping[str, str] | None = None,
    descriptions: Descriptions | None = None,
) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a kind of file.

    Args:
        quantities: name -> what it is, of every quantity that a step yields.
        descriptions: kind of step -> key -> what it means.

    Raises:
        UsageError: an unknown kind.
    """
    if kind not in KINDS:
        raise UsageError(
            f"'{kind}' is no kind of file", expected=one_of(kind, KINDS), where="schema"
        )
    if kind == "sequence":
        return {"$schema": DIALECT, **_as_written(_sequence(step_kinds, descriptions))}
    if kind == "findings":
        return {"$schema": DIALECT, **_as_written(_findings(quantities or {}))}
    return {"$schema": DIALECT, **_as_written(_model(kind).model_json_schema(by_alias=True))}


def _model(kind: str) -> type[BaseModel]:
    if kind == "unit":
        return Unit
    if kind == "bench":
        return Bench
    if kind == "costs":
        from seqrun.files.costs import CostSheet

        return CostSheet
    from seqrun.files.driver.file import Driver

    driver: type[BaseModel] = Driver
    return driver


def _sequence(
    step_kinds: Mapping[str, type[StepFields]], descriptions: Descriptions | None = None
) -> dict[str, Any]:
    whole = Sequence.model_json_schema(by_alias=True)
    definitions: dict[str, Any] = whole.setdefault("$defs", {})
    branches: list[dict[str, Any]] = []
    for name, model in step_kinds.items():
        one = TypeAdapter(model).json_schema(by_alias=True)
        definitions |= one.pop("$defs", {})
        told = (one.pop("description", "") or "").split("\n\n")[0]
        properties = one["properties"]
        for key, value in properties.items():
            properties[key] = _or_placeholder(value, definitions | one.get("$defs", {}))
            if words := (descriptions or {}).get(name, {}).get(key):
                properties[key] = {**properties[key], "description": words}
        if model.limit_words:
            properties["limit"]["description"] = f"held against: {model.limit_words}"
        else:  # nothing to hold it against: an editor need not offer it
            del properties["limit"], properties["settle"]
        properties["do"] = {"const": name, "description": " ".join(told.split())}
        definitions[f"step_{name}"] = one
        chosen = {"properties": {"do": {"const": name}}, "required": ["do"]}
        branches.append({"if": chosen, "then": {"$ref": f"#/$defs/step_{name}"}})
    # The kind is chosen by 'do' first, so that an editor names the key that is wrong in it instead
    # of what is wrong with every other kind.
    do = {"enum": list(step_kinds), "description": "the kind of step"}
    whole["properties"]["step"]["items"] = {
        "type": "object",
        "required": ["do"],
        "properties": {"do": do} if branches else {},
        "allOf": branches,
    }
    return whole


def _findings(quantities: Mapping[str, str]) -> dict[str, Any]:
    from seqrun.files.findings.file import ENTRIES, FindingsFile

    whole = FindingsFile.model_json_schema(by_alias=True)
    definitions: dict[str, Any] = whole.setdefault("$defs", {})
    for name, model in ENTRIES.items():
        one = model.model_json_schema(by_alias=True)
        definitions |= one.pop("$defs", {})
        if "quantity" in one["properties"] and quantities:
            one["properties"]["quantity"] |= _one_or_more(quantities)
        definitions[name] = one
        whole["properties"][name]["items"] = {"$ref": f"#/$defs/{name}"}
    return whole


def _one_or_more(quantities: Mapping[str, str]) -> dict[str, Any]:
    """One name of a quantity or a list of them, each with its words; a placeholder may stand in
    it."""
    names: list[dict[str, str]] = [
        {"const": name, "description": words} for name, words in quantities.items()
    ]
    one = {"anyOf": [*names, {"type": "string", "pattern": r"\{[a-z][a-z0-9_]*\}"}]}
    return {"anyOf": [one, {"type": "array", "items": one}]}


def _or_placeholder(field: dict[str, Any], definitions: Mapping[str, Any]) -> dict[str, Any]:
    """A number, or a word of a list, may also come from ``each``: ``"{level}"``."""
    listed = definitions.get(str(field.get("$ref", "")).rpartition("/")[2], field)
    if field.get("type") not in ("integer", "number") and "enum" not in listed:
        return field
    kept: dict[str, Any] = {
        key: field[key] for key in ("description", "default", "title") if key in field
    }
    rest: dict[str, Any] = {key: value for key, value in field.items() if key not in kept}
    return {**kept, "anyOf": [rest, {"type": "string", "pattern": r"^\{[a-z][a-z0-9_]*\}$"}]}


def _as_written(node: dict[str, Any]) -> dict[str, Any]:
    """Without defaults in base units: a file holds texts there, and an editor would offer them."""

    def visit(here: Any) -> Any:
        if isinstance(here, list):
            return [visit(item) for item in here]
        if not isinstance(here, dict):
            return here
        kept = {key: visit(value) for key, value in here.items()}
        default = kept.get("default")
        takes_numbers = _takes_numbers(kept)
        if default is None or (not takes_numbers and isinstance(default, float | list)):
            kept.pop("default", None)
        return kept

    visited: dict[str, Any] = visit(node)
    return visited


def _takes_numbers(field: dict[str, Any]) -> bool:
    kinds = field.get("type")
    listed = kinds if isinstance(kinds, list) else [kinds]
    return bool({"number", "integer"} & set(listed)) or any(
        _takes_numbers(branch) for branch in field.get("anyOf", ())
    )
