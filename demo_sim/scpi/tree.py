"""The command tree: decorators that declare commands, and the walk from header to handler.

Header path rule across a compound message (SCPI-99 volume 1, 6.2.4): after ``;`` a header
without leading colon continues from the node that holds the last mnemonic of the header before
it, as that was sent; a leading colon starts at the root; common commands (``*…``) neither use
the path nor change it; a new message starts at the root.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeVar

from demo_sim.scpi.errors import ScpiError
from demo_sim.scpi.lexer import Element, units
from demo_sim.scpi.mnemonics import expand
from demo_sim.scpi.parameters import Call, Deferred, Numeric, Parameter, limit_word

Handler = Callable[..., object]
F = TypeVar("F", bound=Handler)

_DECLARED = "_scpi_declarations"


class Declaration(NamedTuple):
    """One pattern as declared; ``indefinite``: the answer has no end of its own (*IDN?)."""

    pattern: str
    is_query: bool
    parameters: tuple[Parameter, ...]
    indefinite: bool = False


def command(pattern: str, *parameters: Parameter) -> Callable[[F], F]:
    """Declare a method as the handler of a command.

    The method is called with ``(self, call, *values)``: a ``Call`` (header and suffixes) and one
    value per parameter. It returns nothing, and raises ``ScpiError(-2xx)`` to refuse.
    """
    return _declare(Declaration(pattern, False, parameters))


def query(pattern: str, *parameters: Parameter, indefinite: bool = False) -> Callable[[F], F]:
    """Declare a method as the handler of a query; the trailing ``?`` may be left out.

    The method's return value becomes the response, see ``response.encode``. A query without
    parameters whose command begins with a bounded ``Numeric`` also answers
    ``? MIN|MAX|DEF`` with the bound (SCPI-99 volume 1, 7.2.1), without the handler's doing.
    """
    return _declare(Declaration(pattern, True, parameters, indefinite))


def _declare(declaration: Declaration) -> Callable[[F], F]:
    def mark(function: F) -> F:
        declared: list[Declaration] = getattr(function, _DECLARED, [])
        setattr(function, _DECLARED, [*declared, declaration])
        return function

    return mark


@dataclass(frozen=True, slots=True)
class Leaf:
    """A handler at the end of one way of writing its header."""

    handler: Handler
    parameters: tuple[Parameter, ...]
    markers: tuple[int | None, ...]
    bounds: tuple[tuple[int, int], ...]
    indefinite: bool
    required: int
    endless: bool

    def suffixes(self, sent: tuple[int | None, ...]) -> tuple[int, ...]:
        """Numeric suffixes for the handler from those sent at each depth.

        Raises:
            ScpiError: −114, out of range or on a mnemonic that has none but 1.
        """
        for depth, number in enumerate(sent):
            if number is not None and number != 1 and depth not in self.markers:
                raise ScpiError(-114, str(number))
        numbers = []
        for depth_of, (low, high) in zip(self.markers, self.bounds, strict=True):
            number = None if depth_of is None else sent[depth_of]
            number = 1 if number is None else number
            if not low <= number <= high:
                raise ScpiError(-114, f"{number} outside {low} to {high}")
            numbers.append(number)
        return tuple(numbers)


@dataclass(slots=True)
class Node:
    """A mnemonic's place in the tree; children by short and by long form."""

    children: dict[str, Node] = field(default_factory=dict)
    leaf: Leaf | None = None
    query_leaf: Leaf | None = None

    def child(self, word: str) -> tuple[Node, int | None] | None:
        """The child that a mnemonic as sent names, and its numeric suffix."""
        found = self.children.get(word)
        if found is not None:
            return found, None
        base = word.rstrip("0123456789")
        found = self.children.get(base)
        if found is None or base == word:
            return None
        return found, int(word[len(base) :])


class Invocation(NamedTuple):
    """A unit that is ready to be executed."""

    handler: Handler
    call: Call
    values: tuple[object, ...]
    is_query: bool
    deferred: bool
    indefinite: bool


class Program(NamedTuple):
    """A parsed program message: what to execute, then the command error that ended it."""

    invocations: tuple[Invocation, ...]
    error: ScpiError | None

    @property
    def only(self) -> Invocation | None:
        """The invocation of a message that holds one, when nothing of it waits for the device."""
        if self.error is not None or len(self.invocations) != 1 or self.invocations[0].deferred:
            return None
        return self.invocations[0]


