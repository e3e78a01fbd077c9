"""Pages: their style sheets and templates, read from the package, and how they are written."""

from __future__ import annotations

from functools import cache, partial
from importlib import resources
from pathlib import Path
from typing import Any

from seqrun.files.writing import write_whole

PAST = ("shared/page.css", "shared/past.css")  # style of the pages about more than one run


@cache
def asset(name: str, package: str = "seqrun.report") -> str:
    """A text file that lies beside a package's modules."""
    return resources.files(package).joinpath(name).read_text(encoding="utf-8")


@cache
def template(name: str, package: str = "seqrun.report") -> Any:
    """A template by its file name; whatever it is given is escaped, and nothing may be missing."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(partial(asset, package=package)),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    return environment.get_template(name)


def rendered(name: str, *styles: str, **given: object) -> str:
    """A page as HTML text from its template, its style sheets and the shapes of verdicts in it."""
    from markupsafe import Markup

    from seqrun.report.shared import drawings

    css = Markup("".join(asset(style) for style in styles))
    page: str = template(name).render(css=css, defs=Markup(drawings.DEFS), **given)
    return page


def write(text: str, path: Path) -> Path:
    """Write a page (UTF-8) and return its path.

    Raises:
        FileError: the file cannot be written.
    """
    write_whole(path, text)
    return path
