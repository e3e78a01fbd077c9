"""``seqrun bench sound``: a sound interface is levelled, and its table written."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.errors import UsageError

if TYPE_CHECKING:
    from seqrun.runner.opening import BenchFiles


def sound_command(bench: str, unit: str | None, write: bool, seed: int) -> int:
    """Level the sound interface of a bench; 0 when it was done."""
    from seqrun.cli.benches import say
    from seqrun.files.writing import write_whole
    from seqrun.runner.levelling import OFF
    from seqrun.runner.marker import unused
    from seqrun.runner.opening import read_bench

    files = read_bench(bench, unit, seed=seed)
    path = Path(bench)
    if write and (files.demo is not None or "[sound]" in files.view.bench.text):
        raise UsageError(
            "the table [sound] cannot be added" + ("" if files.demo else ": there is one already"),
            expected="a bench file without it, or no --write",
            where=bench,
            hint="the table is printed: put it in place of the old one",
        )
    if not files.simulated:
        _word(f"{OFF}\nIs it so? Type yes: ")
    # no tone into a unit that a run has powered, or left powered
    with unused(files.view.bench, bench) if files.demo is None else nullcontext():
        text = _levelled(files)
    if write:
        before = path.read_text(encoding="utf-8")
        write_whole(path, f"{before.rstrip()}\n\n{text}")
        say(f"added to {path}")
    return 0


def _levelled(files: BenchFiles) -> str:
    """The table of what is found."""
    from seqrun.cli.benches import say
    from seqrun.plan.needs import Hookup
    from seqrun.runner.levelling import level, table
    from seqrun.runner.opening import VirtualHands, open_bench

    opened = open_bench(files, lambda *_: None)
    try:
        hands = None if opened.control is None else VirtualHands(opened.control)

        def connect(hookup: Hookup) -> None:
            if hands is not None:
                hands.connect(hookup, False)
            else:
                _word(f"{hookup.words}\nDone? Type yes: ")

        found = level(files.view, dict(opened.instruments), connect, say, datetime.now(UTC).date())
    finally:
        opened.close()
    text = table(found.sound)
    for note in found.notes:
        say(f"! {note}")
    say("\n" + text)
    return text


def _word(words: str) -> None:
    """Somebody's yes.

    Raises:
        UsageError: nobody is there, or the answer is another.
    """
    from seqrun.cli.benches import asked

    if not asked(words):
        raise UsageError("not confirmed", expected="yes, typed at a terminal", where="bench sound")
