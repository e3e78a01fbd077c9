"""drivers/README.md names every key that a driver file may have, and its example is a driver."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from pydantic import BaseModel

from seqrun.files.bench.parts import InstrumentEntry
from seqrun.files.driver.commands import Commands
from seqrun.files.driver.equipment import (
    DescriptorField,
    GeneratorSettings,
    MeterSettings,
    ScopeSettings,
    SupplySettings,
)
from seqrun.files.driver.figures import AccuracyRow
from seqrun.files.driver.file import Driver
from seqrun.files.driver.load import driver_from_text
from seqrun.files.driver.manners import Document, Identity, Manners
from seqrun.files.driver.operations import ACCURACY, METER_FUNCTIONS, OPERATIONS

FOLDER = Path(__file__).parents[2] / "drivers"
MODELS: tuple[type[BaseModel], ...] = (
    Driver, Document, Identity, Manners, Commands, SupplySettings, MeterSettings,
    GeneratorSettings, ScopeSettings, DescriptorField, AccuracyRow, InstrumentEntry,
)  # fmt: skip
#: not written by people: what a list of tables becomes when it is read
OWN = {"also"}


@cache
def page() -> str:
    return (FOLDER / "README.md").read_text(encoding="utf-8")


@cache
def code() -> str:
    """What stands in code: between backticks, and in fenced blocks."""
    fenced = re.findall(r"```\w*\n(.*?)```", page(), re.DOTALL)
    return "\n".join([*fenced, *re.findall(r"`([^`\n]+)`", page())])


def keys() -> Iterator[str]:
    for model in MODELS:
        for name, field in model.model_fields.items():
            if name not in OWN:
                yield f"{model.__name__}.{field.alias or name}"


@pytest.mark.parametrize("key", list(keys()))
def test_every_key_of_a_driver_file_is_told(key: str) -> None:
    assert re.search(rf"(?<!\w){key.partition('.')[2]}(?!\w)", code()), key


def test_every_operation_and_placeholder_is_told() -> None:
    said = set(re.findall(r"\w+", code()))
    for role, operations in OPERATIONS.items():
        for name, operation in operations.items():
            function = name.removeprefix("configure_")
            name = function if function in METER_FUNCTIONS else name
            numbered = {p for p in operation.placeholders if re.fullmatch(r"(on|.*)_\d", p)}
            assert {name, *operation.placeholders} - numbered <= said, (role, name)


def test_every_function_of_the_accuracy_table_is_told() -> None:
    said = set(re.findall(r"\w+", code()))
    assert {name for table in ACCURACY.values() for name in table} <= said


def test_the_example_on_the_page_is_a_driver() -> None:
    text = page().partition("## One driver from manual to self-check")[2]
    driver_from_text(re.findall(r"```toml\n(.*?)```", text, re.DOTALL)[0])


def test_the_example_without_an_interface_is_a_driver() -> None:
    text = page().partition("## Without an interface")[2]
    driver = driver_from_text(re.findall(r"```toml\n(.*?)```", text, re.DOTALL)[0])
    assert not driver.remote
    assert not driver.verified
