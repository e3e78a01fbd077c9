"""The page's own templates, style sheet and script, read from the package."""

from __future__ import annotations

from functools import cache, partial
from typing import Any

from seqrun.report.shared import assets

asset = partial(assets.asset, package="seqrun.live")


@cache
def _template(name: str) -> Any:
    return assets.template(f"pages/{name}", package="seqrun.live")


def page(name: str, **given: object) -> str:
    """A page or a part of one as HTML text; whatever it is given is escaped."""
    text: str = _template(name).render(**given)
    return text
