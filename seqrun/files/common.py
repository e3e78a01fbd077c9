"""What all kinds of file share: reading TOML, the strict model, and errors that say where.

A file is checked as a whole and every problem in it is listed, so that one round of editing can
mend it.
"""

from __future__ import annotations

import codecs
import difflib
import re
import tomllib
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import UnionType
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, PrivateAttr, ValidationError

from seqrun.errors import FileError

LARGEST_FILE = 1_000_000  # bytes; a hand-written file is a hundred times smaller


class Strict(BaseModel):
    """Frozen, and no key beside the declared ones."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        populate_by_name=False,
        arbitrary_types_allowed=True,
        defer_build=True,  # of a hundred kinds of step a file uses few: built when first used
    )


class FileModel(Strict):
    """The whole of one file. ``path`` and ``text`` are as it was read ("" when made in memory)."""

    _path: Path = PrivateAttr(default=Path())
    _text: str = PrivateAttr(default="")

    @property
    def path(self) -> Path:
        return self._path

    @property
    def text(self) -> str:
        return self._text


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in a file."""

    where: str
    found: str
    expected: str = ""

    def __str__(self) -> str:
        lead = f"{self.where}: " if self.where else ""
        return f"{lead}{self.found}" + (f"; expected {self.expected}" if self.expected else "")


class ProblemsError(FileError):
    """A file with more than one thing wrong; ``problems`` lists them all."""

    def __init__(self, path: object, problems: Sequence[Problem], hint: str | None = None) -> None:
        self.problems = tuple(problems)
        listed = "\n".join(f"  {i}. {p}" for i, p in enumerate(problems, 1))
        super().__init__(f"{len(problems)} things are wrong:\n{listed}", where=str(path), hint=hint)


def refuse(path: object, problems: Sequence[Problem], hint: str | None = None) -> None:
    """Raise a FileError for the problems, if there are any."""
    if not problems:
        return
    if len(problems) > 1:
        raise ProblemsError(path, problems, hint)
    only = problems[0]
    where = f"{path}: {only.where}" if only.where else str(path)
    raise FileError(only.found, expected=only.expected or None, where=where, hint=hint)