class CommandTree:
    """All commands of one class of device."""

    def __init__(self) -> None:
        self._root = Node()
        self._common: dict[tuple[str, bool], Leaf] = {}

    def add(self, handler: Handler, declaration: Declaration) -> None:
        """Enter one declaration under every way of writing it.

        Raises:
            TypeError: another handler already answers to one of these headers.
        """
        parameters = declaration.parameters
        required = sum(not p.optional for p in parameters)
        endless = bool(parameters) and parameters[-1].repeat
        for mnemonics, markers in expand(declaration.pattern):
            bounds = tuple((1, 1) if m is None else mnemonics[m].suffix or (1, 1) for m in markers)
            leaf = Leaf(
                handler, parameters, markers, bounds, declaration.indefinite, required, endless
            )
            if mnemonics[0].short.startswith("*"):
                key = mnemonics[0].short, declaration.is_query
                if self._common.setdefault(key, leaf).handler is not handler:
                    raise TypeError(f"{declaration.pattern}: header has a handler already")
                continue
            node = self._root
            for mnemonic in mnemonics:
                child = node.children.get(mnemonic.short) or node.children.get(mnemonic.long)
                node.children.setdefault(mnemonic.short, child or Node())
                child = node.children[mnemonic.short]
                node.children[mnemonic.long] = child
                node = child
            taken = node.query_leaf if declaration.is_query else node.leaf
            if taken is not None and taken.handler is not handler:
                raise TypeError(f"{declaration.pattern}: header has a handler already")
            if declaration.is_query:
                node.query_leaf = leaf
            else:
                node.leaf = leaf

    def parse(self, message: bytes) -> Program:
        """Everything that can be known of a message without the device's state."""
        invocations: list[Invocation] = []
        path: tuple[Node, tuple[int | None, ...]] = (self._root, ())
        try:
            for unit in units(message):
                if unit.header.startswith("*"):
                    leaf = self._common.get((unit.header, unit.is_query))
                    if leaf is None:
                        raise ScpiError(-113, _shown(unit.header, unit.is_query))
                    invocations.append(
                        _invocation(leaf, None, unit.header, (), unit.is_query, unit.elements)
                    )
                    continue
                node, sent, path = self._walk(unit.header, unit.is_query, path)
                leaf = node.query_leaf if unit.is_query else node.leaf
                if leaf is None:
                    raise ScpiError(-113, _shown(unit.header, unit.is_query))
                invocations.append(
                    _invocation(leaf, node.leaf, unit.header, sent, unit.is_query, unit.elements)
                )
        except ScpiError as error:
            return Program(tuple(invocations), error)
        return Program(tuple(invocations), None)

    def _walk(
        self, header: str, is_query: bool, path: tuple[Node, tuple[int | None, ...]]
    ) -> tuple[Node, tuple[int | None, ...], tuple[Node, tuple[int | None, ...]]]:
        node, sent = (self._root, ()) if header.startswith(":") else path
        parent = (node, sent)
        for word in header.removeprefix(":").split(":"):
            step = node.child(word)
            if step is None:
                raise ScpiError(-113, _shown(header, is_query))
            parent = (node, sent)
            node, number = step
            sent = (*sent, number)
        return node, sent, parent

    def headers(self) -> list[str]:
        """One line per handler's shortest header, sorted; for documentation."""
        lines = {name + ("?" if is_query else "") for name, is_query in self._common}

        def visit(node: Node, path: str) -> None:
            if node.leaf is not None:
                lines.add(path)
            if node.query_leaf is not None:
                lines.add(path + "?")
            seen: set[int] = set()
            for word, child in sorted(node.children.items(), key=lambda item: len(item[0])):
                if id(child) not in seen:
                    seen.add(id(child))
                    visit(child, f"{path}:{word}")

        visit(self._root, "")
        return sorted(lines)


def _shown(header: str, is_query: bool) -> str:
    return header[:80] + ("?" if is_query else "")


def _invocation(
    leaf: Leaf,
    setting: Leaf | None,
    header: str,
    sent: tuple[int | None, ...],
    is_query: bool,
    elements: tuple[Element, ...],
) -> Invocation:
    call = Call(header, leaf.suffixes(sent))
    if is_query and len(elements) == 1 and not leaf.parameters and setting is not None:
        asked = _limit_query(setting, elements[0], call)
        if asked is not None:
            return asked
    if len(elements) < leaf.required:
        raise ScpiError(-109, header[:80])
    if len(elements) > len(leaf.parameters) and not leaf.endless:
        raise ScpiError(-108, header[:80])
    values: list[object] = []
    for index, parameter in enumerate(leaf.parameters):
        if parameter.repeat:
            rest = [parameter.parse(element) for element in elements[index:]]
            values.append(_gather(rest))
        elif index < len(elements):
            values.append(parameter.parse(elements[index]))
        else:
            values.append(None)
    deferred = any(type(value) is Deferred for value in values)
    return Invocation(leaf.handler, call, tuple(values), is_query, deferred, leaf.indefinite)


def _gather(values: list[object]) -> object:
    if not any(type(value) is Deferred for value in values):
        return tuple(values)

    def resolve(device: Any, call: Call) -> object:
        return tuple(v.resolve(device, call) if isinstance(v, Deferred) else v for v in values)

    return Deferred(resolve)


def _limit_query(setting: Leaf, element: Element, call: Call) -> Invocation | None:
    """``VOLT? MAX``: the bound of the command with the same header."""
    word = limit_word(element)
    first = setting.parameters[0] if setting.parameters else None
    if word is None or not isinstance(first, Numeric):
        return None
    numeric = first

    def answer(device: Any, call: Call) -> object:
        value = numeric.limit(word, device, call)
        if value is None:
            raise ScpiError(-224, word)
        return round(value) if numeric.integer else value

    return Invocation(answer, call, (), True, False, False)


def declarations(function: object) -> list[Declaration]:
    """What the decorators left on a method."""
    found: list[Declaration] = getattr(function, _DECLARED, [])
    return found
