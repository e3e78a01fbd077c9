"""Start-up and wall time, as a person meets them. Run by hand.

``seqrun --help`` against importing the library that it is built on, and the demo acceptance from
the shell to the report.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time

ROUNDS = 7


def wall(*command: str) -> float:
    """Median wall time of a command, s."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> int:
    python = sys.executable
    library = wall(python, "-c", "import typer")
    ours = wall(python, "-m", "seqrun", "--help")
    print(f"python -c 'import typer'    {library:.3f} s")
    print(f"seqrun --help               {ours:.3f} s")
    print(f"ratio                       {ours / library:.2f}  (wanted: at most 2.5)")
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        subprocess.run(
            [
                python,
                "-m",
                "seqrun",
                "run",
                "acceptance",
                "--bench",
                "demo",
                "--serial",
                "DEMO-001",
                "--results",
                folder,
            ],
            check=True,
            capture_output=True,
        )
        spent = time.perf_counter() - start
    print(f"demo acceptance             {spent:.1f} s of wall time (wanted: under 10 s)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