_SENSES = (
    (("pos", "plus", "positive", "hot", "hi", "high"), ("neg", "minus", "negative", "cold", "lo")),
    (("left", "lh", "l"), ("right", "rh", "r")),
    (("upper", "top"), ("lower", "bottom", "low")),
    (("front",), ("rear", "back")),
)


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name nearest to ``name``, when it can be the one that was meant; else None.

    A name of the other polarity, of another channel or another number cannot, however alike they
    look: ``rail.minus`` is not ``rail.pos``.
    """
    names = list(known)
    for close in difflib.get_close_matches(name, names, 5, 0.6):
        if not _another(name, close, names):
            return close
    return None


def _parts(name: str) -> list[str]:
    return name.lower().replace("_", ".").replace("-", ".").split(".")


def _another(name: str, close: str, names: Sequence[str]) -> bool:
    """Whether a known name is of another side, channel or number than the one that was written."""
    written, there = _parts(name), _parts(close)
    for one, other in _SENSES:
        says, means = _sense(written, one, other), _sense(there, one, other)
        if says and means and says != means:
            return True
    if len(written) != len(there) or len(written) < 2:
        return False
    for place, (mine, its) in enumerate(zip(written, there, strict=True)):
        if mine == its:
            continue
        elsewhere = {parts[place] for n in names if len(parts := _parts(n)) == len(written)}
        if mine in elsewhere or (mine.isdigit() and its.isdigit()):
            return True
    return False


def _sense(parts: Sequence[str], one: Sequence[str], other: Sequence[str]) -> int:
    """1, -1 or 0 for a name that says the one, the other, or neither; slips of the pen count."""
    said = 0
    for part in parts:
        like = difflib.get_close_matches(part, [*one, *other], 1, 0.7)
        if part in one or (like and like[0] in one):
            said += 1
        elif part in other or like:
            said -= 1
    return said


def one_of(name: str, known: Iterable[str], what: str = "one of") -> str:
    """What to expect instead of an unknown name: the nearest, or all."""
    names = list(known)
    near = nearest(name, names)
    if near is not None:
        return f"'{near}', the nearest known name"
    listed = ", ".join(names[:24]) + (" …" if len(names) > 24 else "")
    return f"{what} {listed}" if names else "there is none to choose from"


def read_text(path: Path) -> str:
    """The text of a file.

    Raises:
        FileError: missing, a folder, too large, not UTF-8.
    """
    try:
        if path.is_dir():
            raise FileError("is a folder", expected="a TOML file", where=str(path))
        if not path.is_file() and path.exists():
            raise FileError("is a pipe or a device", expected="a TOML file", where=str(path))
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
        if len(data) > LARGEST_FILE:
            raise FileError("is larger than 1 MB", expected="a TOML file", where=str(path))
        return data.decode("utf-8-sig")
    except FileNotFoundError:
        near = _similar_file(path)
        if path.is_symlink():
            there = path.readlink()
            raise FileError(
                f"is a link to '{there}', which is not there", where=str(path)
            ) from None
        raise FileError(
            "there is no such file", expected=near and f"did you mean '{near}'?", where=str(path)
        ) from None
    except UnicodeDecodeError as problem:
        wide = problem.object[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
        raise FileError(
            "is UTF-16" if wide else f"byte {problem.start} is not UTF-8",
            expected="UTF-8 text",
            where=str(path),
            hint="save it anew with the encoding UTF-8, as an editor's 'save as' offers",
        ) from None
    except (OSError, ValueError) as problem:
        raise FileError(f"cannot be read: {problem}", where=str(path)) from problem


def _similar_file(path: Path) -> str | None:
    try:
        return nearest(path.name, [p.name for p in path.parent.iterdir() if p.suffix == ".toml"])
    except OSError:
        return None


#: the parts of a dotted key, more of them than anybody writes
_MANY_PARTS = re.compile(r"(?:(?<![\w-])[\w-]{1,80}+[\"']?[ \t]{0,9}+\.[ \t]{0,9}+[\"']?){100}")


def parse_toml(text: str, where: object) -> dict[str, Any]:
    """TOML text as plain tables.

    Raises:
        FileError: with line and column of the syntax error.
    """
    if _MANY_PARTS.search(text):  # the library's time grows with the square of them
        raise FileError("is nested too deep", expected="a few levels", where=str(where))
    try:
        return {key: _own(value) for key, value in _tables(text).items()}
    except ValueError as problem:  # also that of a number of thousands of digits
        raise FileError(
            f"is not TOML: {problem}",
            where=str(where),
            hint='text goes in quotes ("50 mV"), tables in [brackets]',
        ) from None
    except RecursionError:
        raise FileError("is nested too deep", expected="a few levels", where=str(where)) from None


@lru_cache(maxsize=64)
def _tables(text: str) -> dict[str, Any]:
    """TOML text as plain tables, read once: what ships is asked for again and again. Whoever gets
    them must not write to them."""
    return tomllib.loads(text)


def _own(value: Any) -> Any:
    """A copy of what stands in a table, to its bottom."""
    if isinstance(value, dict):
        return {key: _own(inner) for key, inner in value.items()}
    return [_own(inner) for inner in value] if isinstance(value, list) else value


M = TypeVar("M", bound=FileModel)


def load(
    model: type[M],
    path: Path,
    more: Callable[[M], Iterable[Problem]] | None = None,
) -> M:
    """Read a file into its model; ``more`` finds what is wrong between the keys.

    Raises:
        FileError: listing everything that is wrong.
    """
    return load_text(model, read_text(path), path, more)


def load_text(
    model: type[M],
    text: str,
    path: Path,
    more: Callable[[M], Iterable[Problem]] | None = None,
    anyhow: Callable[[dict[str, Any]], Iterable[Problem]] | None = None,
) -> M:
    """The same from text in memory; ``path`` is what errors call it.

    ``anyhow`` finds what can be found in a table that does not fit the model.
    """
    table = parse_toml(text, path)
    loaded, problems = validate(model, table)
    if loaded is not None and more is not None:
        problems = [*problems, *more(loaded)]
    elif anyhow is not None:
        problems = [*problems, *anyhow(table)]
    refuse(path, problems)
    assert loaded is not None
    loaded._path, loaded._text = path, text
    return loaded


B = TypeVar("B", bound=BaseModel)


def validate(
    model: type[B],
    data: Mapping[str, Any],
    prefix: str = "",
    names: Mapping[tuple[str | int, ...], str] | None = None,
) -> tuple[B | None, list[Problem]]:
    """Data against a model: the object, or what is wrong with it.

    Args:
        prefix: put before each place, e.g. ``"step 'offset'"``.
        names: what to call entries of arrays, by location.
    """
    try:
        return model.model_validate(dict(data)), []
    except ValidationError as problem:
        errors = problem.errors(include_url=False)
        places = [tuple(error["loc"]) for error in errors]
        found = [
            _translate(model, data, error, prefix)
            for error, place in zip(errors, places, strict=True)
            # A list is called too short for the entries of it that are wrong.
            if error["type"] != "too_short"
            or not any(len(other) > len(place) and other[: len(place)] == place for other in places)
        ]
        return None, list(dict.fromkeys(found))
    except RecursionError:
        return None, [Problem(prefix, "is nested too deep", "a few levels")]


def _translate(model: type[BaseModel], data: Any, error: Any, prefix: str) -> Problem:
    location = tuple(error["loc"])
    kind, context = error["type"], error.get("ctx", {})
    where = ", ".join(p for p in (prefix, describe(location, data)) if p)
    value = _raw(data, location, error.get("input"))
    if kind == "seqrun":
        return Problem(where, context["found"], context["expected"])
    if kind == "extra_forbidden":
        parent = ", ".join(p for p in (prefix, describe(location[:-1], data)) if p)
        known = known_keys(model, location[:-1])
        return Problem(parent, f"unknown key '{location[-1]}'", one_of(str(location[-1]), known))
    if kind == "missing":
        parent = ", ".join(p for p in (prefix, describe(location[:-1], data)) if p)
        return Problem(parent, f"key '{location[-1]}' is missing", _hint(model, location))
    if kind == "literal_error":
        allowed = str(context["expected"]).replace(" or ", ", ").split(", ")
        return Problem(where, _show(value), one_of(str(value), [a.strip("'") for a in allowed]))
    if kind in _EXPECTED:
        return Problem(where, _show(value), _EXPECTED[kind])
    if kind == "string_pattern_mismatch":
        hint = _hint(model, location) if isinstance(location[-1], str) else ""
        return Problem(where, _show(value), hint or "small letters, digits and _")
    if kind in ("too_short", "too_long"):
        most = context.get("max_length") if kind == "too_long" else None
        wanted = f"at most {most}" if most is not None else f"at least {context['min_length']}"
        return Problem(where, _show(value), f"{wanted} of them")
    message = str(error["msg"])
    message = message.removeprefix("Input should be ").removeprefix("Value error, ")
    return Problem(where, _show(value), message[:1].lower() + message[1:])


_TEXT, _LIST, _TABLE = 'text in "quotes"', "a list in [brackets]", "a table"
_EXPECTED = {
    "string_type": _TEXT,
    "tuple_type": _LIST,
    "list_type": _LIST,
    "dict_type": _TABLE,
    "model_type": _TABLE,
    "model_attributes_type": _TABLE,
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "date_type": "a date such as 2026-05-11",
    "date_parsing": "a date such as 2026-05-11",
    "date_from_datetime_parsing": "a date such as 2026-05-11",
    "date_from_datetime_inexact": "a date such as 2026-05-11",
}


def _raw(data: Any, location: Sequence[str | int], otherwise: Any) -> Any:
    """The value as it stands in the file, before a quantity became a float."""
    for item in location:
        try:
            data = data[item]
        except (LookupError, TypeError):
            return otherwise
    return data


def _hint(model: type[BaseModel], location: tuple[str | int, ...]) -> str:
    """What a missing key is for, from its field's description."""
    owner = _model_at(model, location[:-1])
    for name, field in (owner.model_fields if owner else {}).items():
        if location[-1] in (name, field.alias) and field.description:
            return field.description
    return f"a value for '{location[-1]}'"


