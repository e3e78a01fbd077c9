"""Files of every kind, spoilt at random, and what reads each kind: a message or a result, never a
traceback."""

from __future__ import annotations

import contextlib
import io
import json
import random
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from seqrun.files.shipped import folder, shipped
from seqrun.runner.preparation import check_file, prepare

NASTY = (
    *('""', '"x"', '"nan V"', '"-1 V"', '"1e999 V"', '"50 mA"', '"{channel}"', '"left"', "nan"),
    *("-inf", "1e999", "-1", "0", "99999999999999999999", "true", "[]", "{}", "[[]]", "[1, 2]"),
    *('["a", "a"]', '"é\\u0000"', '"1/0"', '"(1"', '"a.b.c"', '"10 ** 10 ** 10"', "2026-01-01"),
    *(
        '"1 MV"',
        '"1e-30 V"',
        "0.0",
        "[{}]",
        '"\\u001b[31m"',
        '"' + "x" * 5000 + '"',
        '"*"',
        "{x=1}",
    ),
)
CELLS = (
    *("", "nan", "inf", "-1", "1e999", "x", "true", "PASS", '"', "a,b", "\x00", "'", "=1+1", "é"),
    *("2026-13-45T99:00:00Z", "0x10", "1_000", "-", " ", "maybe", "\x1b[31m", "9" * 400),
)
NODES: tuple[object, ...] = (
    None,
    True,
    -1,
    1e308,
    "",
    "x",
    [],
    {},
    [[]],
    {"a": {}},
    "9" * 300,
    [1],
)


def spoil(text: str, kind: str, rng: random.Random) -> bytes:
    """A text with one to three things spoilt in it."""
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        ways = [*_ANY, *_OF_KIND[kind]]
        text = rng.choice(ways)(text, rng)
    data = text.encode("utf-8", "replace")
    if rng.random() < 0.03 and data:
        at = rng.randrange(len(data))
        data = data[:at] + bytes([rng.randrange(256)]) + data[at + 1 :]
    return data


def _span(text: str, rng: random.Random) -> tuple[int, int]:
    begin = rng.randrange(len(text) + 1)
    return begin, min(len(text), begin + rng.choice((1, 1, 3, 20, 300)))


def _cut(text: str, rng: random.Random) -> str:
    begin, end = _span(text, rng)
    return text[:begin] + text[end:]


def _twice(text: str, rng: random.Random) -> str:
    begin, end = _span(text, rng)
    return text[:end] + text[begin:end] + text[end:]


def _torn(text: str, rng: random.Random) -> str:
    return text[: rng.randrange(len(text) + 1)]


def _letter(text: str, rng: random.Random) -> str:
    begin = rng.randrange(len(text) + 1)
    return text[:begin] + rng.choice("\x00\x1b\"'[]{}=,.#\n\r\\9-é") + text[begin + 1 :]


def _lines(text: str, rng: random.Random) -> str:
    lines = text.splitlines(keepends=True) or [""]
    one, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    way = rng.randrange(3)
    if way == 0:
        del lines[one]
    elif way == 1:
        lines.insert(other, lines[one])
    else:
        lines[one], lines[other] = lines[other], lines[one]
    return "".join(lines)


def _value(text: str, rng: random.Random) -> str:
    found = list(re.finditer(r"(?m)(?<=[=,{\[] )[^\s#][^#\n]*?(?=\s*(?:#|$|,|\}))", text))
    return _put(text, found, rng, rng.choice(NASTY))


def _word(text: str, rng: random.Random) -> str:
    found = list(re.finditer(r"[A-Za-z_][\w.]*", text))
    return _put(text, found, rng, rng.choice(found).group() if found else "")


def _number(text: str, rng: random.Random) -> str:
    found = list(re.finditer(r"-?\d+(?:\.\d+)?", text))
    return _put(text, found, rng, rng.choice(("0", "-1", "nan", "1e300", "1e-300", "7" * 30, "")))


def _put(text: str, found: list[re.Match[str]], rng: random.Random, new: str) -> str:
    if not found:
        return text + new
    one = rng.choice(found)
    return text[: one.start()] + new + text[one.end() :]


def _cell(text: str, rng: random.Random) -> str:
    lines = text.split("\n")
    row = rng.randrange(len(lines))
    cells = lines[row].split(",")
    cells[rng.randrange(len(cells))] = rng.choice(CELLS)
    lines[row] = ",".join(cells)
    return "\n".join(lines)


