"""``steps``, ``example``, ``check`` of several files; JSON Schemas in another's validator."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from seqrun.cli.reference import EXAMPLES
from seqrun.files.kinds import kind_of
from seqrun.files.schema import KINDS, schema
from seqrun.files.shipped import root
from seqrun.steps.base import kinds, measurands
from seqrun.steps.keys import COMMON, OF_KIND, described

Seqrun = Callable[..., tuple[int, str, str]]
SHIPPED = sorted(
    p
    for folder in ("sequences", "drivers")
    for p in (root() / folder).rglob("*.toml")
    if p.parent.name != "examples" or p.stem != "bench"
)


@cache
def validator(kind: str) -> jsonschema.Draft202012Validator:
    words = {name: of.what for name, of in measurands().items()}
    keys = {name: described(one) for name, one in kinds().items()}
    return jsonschema.Draft202012Validator(schema(kind, kinds(), words, keys))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_schema_is_one_to_an_independent_validator(kind: str) -> None:
    jsonschema.Draft202012Validator.check_schema(validator(kind).schema)


@pytest.mark.parametrize("kind", sorted(kinds()))
def test_every_key_of_every_kind_of_step_is_described(kind: str) -> None:
    lacking = [key for key, words in described(kinds()[kind]).items() if not words.strip()]
    assert not lacking


def test_nothing_is_described_that_no_step_has() -> None:
    keys = {key for kind in kinds().values() for key in kind.model_fields}
    assert COMMON.keys() <= keys
    assert all(key in kinds()[kind].model_fields for kind, key in OF_KIND)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: f"{p.parent.name}-{p.stem}")
def test_a_shipped_file_passes_its_schema_in_an_independent_validator(path: Path) -> None:
    found = tomllib.loads(path.read_text(encoding="utf-8"))
    plain = json.loads(json.dumps(found, default=str))  # dates as texts, as JSON has them
    wrong = validator(kind_of(path)).iter_errors(plain)
    errors = [f"{list(e.absolute_path)}: {e.message[:200]}" for e in wrong]
    assert not errors


def test_a_wrong_key_is_one_error_in_the_kind_that_was_chosen() -> None:
    text = (root() / EXAMPLES["sequence"]).read_text(encoding="utf-8")
    wrong: dict[str, Any] = tomllib.loads(text.replace("healthy_current =", "healthy_curent ="))
    told = " ".join(e.message for e in validator("sequence").iter_errors(wrong))
    assert "healthy_curent" in told and len(told) < 400
    unknown = tomllib.loads(text.replace('"ramp_supply"', '"ramp_suply"'))
    (error,) = validator("sequence").iter_errors(unknown)
    assert list(error.absolute_path)[-1] == "do"


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "driver"])
def test_a_schema_tells_users_nothing_from_memory(kind: str) -> None:
    assert "from memory" not in json.dumps(validator(kind).schema)


@pytest.mark.parametrize("kind", EXAMPLES)
def test_an_example_passes_check_as_it_is_printed(seqrun: Seqrun, kind: str) -> None:
    code, out, err = seqrun("example", kind)
    assert code == 0, err
    assert sum("#" in line for line in out.splitlines()) >= 5, "it is commented"
    Path(f"my-{kind}.toml").write_text(out, encoding="utf-8")
    code, _, err = seqrun("check", f"my-{kind}.toml")
    assert code == 0, err


def test_the_gaps_of_the_bench_example_are_marked(seqrun: Seqrun) -> None:
    lines = seqrun("example", "bench")[1].splitlines()
    for line in lines:
        if line.startswith(("resource", "driver", "resistance", "tolerance", "power", "kind")):
            assert "FILL IN" in line


def test_the_example_sequence_is_a_whole_run_on_the_simulated_bench(seqrun: Seqrun) -> None:
    Path("my-sequence.toml").write_text(seqrun("example", "sequence")[1], encoding="utf-8")
    code, _, err = seqrun("run", "my-sequence.toml", "--bench", "demo", "--serial", "TRY-1")
    assert code == 0, err


def test_an_example_of_nothing_known_names_the_kinds(seqrun: Seqrun) -> None:
    code, _, err = seqrun("example", "sequense")
    assert code == 2 and "sequence" in err


def test_check_holds_files_against_one_another_and_takes_shipped_names(seqrun: Seqrun) -> None:
    for kind in ("unit", "bench"):
        Path(f"{kind}.toml").write_text(seqrun("example", kind)[1], encoding="utf-8")
    code, out, err = seqrun("check", "unit.toml", "bench.toml", "intake", "demo-2x40")
    assert code == 0, err
    assert "intake.toml on bench.toml" in out and "bench.toml with unit.toml: they fit" in out
    mono = Path("unit.toml").read_text(encoding="utf-8").replace('["left", "right"]', '["mid"]')
    Path("unit.toml").write_text(mono, encoding="utf-8")
    code, _, err = seqrun("check", "unit.toml", "bench.toml")
    assert code == 2
    assert "bench.toml" in err and ("left" in err or "mid" in err)


def test_check_of_a_name_that_nothing_has_says_the_nearest(seqrun: Seqrun) -> None:
    code, _, err = seqrun("check", "acceptence")
    assert code == 2 and "acceptance" in err


def test_steps_lists_every_kind_and_tells_the_keys_of_one(seqrun: Seqrun) -> None:
    out = seqrun("steps")[1]
    assert all(f"{name} " in out for name in kinds())
    out = seqrun("steps", "ramp_supply")[1]
    assert "healthy_current" in out and "must be given" in out
    assert max(map(len, out.splitlines())) <= 80
    assert seqrun("explain", "ramp-supply")[1] == out
    code, _, err = seqrun("steps", "ramp_suply")
    assert code == 2 and "ramp_supply" in err


def test_the_tutorial_of_the_readme_runs_as_it_stands(seqrun: Seqrun) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    (text,) = (b for b in readme.split("```") if b.startswith("toml\ntitle"))
    Path("first.toml").write_text(text.removeprefix("toml\n"), encoding="utf-8")
    assert len(text.strip().splitlines()) <= 20
    code, out, err = seqrun("run", "first.toml", "--bench", "demo", "--serial", "TRY-1")
    assert code == 0, err + out
    code, out, _ = seqrun("run", "first.toml", "--bench", "demo", "--serial", "TRY-2", "--fault",
                          "dc_offset@left")  # fmt: skip
    assert code in (1, 3)


def test_check_finds_a_reversed_rail_without_any_sequence(seqrun: Seqrun) -> None:
    text = seqrun("example", "bench")[1]
    wrong = text.replace('"supply.1.pos"\nto = "rail.pos"', '"supply.1.neg"\nto = "rail.pos"')
    wrong = wrong.replace('"supply.1.neg"\nto = "ground"', '"supply.1.pos"\nto = "ground"')
    assert wrong != text
    Path("bench.toml").write_text(wrong, encoding="utf-8")
    code, _, err = seqrun("check", "bench.toml", "demo-2x40")
    assert code == 2
    assert "bench.toml" in err and "rail would be reversed" in err
