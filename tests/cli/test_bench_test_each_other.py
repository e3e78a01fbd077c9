"""``bench test``: a supply into a meter, a generator into a scope; apart by so many U."""

from __future__ import annotations

import os
import pty
import re
import select
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
import pyvisa

import demo_sim
from seqrun.files.shipped import find
from seqrun.instruments.link import Link
from seqrun.runner.proving import prove

KEYS = ("supply", "meter", "scope", "generator")
SUPPLY = ("1.pos", "1.neg", "2.pos", "2.neg")
LEADS = {
    "HI to supply output 1": {
        "supply.1.pos": "rail.pos", "supply.1.neg": "ground",
        "meter.hi": "rail.pos", "meter.lo": "ground",
    },
    "HI to supply output 2": {
        "supply.1.pos": "", "supply.1.neg": "",
        "supply.2.pos": "ground", "supply.2.neg": "rail.neg",
        "meter.hi": "ground", "meter.lo": "rail.neg",
    },
    "probe 1 on generator output 1": {"scope.1": "in.left", "generator.1": "in.left"},
    "probe 1 on generator output 2": {"scope.1": "in.right", "generator.2": "in.right"},
}  # fmt: skip


class Bench:
    """The simulated bench over TCP, nothing on the supply, and hands that do what is asked."""

    def __init__(self, folder: Path, resources: dict[str, str], control: Link) -> None:
        self.control, self.file = control, folder / "bench.toml"
        for terminal in SUPPLY:
            self.move(f"supply.{terminal}", "")
        lines = ['name = "Loopback"']
        for key in KEYS:
            lines += [f"[instrument.{key}]", f'resource = "{resources[key]}"']
            lines += [f'driver = "generic-{key}"'] + ["probe = 10"] * (key == "scope")
        lines += ["[simulator]", f'control = "{resources["control"]}"']
        self.file.write_text("\n".join(lines), encoding="utf-8")

    def move(self, terminal: str, node: str) -> None:
        word = f'CONN "{terminal}","{node}"' if node else f'DISC "{terminal}"'
        self.control.write(f"HAND:{word}")

    def connect(self, words: str) -> bool:
        asked = next(leads for text, leads in LEADS.items() if text in words)
        for terminal, node in asked.items():
            self.move(terminal, node)
        return True


@pytest.fixture
def simulated(tmp_path: Path) -> Iterator[Bench]:
    with (
        closing(demo_sim.open_bench(seed=2).serve()) as server,
        closing(pyvisa.ResourceManager("@py")) as manager,
    ):
        control = Link.open("control", server.resources["control"], manager, lambda *_: None)
        yield Bench(tmp_path, dict(server.resources), control)
        control.close()


def pairs(bench: Bench, connected: Callable[[str], bool]) -> dict[str, tuple[str, bool | None]]:
    proof = prove(str(bench.file), lambda _: None, lambda _: True, connected)
    return {
        check.operation: (check.taken, check.ok)
        for check in proof.checks
        if " into " in check.operation or "not connected" in check.taken
    }


def test_two_instruments_that_are_right_agree_within_their_u(simulated: Bench) -> None:
    found = pairs(simulated, simulated.connect)
    assert set(found) == {
        "output 1 into meter", "output 2 into meter",
        "output 1 into scope channel 1", "output 2 into scope channel 1",
    }  # fmt: skip
    for taken, ok in found.values():
        assert ok, found
        apart = re.search(r"apart by ([\d.]+) U", taken)
        assert apart is not None and float(apart[1]) <= 1.0


def test_what_is_not_connected_is_left_out_and_no_failure(simulated: Bench) -> None:
    found = pairs(simulated, lambda _: False)
    assert len(found) == 4
    assert all(ok is None for _, ok in found.values())


def test_an_instrument_that_is_off_is_found_out_by_the_other(
    simulated: Bench, tmp_path: Path
) -> None:
    """A meter that reads 5 % too much passes by itself: nothing is connected to it."""
    driver = find("driver", "generic-meter").read_text(encoding="utf-8")
    high = re.sub(r"(?m)^read_many = (\".*\")$", r"read_many = { send = \1, scale = 1.05 }", driver)
    assert high != driver
    (tmp_path / "high.toml").write_text(high, encoding="utf-8")
    text = simulated.file.read_text(encoding="utf-8").replace("generic-meter", "high.toml")
    simulated.file.write_text(text, encoding="utf-8")
    taken, ok = pairs(simulated, simulated.connect)["output 1 into meter"]
    assert ok is False, taken
    apart = re.search(r"apart by ([\d.]+) U", taken)
    assert apart is not None and float(apart[1]) > 2.0


def test_connections_are_asked_for_at_the_terminal_one_by_one(simulated: Bench) -> None:
    """A person at a terminal: each question waits for its own yes."""
    child, terminal = pty.fork()
    if child == 0:
        command = [sys.executable, "-m", "seqrun", "bench", "test", str(simulated.file)]
        os.execv(sys.executable, [*command, "--nothing-connected", "--each-other"])
    said, answered, give_up = "", 0, time.monotonic() + 120.0
    try:
        while time.monotonic() < give_up:
            if not select.select([terminal], [], [], 1.0)[0]:
                continue
            try:
                chunk = os.read(terminal, 65536)
            except OSError:  # the other side has ended
                break
            if not chunk:
                break
            said += chunk.decode("utf-8", "replace")
            if said.count("Connected?") > answered:
                words = " ".join(said.split("Connected?")[answered].split()[-14:])
                answered += 1
                yes = answered != 2 and simulated.connect(words)
                os.write(terminal, b"yes\n" if yes else b"\n")
    finally:
        _, status = os.waitpid(child, 0)
        os.close(terminal)
    assert answered == 4, said
    assert os.waitstatus_to_exitcode(status) == 0, said
    assert said.count("apart by") == 3
    assert "left out: not connected" in said
