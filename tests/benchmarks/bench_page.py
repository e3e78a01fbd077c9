"""The page of a run with all its curves, against importing the library of arrays it needs. By hand.

CPU time of whole processes, the two measured in turn, so that a busy machine slows both.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

ROUNDS = 7


def spent(*command: str) -> float:
    """CPU time of a command and what it started, s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        run = [sys.executable, "-m", "seqrun", "run", "acceptance", "--bench", "demo"]
        subprocess.run([*run, "--serial", "B-1", "--results", folder], capture_output=True)
        page = str(Path(folder) / "page.html")
        code = (
            "import sys; from pathlib import Path; from seqrun.record import Store, load_run;"
            "from seqrun.report.run.page import write_page; root, page = sys.argv[1:];"
            "newest = list(Store(Path(root)).runs())[-1].run_id;"
            "write_page(load_run(root, newest), Path(page))"
        )
        pairs = [
            (
                spent(sys.executable, "-c", "import numpy, pydantic"),
                spent(sys.executable, "-c", code, folder, page),
            )
            for _ in range(ROUNDS)
        ]
    library, ours = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratio = statistics.median(own / other for other, own in pairs)
    print(f"import numpy, pydantic      {library:.3f} s of CPU")
    print(f"page of an acceptance       {ours:.3f} s of CPU")
    print(f"ratio                       {ratio:.2f}  (wanted: at most 7)")
    return 0 if ratio <= 7.0 else 1


if __name__ == "__main__":
    sys.exit(main())
