"""The lists that benchmarks go by still fit the code: a rule whose line has gone is switched off by
nobody, and an exception whose line has gone excuses nothing."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

TOP = Path(__file__).parent.parent
LISTS = Path(__file__).parent / "benchmarks"


def entries(name: str, kind: str) -> list[dict[str, Any]]:
    with (LISTS / name).open("rb") as file:
        found: list[dict[str, Any]] = tomllib.load(file)[kind]
    assert found
    return found


@pytest.mark.parametrize(
    ("name", "kind", "key"),
    [("rules.toml", "rule", "was"), ("equivalent_mutants.toml", "equivalent", "line")],
)
def test_what_is_listed_stands_in_the_code(name: str, kind: str, key: str) -> None:
    gone = [
        f"{entry['file']}: {entry[key]}"
        for entry in entries(name, kind)
        if entry[key] not in (TOP / entry["file"]).read_text(encoding="utf-8")
    ]
    assert not gone
