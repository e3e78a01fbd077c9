"""Start-up, as a person meets it. Run by hand; exit code 1 where the aim is missed.

CPU time of ``seqrun --help`` against importing the library that it is built on, in turns, and of
the demo acceptance from the shell to the report.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile

ROUNDS = 7
AIM = 2.5


def cpu(*command: str) -> float:
    """CPU time of a command, s."""
    before = os.times()
    subprocess.run(command, check=True, capture_output=True)
    after = os.times()
    spent = after.children_user + after.children_system
    return spent - before.children_user - before.children_system


def main() -> int:
    python = sys.executable
    turns = [
        (cpu(python, "-c", "import typer"), cpu(python, "-m", "seqrun", "--help"))
        for _ in range(ROUNDS)
    ]
    library, ours = (statistics.median(column) for column in zip(*turns, strict=True))
    print(f"python -c 'import typer'    {library:.3f} s")
    print(f"seqrun --help               {ours:.3f} s")
    print(f"ratio                       {ours / library:.2f}  (aim: at most {AIM:g})")
    with tempfile.TemporaryDirectory() as folder:
        words = ("run", "acceptance", "--bench", "demo", "--serial", "DEMO-001")
        spent = cpu(python, "-m", "seqrun", *words, "--results", folder)
    print(f"demo acceptance             {spent:.1f} s (no aim of its own: see bench_run.py)")
    return int(ours / library > AIM)


if __name__ == "__main__":
    sys.exit(main())
