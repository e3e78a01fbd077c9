"""The JSON Schemas that editors use."""

import json
from typing import ClassVar

import pytest

from seqrun.errors import UsageError
from seqrun.files.schema import schema
from seqrun.files.sequence.file import StepFields


class Voltage(StepFields):
    unit: ClassVar[str] = "V"
    limit_words: ClassVar[str] = "DC voltage: what is there."
    at: str
    repeats: int = 3


class Silent(StepFields):
    limit_words: ClassVar[str] = ""


KINDS: dict[str, type[StepFields]] = {"voltage": Voltage}


def references(node: object) -> set[str]:
    if isinstance(node, dict):
        own = {node["$ref"]} if isinstance(node.get("$ref"), str) else set()
        return own.union(*(references(value) for value in node.values()))
    if isinstance(node, list):
        return set().union(*(references(item) for item in node))
    return set()


@pytest.mark.parametrize("kind", ["sequence", "unit", "bench", "driver"])
def test_every_reference_of_a_schema_leads_somewhere(kind: str) -> None:
    made = schema(kind, KINDS)
    json.dumps(made)
    for reference in references(made):
        assert reference.removeprefix("#/$defs/") in made.get("$defs", {})


def test_quantities_are_texts_in_the_schema() -> None:
    voltage = schema("unit", {})["properties"]["rail_voltage"]
    assert voltage["type"] == "string"


def test_no_default_in_base_units_is_offered_to_the_editor() -> None:
    assert "default" not in schema("unit", {})["properties"]["power_frequency"]


def test_unknown_keys_are_wrong_for_the_editor_too() -> None:
    assert schema("unit", {})["additionalProperties"] is False


def test_keys_are_those_of_the_file() -> None:
    lead = schema("bench", {})["$defs"]["Lead"]["properties"]
    assert set(lead) == {"from", "to"}


def test_each_kind_of_step_is_one_branch() -> None:
    made = schema("sequence", KINDS)
    branch = made["$defs"]["step_voltage"]
    assert branch["properties"]["do"]["const"] == "voltage"
    assert {"id", "do", "at"} <= set(branch["required"])


def test_a_number_in_a_step_may_be_a_placeholder() -> None:
    repeats = schema("sequence", KINDS)["$defs"]["step_voltage"]["properties"]["repeats"]
    assert {"type": "integer"} in repeats["anyOf"]
    assert any(branch.get("type") == "string" for branch in repeats["anyOf"])


def test_an_unknown_kind_brings_the_nearest() -> None:
    with pytest.raises(UsageError, match="'bench'"):
        schema("bnech", {})


def test_a_limit_says_what_it_is_about() -> None:
    limit = schema("sequence", KINDS)["$defs"]["step_voltage"]["properties"]["limit"]
    assert limit["description"] == "held against: DC voltage: what is there."


def test_a_step_that_reads_nothing_is_offered_no_limit() -> None:
    made = schema("sequence", {"silent": Silent})["$defs"]["step_silent"]["properties"]
    assert not {"limit", "settle"} & set(made)


def test_findings_are_offered_the_quantities_that_steps_yield() -> None:
    made = schema("findings", {}, {"gain": "How many times.", "thd": "Harmonics."})
    for entry in ("value", "sign"):
        one = made["$defs"][entry]["properties"]["quantity"]["anyOf"][0]["anyOf"]
        assert [o.get("const") for o in one] == ["gain", "thd", None]
