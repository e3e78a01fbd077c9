"""Which leads cannot be right: told before anything is energised.

Every place that a lead has in the course of a plan is looked at, whoever moves it: those that the
bench file fixes, and those that the steps ask for. Each rule is about what the terminal is (a
supply's, a generator's, a scope's, a meter's) and what the node is (ground, a rail, an input, a
speaker terminal), so that it holds for any bench and any topology.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from seqrun.errors import UsageError
from seqrun.files.common import one_of

if TYPE_CHECKING:
    from seqrun.plan.actions import Action
    from seqrun.plan.view import BenchView

GROUND = "ground"
_SUPPLY_ENDS = ("pos", "neg", "sense_pos", "sense_neg")
_SPLIT = re.compile(r"\d+\.\d+")  # output and end of a splitter on it
_METER_ENDS = ("hi", "lo", "sense_hi", "sense_lo")


@dataclass(frozen=True, slots=True)
class Placed:
    """A terminal on a node, and who put it there: "" for a lead that the bench file fixes."""

    terminal: str
    node: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class Terminal:
    """What a terminal of an instrument is.

    ``what`` is "tip" (a scope probe), "earth" (a scope's or generator's lead that is earthed),
    "output" (a generator's hot end), "supply" (with ``end``), "meter", "switch", or "other".
    """

    name: str
    key: str
    role: str
    what: str
    number: int = 0
    end: str = ""


def terminal_of(view: BenchView, name: str) -> Terminal:
    """What a terminal is, by the driver of its instrument.

    Raises:
        UsageError: the instrument has no such channel, output or terminal.
    """
    key, _, rest = name.partition(".")
    driver = view.drivers.get(key)
    if driver is None:
        return Terminal(name, key, "", "other")
    if driver.role == "scope":
        if _SPLIT.fullmatch(rest):
            raise _no_splitter(view, name, "a scope's probe is on one node")
        number = _counted(view, name, "channel", rest, driver.channels)
        return Terminal(name, key, "scope", "tip" if number else "earth", number)
    if driver.role == "generator":
        output = rest.partition(".")[0] if _SPLIT.fullmatch(rest) else rest
        number = _counted(view, name, "output", output, driver.outputs)
        return Terminal(name, key, "generator", "output" if number else "earth", number)
    if driver.role == "supply":
        if re.fullmatch(r"\d+\.(pos|neg)\.\d+", rest):
            raise _no_splitter(view, name, "an output of a supply feeds one rail")
        output, _, end = rest.partition(".")
        number = _counted(view, name, "output", output, driver.outputs)
        if not number or end not in _SUPPLY_ENDS:
            raise _no_terminal(view, name, [f"{key}.{number or 1}.{e}" for e in _SUPPLY_ENDS])
        return Terminal(name, key, "supply", "supply", number, end)
    if driver.role == "meter":
        if rest not in _METER_ENDS:
            raise _no_terminal(view, name, [f"{key}.{e}" for e in _METER_ENDS])
        return Terminal(name, key, "meter", "meter", end=rest)
    return Terminal(name, key, driver.role, "switch" if driver.role == "switch" else "other")


def _counted(view: BenchView, name: str, what: str, text: str, count: int) -> int:
    """The number that a terminal's name gives; 0 when it gives none.

    Raises:
        UsageError: a number that the instrument does not have.
    """
    if not (text.isdecimal() and text == str(int(text))):
        return 0
    if not 1 <= int(text) <= count:
        key = name.partition(".")[0]
        raise UsageError(
            f"{name} is {what} {text}, and {key} has {what}s 1 to {count}",
            expected=f"one of its {what}s",
            where=view.bench.name,
            hint=f"correct the [[lead]] from {name}, or the driver of {key}",
        )
    return int(text)


def _no_splitter(view: BenchView, name: str, why: str) -> UsageError:
    return UsageError(
        f"{name.rpartition('.')[0]} would be on several nodes: {why}",
        expected="one node; only a generator's output may have a splitter",
        where=view.bench.name,
    )


def _no_terminal(view: BenchView, name: str, known: Sequence[str]) -> UsageError:
    return UsageError(
        f"there is no terminal {name}",
        expected=one_of(name, known),
        where=view.bench.name,
    )


def placements(view: BenchView, actions: Sequence[Action]) -> list[Placed]:
    """Every place that a lead has in the course of the plan, each once."""
    found = {(t, n): Placed(t, n) for t, n in view.fixed.items()}
    for action in actions:
        for hookup in action.needs.hookups:
            for terminal, node in hookup.leads:
                found.setdefault((terminal, node), Placed(terminal, node, action.id))
    return list(found.values())


def problems(view: BenchView, actions: Sequence[Action]) -> Iterator[UsageError]:
    """Leads that cannot be right, each with terminal, node and polarity."""
    known: list[tuple[Placed, Terminal]] = []
    for placed in placements(view, actions):
        try:
            known.append((placed, terminal_of(view, placed.terminal)))
        except UsageError as problem:
            yield problem
    for placed, terminal in known:
        check = CHECKS.get(terminal.what)
        if check is not None:
            wrong = check(view, placed, terminal)
            if wrong is not None:
                yield wrong
    yield from _inputs(view, [(p, t) for p, t in known if t.what == "output"])
    yield from _meters(view, [(p, t) for p, t in known if t.what == "meter" and not p.by])
    supplies = [(placed, terminal) for placed, terminal in known if terminal.what == "supply"]
    yield from _outputs_of_supplies(view, supplies)
    yield from _unfed(view, actions)


def _wrong(
    view: BenchView, placed: Placed, found: str, expected: str, hint: str = ""
) -> UsageError:
    return UsageError(
        found,
        expected=expected,
        where=placed.by or view.bench.name,
        hint=hint or f"correct the [[lead]] from {placed.terminal} in the bench file",
    )


def _earth(view: BenchView, placed: Placed, terminal: Terminal) -> UsageError | None:
    """A clip, shield or shell is earth: on a live node it is a short circuit through the lead."""
    if placed.node == GROUND:
        return None
    if terminal.role == "scope":
        count = view.drivers[terminal.key].channels
        return _wrong(
            view,
            placed,
            f"the scope clip {placed.terminal} would go to {placed.node}",
            "ground: whatever of a scope is not the probe tip of one of its channels "
            f"({terminal.key}.1 to {terminal.key}.{count}) is connected to earth, and a bridged or "
            "live output is measured as the difference of two probe tips",
            f"move {placed.terminal} to ground in the bench file",
        )
    return _wrong(
        view,
        placed,
        f"the return of the generator, {placed.terminal}, would go to {placed.node}",
        "ground: the shell of a generator's output is its return, and usually earth",
        f"move {placed.terminal} to ground in the bench file",
    )


def _output(view: BenchView, placed: Placed, terminal: Terminal) -> UsageError | None:
    """A generator drives inputs and nothing else."""
    if placed.node.startswith("in."):
        return None
    inputs = ", ".join(f"in.{channel}" for channel in view.unit.channels)
    return _wrong(
        view,
        placed,
        f"the generator output {placed.terminal} would go to {placed.node}",
        f"an input of the unit ({inputs})",
    )


def _inputs(view: BenchView, leads: Sequence[tuple[Placed, Terminal]]) -> Iterator[UsageError]:
    """Two outputs on one input at the same time drive each other."""
    at: dict[str, Terminal] = {}
    for placed, terminal in leads:
        first = at.setdefault(placed.node, terminal)
        if not placed.by and first.name != terminal.name:
            yield _wrong(
                view,
                placed,
                f"{first.name} and {terminal.name} would both be on {placed.node}",
                "one generator lead on each input",
            )


def _meters(view: BenchView, leads: Sequence[tuple[Placed, Terminal]]) -> Iterator[UsageError]:
    """A meter whose two leads stay on one node reads nothing but zero."""
    at = {terminal.name: placed for placed, terminal in leads}
    for name, placed in at.items():
        for hi, lo in (("hi", "lo"), ("sense_hi", "sense_lo")):
            other = at.get(name.removesuffix(f".{hi}") + f".{lo}")
            if name.endswith(f".{hi}") and other is not None and other.node == placed.node:
                yield _wrong(
                    view,
                    placed,
                    f"{name} and {other.terminal} would both stay on {placed.node}: the meter "
                    "would read zero there, whatever the unit does",
                    "its two leads on two nodes, or no [[lead]] of the meter: steps ask for them",
                )


def _switch(view: BenchView, placed: Placed, terminal: Terminal) -> UsageError:
    """A switch moves the leads of others; it has none."""
    return _wrong(
        view,
        placed,
        f"{placed.terminal} would be a lead of the switch, which has none: it moves those of other "
        "instruments",
        "a terminal of another instrument; what the switch reaches stands in its driver, under "
        "[words.terminal] and [words.node]",
    )


def _supply(view: BenchView, placed: Placed, terminal: Terminal) -> UsageError | None:
    """What one terminal of a supply may be on: its rail, or ground as the return."""
    end, node, name = terminal.end.removeprefix("sense_"), placed.node, placed.terminal
    sign = {"pos": "positive", "neg": "negative"}[end]
    if node in (GROUND, f"rail.{end}"):
        return None
    if node in ("rail.pos", "rail.neg"):
        right = f"{terminal.key}.{terminal.number}.{'pos' if node == 'rail.pos' else 'neg'}"
        return _wrong(
            view,
            placed,
            f"{name}, a {sign} terminal, would feed {node}: the rail would be reversed",
            f"a {'positive' if node == 'rail.pos' else 'negative'} terminal on {node} "
            f"(such as {right}) and the other terminal of that output on ground",
        )
    if node.startswith(("out.", "phones.")):
        return _wrong(
            view,
            placed,
            f"{name}, the {sign} terminal of a supply output, would go to {node}, "
            "which an output of the unit drives",
            f"rail.{end}, or ground as the return; a speaker terminal is never a return",
        )
    if node == "standby":
        return _wrong(
            view,
            placed,
            f"{name} would feed the standby rail, and no step sets or protects that output",
            "a supply output on the rails that the sequence raises: "
            + ", ".join(view.unit.rail_names),
        )
    return _wrong(
        view,
        placed,
        f"{name}, the {sign} terminal of a supply output, would go to {node}, which is no rail",
        f"rail.{end}, or ground as the return",
    )


def _outputs_of_supplies(
    view: BenchView, leads: Sequence[tuple[Placed, Terminal]]
) -> Iterator[UsageError]:
    """Both terminals of every output, taken together."""
    at: dict[tuple[str, int], dict[str, Placed]] = {}
    for placed, terminal in leads:
        at.setdefault((terminal.key, terminal.number), {})[terminal.end] = placed
    fed: dict[str, str] = {}
    for (key, number), ends in at.items():
        output = f"{key}.{number}"
        nodes = {end: placed.node for end, placed in ends.items()}
        first = next(iter(ends.values()))
        rails = [n for e, n in nodes.items() if e in ("pos", "neg") and n.startswith("rail.")]
        for end in ("pos", "neg"):
            if end in nodes:
                continue
            yield _wrong(
                view,
                first,
                f"{output}.{end} is on nothing: output {number} of {key} has no "
                + ("return" if f"{'neg' if end == 'pos' else 'pos'}" in nodes else "lead"),
                f"a [[lead]] from {output}.{end} to "
                + ("ground" if rails else f"rail.{end} or ground"),
                f"add the [[lead]] from {output}.{end}",
            )
        if len(rails) == 2:
            yield _wrong(
                view,
                first,
                f"output {number} of {key} would be across two rails, {rails[0]} and {rails[1]}",
                "one output for each rail, with its other terminal on ground",
            )
        if nodes.get("pos") == nodes.get("neg") == GROUND:
            yield _wrong(
                view,
                first,
                f"both terminals of output {number} of {key} are on ground: a short circuit",
                "one of them on a rail",
            )
        for end in ("pos", "neg"):
            sense = nodes.get(f"sense_{end}")
            if sense is not None and sense != nodes.get(end):
                yield _wrong(
                    view,
                    ends[f"sense_{end}"],
                    f"{output}.sense_{end} would be on {sense} and {output}.{end} on "
                    f"{nodes.get(end, 'nothing')}",
                    "a sense lead on the node that it senses: elsewhere the supply would drive "
                    "its output up without end",
                )
        for rail in rails:
            other = fed.setdefault(rail, output)
            if other != output:
                yield _wrong(
                    view,
                    first,
                    f"{rail} would be fed by {other} and by {output}",
                    "one output for each rail: only that one is set, protected and watched",
                )


def _unfed(view: BenchView, actions: Sequence[Action]) -> Iterator[UsageError]:
    """Rails without an output."""
    if not view.has("supply"):
        return
    if any("supply" in action.needs.roles for action in actions):
        try:
            _ = view.rails
        except UsageError as problem:
            yield problem


#: what one lead may not be on, by what its terminal is
CHECKS = {"earth": _earth, "output": _output, "supply": _supply, "switch": _switch}
