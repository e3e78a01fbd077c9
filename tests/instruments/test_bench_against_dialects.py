"""``bench find`` and ``bench test`` on instruments of real families, over TCP and over a
pseudo-terminal: named by their driver, greeted, tried operation by operation."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import pytest
from dialect_bench import FAMILIES, shipped
from dialects.base import Dialect, served

from seqrun.cli import benches
from seqrun.files.bench import Bench


class At:
    """A family's dialect, served; ``resource`` is where."""

    def __init__(self, name: str, stack: ExitStack) -> None:
        self.name = name
        self.role, make, self.link = FAMILIES[name]
        self.dialect: Dialect = make()
        self.resource = stack.enter_context(served(self.dialect, self.link))

    def file(self, folder: Path, driver: str = "") -> str:
        lines = [
            'name = "Loopback"',
            f"[instrument.{self.role}]",
            f'resource = "{self.resource}"',
            f'driver = "{driver or self.name}"',
            'label = "bench 1, serial 0042"',
        ]
        if self.link == "pty":  # which carries neither parity nor frames of seven bits
            lines.append('line = { data_bits = 8, parity = "none" }')
        path = folder / "bench.toml"
        path.write_text("\n".join(lines), encoding="utf-8")
        return str(path)


OVER_TCP = ["rigol-dp800", "siglent-sdm3055", "rigol-ds1000z", "rigol-dg1000z"]
OVER_PTY = ["gwinstek-gpd3303s", "owon-xdm1041", "feeltech-fy6900"]


@pytest.mark.parametrize("name", [*OVER_TCP, "owon-xdm1041"])
def test_a_family_is_found_with_its_driver_and_asked_nothing_else(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with ExitStack() as stack:
        at = At(name, stack)
        assert benches.find_command([at.resource], tmp_path / "mine.toml", "@py") == 0
        said = capsys.readouterr().out
        assert name in said
        questions = {shipped(n).identity.ask for n in FAMILIES}
        assert {m.strip() for m in at.dialect.received if m.strip()} <= questions
    written = Bench.from_text((tmp_path / "mine.toml").read_text(encoding="utf-8"))
    assert name in {entry.driver for entry in written.instrument.values()}


@pytest.mark.parametrize("name", [*OVER_TCP, *OVER_PTY])
def test_a_family_passes_its_self_check(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with ExitStack() as stack:
        code = benches.test_command(At(name, stack).file(tmp_path), True, False)
    said = capsys.readouterr().out
    assert code == 0, said
    assert "checks are right" in said


def test_a_wrong_driver_is_one_message_and_nothing_is_set(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with ExitStack() as stack:
        at = At("rigol-dp800", stack)
        code = benches.test_command(at.file(tmp_path, "siglent-spd3303x"), True, False)
        assert {message for message in at.dialect.received if message} <= {"*IDN?"}
    said = capsys.readouterr().out
    assert code == 3
    assert said.count("WRONG") == 1
    assert "the instrument there is" in said
