"""Changed code put into the functions and modules that are in memory already."""

from __future__ import annotations

import gc
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import TypeVar

from mutation import Mutant, trees

ROOT = Path(__file__).resolve().parents[2]

Live = dict[tuple[str, str, int], list[FunctionType]]


def live_functions(files: list[Path]) -> Live:
    """The functions of these files as they are in memory, by file, name and first line."""
    wanted = {str(f) for f in files}
    live: Live = defaultdict(list)
    for one in gc.get_objects():
        if isinstance(one, FunctionType) and one.__code__.co_filename in wanted:
            code = one.__code__
            live[code.co_filename, code.co_qualname, code.co_firstlineno].append(one)
    return live


def _codes(code: CodeType) -> Iterator[CodeType]:
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield one
            yield from _codes(one)


def lines_of(code: CodeType) -> set[int]:
    """The lines that run when the function does; not its defaults, which ran when it was made."""
    own = {line for _, _, line in code.co_lines() if line} - {code.co_firstlineno}
    return own.union(*(lines_of(c) for c in code.co_consts if isinstance(c, CodeType)))


def swap(mutant: Mutant, live: Live) -> bool:
    """Put the changed code into the functions in memory; False when nothing there is touched."""
    plain, changed = (compile(t, str(mutant.path), "exec") for t in trees(mutant))
    before = {(c.co_qualname, c.co_firstlineno): c for c in _codes(plain)}
    touched = False
    for code in _codes(changed):
        if before.get((code.co_qualname, code.co_firstlineno)) == code:
            continue
        for function in live.get((str(mutant.path), code.co_qualname, code.co_firstlineno), ()):
            function.__code__ = code
            touched = True
    return touched or _reload(mutant, plain, changed)


def _reload(mutant: Mutant, plain: CodeType, changed: CodeType) -> bool:
    """A change outside functions: what the module says then goes to all who have what it said."""
    module = sys.modules.get(module_of(mutant.path))
    if module is None:
        return False
    again = ModuleType(module.__name__)
    again.__dict__.update({k: v for k, v in module.__dict__.items() if k.startswith("__")})
    exec(changed, again.__dict__)
    touched = False
    for key, new in vars(again).items():
        old = vars(module).get(key)
        if isinstance(new, FunctionType) and isinstance(old, FunctionType):
            if (new.__defaults__, new.__kwdefaults__) != (old.__defaults__, old.__kwdefaults__):
                old.__defaults__, old.__kwdefaults__ = new.__defaults__, new.__kwdefaults__
                touched = True
        elif isinstance(new, type) and isinstance(old, type) and new.__module__ == old.__module__:
            touched = _same_class(old, new) or touched
        elif type(new) is type(old) and not isinstance(new, ModuleType | TypeVar) and new != old:
            for other in list(sys.modules.values()):
                if other is not None and getattr(other, "__dict__", {}).get(key) is old:
                    setattr(other, key, new)
                    touched = True
    return touched


def module_of(file: Path) -> str:
    name = ".".join(file.relative_to(ROOT).with_suffix("").parts)
    return name.removesuffix(".__init__")


def _same_class(old: type, new: type) -> bool:
    touched = False
    for key, value in vars(new).items():
        there = vars(old).get(key)
        if isinstance(value, staticmethod) and isinstance(there, staticmethod):
            value, there = value.__func__, there.__func__  # a named tuple is made by one
        if isinstance(value, FunctionType) and isinstance(there, FunctionType):
            if (value.__defaults__, value.__kwdefaults__) != (
                there.__defaults__,
                there.__kwdefaults__,
            ):
                there.__defaults__, there.__kwdefaults__ = value.__defaults__, value.__kwdefaults__
                touched = True
        elif isinstance(value, int | float | str | tuple) and value != there and key[:2] != "__":
            setattr(old, key, value)
            touched = True
    return touched
