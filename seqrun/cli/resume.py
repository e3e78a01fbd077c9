"""``seqrun run --resume``: go on with a run that was interrupted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from seqrun.errors import UsageError

if TYPE_CHECKING:
    from seqrun.cli.commands import Attended


def resume_command(
    name: str,
    results: Path,
    *,
    because: str,
    given: Sequence[str],
    operator: str,
    attended: Attended,
) -> int:
    """The exit code is the disposition of the run that goes on.

    Args:
        name: of the run that was interrupted.
        given: options that a resumed run takes from that one.

    Raises:
        UsageError: it cannot be gone on with, or another unit, bench or sequence was asked for.
    """
    from seqrun.cli.commands import do_run
    from seqrun.record import Store
    from seqrun.runner.preparation import prepare
    from seqrun.runner.resuming import interrupted, resumption

    if given:
        raise UsageError(
            f"--resume takes it from the interrupted run: leave out {', '.join(given)}",
            expected="--resume with --results, --because, --operator and who takes part alone",
            where="seqrun run",
        )
    of = interrupted(Store(results), name, because)
    asked: Mapping[str, Any] = of.facts.get("asked") or {}
    if "sequence" not in asked:
        raise UsageError(
            f"{of.run.run_id} does not say how it was asked for",
            expected="a run by 'seqrun run'",
            where="--resume",
        )
    plan, files = prepare(
        asked["sequence"],
        asked["bench"],
        asked["unit"],
        faults=asked["faults"],
        seed=asked["seed"],
    )
    resumed = resumption(of, plan, files, because)
    who = operator or of.run.operator
    return do_run(plan, files, of.run.serial, who, results, asked, attended, resumed)