def _show(value: Any) -> str:
    if isinstance(value, dict):
        return "a table" if value else "an empty table"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 80 else text[:77] + "…"


def describe(location: Sequence[str | int], data: Any) -> str:
    """A place in a file as people call it: ``step 3 'offset', limit.between``."""
    parts: list[str] = []
    here = data
    for item in location:
        if isinstance(item, int):
            here = here[item] if isinstance(here, list) and item < len(here) else None
            label = ""
            if isinstance(here, dict):
                named = here.get("id") or here.get("name") or here.get("from") or ""
                label = f" '{named}'" if isinstance(named, str) and named else ""
            if parts:
                parts[-1] = f"{parts[-1]} {item + 1}{label}"
            continue
        if isinstance(here, dict):
            here = here.get(item)
        elif here is not None:
            continue  # a branch of a union, which is no key of the file
        parts.append(item)
    return (
        ".".join(parts)
        if len(parts) < 2 or " " not in parts[0]
        else (f"{parts[0]}, {'.'.join(parts[1:])}")
    )


@lru_cache(maxsize=256)
def _keys_of(model: type[BaseModel]) -> tuple[str, ...]:
    return tuple(field.alias or name for name, field in model.model_fields.items())


def known_keys(model: type[BaseModel], location: Sequence[str | int]) -> tuple[str, ...]:
    """The keys that may stand at a place."""
    owner = _model_at(model, location)
    return _keys_of(owner) if owner else ()


def _model_at(model: type[BaseModel], location: Sequence[str | int]) -> type[BaseModel] | None:
    here: Any = model
    for item in location:
        candidates = _models_in(here)
        if not candidates:
            return None
        if isinstance(item, int) or item not in _all_names(candidates):
            continue  # an index, the key of a dictionary, or a union's branch
        for candidate in candidates:
            for name, field in candidate.model_fields.items():
                if item in (name, field.alias):
                    here = field.annotation
    found = _models_in(here)
    return found[0] if found else None


def _all_names(models: Iterable[type[BaseModel]]) -> set[str | int]:
    return {key for model in models for key in _keys_of(model)}


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    """The models inside an annotation: ``tuple[Lead, ...] | None`` holds Lead."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    if isinstance(annotation, UnionType) or typing.get_origin(annotation) is not None:
        return [m for part in typing.get_args(annotation) for m in _models_in(part)]
    return []
