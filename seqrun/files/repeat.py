"""``each`` and placeholders: one entry of a sequence becomes many steps."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from seqrun.errors import FileError
from seqrun.files.common import Problem, one_of
from seqrun.files.expression import fill, placeholders
from seqrun.files.unit.points import HALVES, SIDES
from seqrun.files.unit.sheet import Unit

OVER_UNIT = ("channel", "half", "device", "side", "input", "rail", "ballast", "bank")
MOST = 2000  # steps from one entry
_NAME = re.compile(r"^[a-z][a-z0-9_]{0,31}$")
ID = re.compile(r"^[a-zA-Z_][a-zA-Z0-9_]*([.-][a-zA-Z0-9_]+)*$")
_SPELLED = str.maketrans({"Ω": "ohm", "%": "pct", "°": "deg", "µ": "u", "μ": "u", "+": "", " ": ""})


@dataclass(frozen=True, slots=True)
class Repeat:
    """What an entry is repeated over, slowest first; values are None when the unit has them."""

    over: tuple[tuple[str, tuple[str, ...] | None], ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(name for name, _ in self.over)

    @classmethod
    def read(cls, each: Any) -> Repeat:
        """From the value of ``each``.

        Raises:
            FileError: unknown name, no values, a name twice.
        """
        items = [each] if isinstance(each, str | dict) else each
        if not isinstance(items, list | tuple):
            raise FileError(f"{each!r}", expected='such as "channel" or { level = ["1 W"] }')
        over: list[tuple[str, tuple[str, ...] | None]] = []
        for item in items:
            over += _explicit(item) if isinstance(item, dict) else [(_over_unit(item), None)]
        names = [name for name, _ in over]
        for name in names:
            if names.count(name) > 1:
                raise FileError(f"'{name}' stands twice", expected="each name once")
        return cls(tuple(over))


def _over_unit(item: Any) -> str:
    if isinstance(item, str) and item in OVER_UNIT:
        return item
    if isinstance(item, str) and item in ("level", "frequency", "power", "voltage"):
        raise FileError(f"'{item}' without values", expected=f'{{ {item} = ["…", "…"] }}')
    raise FileError(f"{item!r}", expected=one_of(str(item), OVER_UNIT))


def _explicit(item: Mapping[str, Any]) -> list[tuple[str, tuple[str, ...] | None]]:
    over: list[tuple[str, tuple[str, ...] | None]] = []
    for name, values in item.items():
        if not _NAME.match(name):
            raise FileError(f"'{name}'", expected="a name of small letters, digits and _")
        if not isinstance(values, list | tuple) or not values:
            raise FileError(f"{name} = {values!r}", expected='a list such as ["0.1 W", "1 W"]')
        texts = tuple(v if isinstance(v, str) else _plain(name, v) for v in values)
        if len(set(texts)) < len(texts):
            raise FileError(f"{name} holds a value twice", expected="each value once")
        over.append((name, texts))
    return over


def _plain(name: str, value: Any) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    raise FileError(f"{name} holds {value!r}", expected='texts such as "0.1 W", or whole numbers')


def bindings_of(repeat: Repeat, unit: Unit) -> list[dict[str, str]]:
    """All combinations, the first name slowest.

    Raises:
        FileError: the unit has none of what is repeated over, or there are far too many.
    """
    found: list[dict[str, str]] = [{}]
    for name, values in repeat.over:
        found = [
            {**before, **new}
            for before in found
            for new in ([{name: v} for v in values] if values else _of_unit(name, unit, before))
        ]
        if len(found) > MOST:
            raise FileError(f"more than {MOST} repetitions", expected="fewer values")
    return found


def _of_unit(name: str, unit: Unit, before: Mapping[str, str]) -> Iterable[dict[str, str]]:
    if name == "ballast":
        for ballast in unit.ballasts():
            new = {
                "ballast": ballast.name,
                "channel": ballast.channel,
                "half": ballast.half,
                "device": str(ballast.device),
            }
            if ballast.side:
                new["side"] = ballast.side
            if all(new.get(key, value) == value for key, value in before.items()):
                yield new
        return
    if name == "bank":
        for channel in unit.channels:
            for side in unit.sides:
                for half in HALVES:
                    places = {"channel": channel, "side": side, "half": half}
                    new = {key: value for key, value in places.items() if value}
                    if all(new.get(key, value) == value for key, value in before.items()):
                        yield {"bank": ".".join(new.values()), **new}
        return
    values: Mapping[str, Iterable[str]] = {
        "channel": unit.channels,
        "half": HALVES,
        "device": [str(n) for n in range(1, unit.devices_named + 1)],
        "side": SIDES if unit.bridged else (),
        "input": unit.inputs,
        "rail": unit.rail_names,
    }
    if not (chosen := list(values[name])):
        raise FileError(
            f"{unit.model} has no {name} to repeat over",
            expected="a bridged output" if name == "side" else f"{name}s in the unit sheet",
        )
    for value in chosen:
        yield {name: value}


def fill_entry(
    entry: Mapping[str, Any], bindings: Mapping[str, str], repeat: Repeat, where: str
) -> tuple[dict[str, Any], list[Problem]]:
    """An entry with its placeholders filled, and what was wrong with them."""
    problems: list[Problem] = []

    def visit(value: Any, key: str) -> Any:
        if isinstance(value, str):
            for name in placeholders(value):
                if name not in bindings:
                    found = f"nothing is called {{{name}}} in this step"
                    expected = one_of(name, bindings) if bindings else f'each = "{name}"'
                    problems.append(Problem(f"{where}, {key}", found, expected))
            return fill(value, bindings)
        if isinstance(value, dict):
            return {k: visit(v, f"{key}.{k}") for k, v in value.items()}
        if isinstance(value, list | tuple):
            return [visit(v, key) for v in value]
        return value

    filled = {
        key: value if key == "each" else visit(value, key)
        for key, value in entry.items()
        if key != "id"
    }
    if isinstance(entry.get("id"), str):
        slugs = {name: slug(value) for name, value in bindings.items()}
        filled["id"] = visit_id = fill(entry["id"], slugs)
        unfilled = placeholders(visit_id)
        for name in unfilled:
            problems.append(
                Problem(
                    f"{where}, id",
                    f"nothing is called {{{name}}} in this step",
                    one_of(name, bindings) if bindings else f'each = "{name}"',
                )
            )
        if not unfilled and not ID.match(visit_id):
            problems.append(
                Problem(
                    f"{where}, id",
                    f"'{visit_id}'",
                    "letters, digits and _, parts joined by . or -, beginning with a letter",
                )
            )
        problems += _unnamed(entry["id"], repeat, where)
    elif "id" in entry:
        filled["id"] = entry["id"]
    return filled, problems


def _unnamed(template: str, repeat: Repeat, where: str) -> list[Problem]:
    """A step that is repeated but whose id does not say so would stand twice."""
    present = set(placeholders(template))
    covered: set[str] = set()
    if "ballast" in present:
        covered = {"channel", "half", "device", "side"}
    elif "bank" in present:
        covered = {"channel", "half", "side"}
    return [
        Problem(f"{where}, id", f"'{template}' does not name {{{name}}}", f"{{{name}}} in the id")
        for name in repeat.names
        if name not in present | covered
        and not (name == "ballast" and present >= {"half", "device"})
    ]


def slug(value: str) -> str:
    """A value as it stands in an id: ``"-80 dB"`` is ``minus80dB``."""
    text = value.translate(_SPELLED).replace("-", "minus").replace("−", "minus")
    return re.sub(r"[^A-Za-z0-9_.]", "_", text).strip(".") or "_"


@cache
def sample_unit() -> Unit:
    """A unit that has everything, to check a sequence when its unit is not known yet."""
    return Unit.from_text(
        """
        model = "any unit"
        channels = ["left", "right"]
        topology = "bridged"
        rails = "split"
        rail_voltage = "30 V"
        rated_power = "40 W"
        rated_load = "8 Ω"
        gain = "29 dB"
        output_devices = 2
        ballast = "0.22 Ω"
        idle_current = "25 mA"
        sink_rise_limit = "40 K"
        inputs = ["line", "phono"]
        headphones = true
        standby_voltage = "5 V"
        """
    )