def _node(text: str, rng: random.Random) -> str:
    try:
        tree = json.loads(text)
    except ValueError:
        return text
    here, path = tree, []
    while isinstance(here, dict | list) and here and (not path or rng.random() < 0.8):
        key = rng.choice(list(here) if isinstance(here, dict) else list(range(len(here))))
        path.append((here, key))
        here = here[key]
    if not path:
        return json.dumps(rng.choice(NODES))
    holder, key = path[-1]
    if rng.random() < 0.2:
        del holder[key]
    else:
        holder[key] = rng.choice(NODES)
    return json.dumps(tree)


_ANY = (_cut, _twice, _torn, _letter, _lines)
_TOML = (_value, _value, _value, _value, _word, _word, _number, _number)
_OF_KIND: dict[str, tuple[Callable[[str, random.Random], str], ...]] = {
    **dict.fromkeys(("sequence", "unit", "bench", "driver", "findings", "costs"), _TOML),
    **dict.fromkeys(("readings.csv", "runs.csv"), (_cell,) * 8 + (_number,)),
    "run.json": (_node,) * 8,
}
KINDS = tuple(_OF_KIND)


@dataclass(frozen=True)
class Reader:
    """Reads a spoilt file of one kind, and all that stands on it."""

    kind: str
    text: str
    read: Callable[[bytes], object]


def readers(kind: str, place: Path, record: Path | None = None) -> list[Reader]:
    """What reads files of a kind, one for each that there is.

    Args:
        place: a folder for the spoilt files.
        record: a results folder with a run in it, for the kinds of a record.
    """
    if kind in ("readings.csv", "runs.csv", "run.json"):
        assert record is not None
        return [_of_record(kind, place, record)]
    if kind == "bench":
        return [_of_bench(place)]
    where = folder(kind) if kind != "findings" else folder("findings")
    texts = [path.read_text(encoding="utf-8") for path in sorted(where.glob("*.toml"))]
    return [Reader(kind, text, _of_toml(kind, place / f"{kind}.toml")) for text in texts]


def _of_toml(kind: str, path: Path) -> Callable[[bytes], object]:
    def read(data: bytes) -> object:
        path.write_bytes(data)
        check_file(path)
        if kind == "sequence":
            return prepare(str(path), "demo", None)
        if kind == "unit":
            return prepare("quick", "demo", str(path))
        return None

    return read


@cache
def _demo_bench() -> str:
    import demo_sim
    from seqrun.files.unit.sheet import load_unit

    unit = load_unit("demo-2x40")
    return str(demo_sim.open_bench(unit.plain(), unit_sheet="demo-2x40").bench_toml())


def _of_bench(place: Path) -> Reader:
    path = place / "bench.toml"

    def read(data: bytes) -> object:
        path.write_bytes(data)
        check_file(path)
        return prepare("quick", str(path), None)

    return Reader("bench", _demo_bench(), read)


def _of_record(kind: str, place: Path, record: Path) -> Reader:
    from seqrun.cli.causes import findings_command
    from seqrun.cli.commands import report_command
    from seqrun.cli.past import compare_command, history_command
    from seqrun.face import read_results

    there = place / "results"
    if not there.exists():
        shutil.copytree(record, there)
    original = next(iter(sorted(record.rglob(kind))))
    spoilt = there / original.relative_to(record)
    right = original.read_bytes()

    def read(data: bytes) -> object:
        spoilt.write_bytes(data)
        problem: Exception | None = None
        asked: tuple[Callable[[], object], ...] = (
            lambda: report_command("last", there, budget=True, page=place / "r.html"),
            lambda: findings_command("last", there, costs=None),
            lambda: history_command(None, there, model=None, simulated=True, page=place / "h.html"),
            lambda: compare_command(
                "last", "last", there, matters="10 %", new_ballasts=False, everything=True,
                csv=None, page=place / "c.html",
            ),
            lambda: read_results(there),
        )  # fmt: skip
        try:
            for ask in asked:
                try:
                    with contextlib.redirect_stdout(io.StringIO()):
                        ask()
                except Exception as found:
                    from seqrun.errors import SeqrunError

                    if not isinstance(found, SeqrunError):
                        raise
                    problem = found
            if problem is not None:
                raise problem
        finally:
            spoilt.write_bytes(right)
        return None

    return Reader(kind, right.decode("utf-8"), read)


def names(kind: str) -> list[str]:
    """Shipped files of a kind."""
    return sorted(shipped(kind))
