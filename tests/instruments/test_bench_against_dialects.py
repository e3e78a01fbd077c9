"""``bench find`` and ``bench test`` on instruments of real families, over TCP and over a
pseudo-terminal: named by their driver, greeted, tried operation by operation."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from dialect_bench import FAMILIES, eventually, shipped
from dialects.base import Dialect, served

from seqrun.cli import benches
from seqrun.files.bench.load import bench_from_text


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


OVER_TCP = [
    "rigol-dp800", "siglent-sdm3055", "rigol-ds1000z", "rigol-dg1000z", "keysight-33500b",
    "aim-tti-mx180tp", "rigol-dho800", "keithley-2700",
]  # fmt: skip
OVER_PTY = [
    "gwinstek-gpd3303s", "owon-xdm1041", "feeltech-fy6900", "manson-hcs3202", "keysight-e3632a",
]  # fmt: skip


@pytest.mark.parametrize("name", [*OVER_TCP, "owon-xdm1041", "manson-hcs3202"])
def test_a_family_is_found_with_its_driver_and_asked_nothing_else(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    # It answers at once what it understands; the ways that it does not are waited for in vain.
    monkeypatch.setattr("seqrun.instruments.discovery.ANSWER_S", 0.3)
    with ExitStack() as stack:
        at = At(name, stack)
        assert benches.find_command([at.resource], tmp_path / "mine.toml", "@py") == 0
        said = capsys.readouterr().out
        assert name in said
        questions = {shipped(n).identity.ask for n in FAMILIES}
        # What ended in another terminator came to it in one piece with the next.
        heard = [part.strip() for m in at.dialect.received for part in m.split("\n")]
        assert {part for part in heard if part} <= questions
    text = (tmp_path / "mine.toml").read_text(encoding="utf-8")
    assert ("# label = " in text) == (shipped(name).identity.tells == "fingerprint")
    written = bench_from_text(text)
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


def test_an_instrument_that_wants_to_be_remote_is_so_in_the_handshake_and_given_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False)  # nobody gives a word: handshake alone
    with ExitStack() as stack:
        at = At("keysight-e3632a", stack)
        assert benches.test_command(at.file(tmp_path), False, False) == 3
        assert eventually(lambda: not at.dialect.remote)  # type: ignore[attr-defined]
    said = capsys.readouterr().out
    assert "WRONG" not in said
    sent = [line for line in said.splitlines() if line.lstrip().startswith("> ")]
    allowed = ("SYST:REM", "SYST:LOC")
    assert all("?" in line or any(word in line for word in allowed) for line in sent), sent


def test_an_instrument_that_was_switched_off_and_on_is_made_safe_all_the_same(
    opener: Any,
) -> None:
    supply, dialect = opener("keysight-e3632a")
    supply.enable(True)
    dialect.remote = False  # as it is after its mains switch
    supply.make_safe()
    assert not dialect.output.on
