"""Every command that the tool prints as advice exists with the options it names; those that name no
file of the reader's run as printed, after a run on the simulated bench."""

from __future__ import annotations

import ast
import re
import shlex
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
import typer

import seqrun as package
from seqrun.cli.app import app
from seqrun.files.shipped import shipped

Seqrun = Callable[..., tuple[int, str, str]]
HOUSE = Path(package.__file__).parent
QUOTED = re.compile(r"'seqrun ([a-z][^'\n]*)'")


def advice() -> set[str]:
    """Commands in quotes in every text of the code and of the shipped files."""
    texts = [p.read_text(encoding="utf-8") for p in shipped("sequence").values()]
    texts += [p.read_text(encoding="utf-8") for p in shipped("findings").values()]
    sources = (path.read_text(encoding="utf-8") for path in HOUSE.rglob("*.py"))
    for source in (text for text in sources if "'seqrun" in text):
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                texts.append(" ".join(node.value.split()))
    return {found for text in texts for found in QUOTED.findall(text)}


ADVICE = sorted(advice())
#: words that stand for something of the reader's: a file, a run, a bench
OPEN = re.compile(r"[A-Z]{2,}|…|\.\.\.|\.toml|<|\{")

#: commands that ask, or touch a bench, or stay until they are ended
NOT_HERE = ("run", "bench", "release", "safe", "live")


@cache
def all_commands() -> object:
    return typer.main.get_command(app)


def command_of(words: list[str]) -> tuple[object, list[str]]:
    found = all_commands()
    rest = list(words)
    while rest and hasattr(found, "commands"):
        name = rest.pop(0)
        assert name in found.commands, f"there is no command '{name}'"
        found = found.commands[name]
    return found, rest


def test_there_is_advice_to_look_at() -> None:
    assert len(ADVICE) > 10


@pytest.mark.parametrize("told", ADVICE)
def test_a_command_that_is_printed_exists_with_its_options(told: str) -> None:
    found, rest = command_of(shlex.split(told))
    options = {o for p in found.params for o in (*p.opts, *p.secondary_opts)}  # type: ignore[attr-defined]
    assert {word for word in rest if word.startswith("--")} <= options


#: of the shipped intake: what shows a noisy device, and nothing that soaks
KEPT = (
    "protection",
    "loads_off",
    "ambient",
    "bring_up",
    "pull_in",
    "relays.{channel}",
    "offset.{channel}",
    "noise.{channel}",
    "bursts.{channel}",
    "gain.{channel}",
    "discharge",
)


def shortened_intake() -> str:
    """The shipped sequence with few of its steps, in this folder, by its own name."""
    text = shipped("sequence")["intake"].read_text(encoding="utf-8")
    head, *steps = text.split("[[step]]\n")
    kept = [step for step in steps if step.split('"')[1] in KEPT]
    assert len(kept) == len(KEPT)
    Path("intake.toml").write_text("[[step]]\n".join([head, *kept]), encoding="utf-8")
    return "intake.toml"


def test_what_is_advised_after_a_run_runs_as_printed(seqrun: Seqrun) -> None:
    code, _, err = seqrun("run", shortened_intake(), "--bench", "demo", "--serial", "A-1",
                          "--fault", "noisy_device@left")  # fmt: skip
    assert code == 1, err
    ran = 0
    for told in ADVICE:
        words = shlex.split(told)
        whole = not OPEN.search(told) and words[0] not in NOT_HERE
        if not whole or hasattr(command_of(words)[0], "commands"):
            continue
        missing = [p.name for p in command_of(words)[0].params if p.required]  # type: ignore[attr-defined]
        if len(missing) > len([w for w in words[1:] if not w.startswith("-")]):
            continue  # named as a command, not as a line to type
        code, _, err = seqrun(*words)
        assert code == 0, (told, err)
        ran += 1
    assert ran >= 3


NAMED = re.compile(r"Next: ([^.]*)")


@pytest.mark.parametrize("name", shipped("sequence"))
def test_a_sequence_that_is_told_as_next_is_one_that_ships(name: str) -> None:
    text = shipped("sequence")[name].read_text(encoding="utf-8")
    for advice in NAMED.findall(text):
        for word in re.findall(r"'([a-z][a-z-]*)'", advice):
            assert word in shipped("sequence") or word in text.replace(f"'{word}'", "")
