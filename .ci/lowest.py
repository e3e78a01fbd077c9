"""The lowest versions that pyproject.toml declares, one a line, as constraints for pip."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

project = tomllib.loads((Path(__file__).parent.parent / "pyproject.toml").read_text("utf-8"))
for entry in project["project"]["dependencies"]:
    found = re.fullmatch(r"([\w.-]+)(?:\[[^]]*\])?\s*>=\s*([\w.]+)(?:\s*,.*)?(?:\s*;.*)?", entry)
    if found is None:
        raise SystemExit(f"no lowest version in {entry!r}: expected 'name>=version'")
    print(f"{found[1]}=={found[2]}")
