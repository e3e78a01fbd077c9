"""Style sheet and templates of the pages, read from the package."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any


@cache
def asset(name: str) -> str:
    """A text file that lies beside the report's modules."""
    return resources.files("seqrun.report").joinpath(name).read_text(encoding="utf-8")


@cache
def template(name: str) -> Any:
    """A template by its file name; whatever it is given is escaped, and nothing may be missing."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(asset), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    return environment.get_template(name)
