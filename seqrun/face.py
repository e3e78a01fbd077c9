"""What ``import seqrun`` offers beside the measurements: results as frames, and a run."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from seqrun.runner.hands import Hands
    from seqrun.runner.run import Outcome


def read_results(folder: str | Path = "results") -> pd.DataFrame:
    """Every reading of a results folder, a row each, oldest first.

    Columns are those of ``readings.csv``: ``value``, ``expanded_uncertainty`` (k in
    ``coverage_factor``), ``limit_low`` and ``limit_high`` in ``unit``, a base unit; NaN where
    nothing is stated. ``time_utc`` is a time, ``simulated`` a flag, all else text.

    Raises:
        RecordError: the table cannot be read or does not fit its columns.
    """
    import pandas as pd

    from seqrun.record import RecordError, Store

    frame = Store(folder).readings_frame()
    try:
        frame["time_utc"] = pd.to_datetime(frame["time_utc"], format="ISO8601", utc=True)
    except ValueError as error:
        raise RecordError(
            f"a time cannot be read: {str(error).splitlines()[0]}",
            expected="times such as 2026-05-11T09:30:00.000Z in the column time_utc",
            where=str(Path(folder) / "readings.csv"),
            hint="it was edited by hand",
        ) from None
    return frame


def read_runs(folder: str | Path = "results") -> pd.DataFrame:
    """Every run of a results folder, a row each, oldest first, with its disposition and reason.

    ``finished`` is False for a run without an end on record; its disposition is aborted.

    Raises:
        RecordError: the table cannot be read or does not fit its columns.
    """
    from seqrun.record import Store

    return Store(folder).runs_frame()


def run(
    sequence: str | Path,
    *,
    bench: str | Path,
    serial: str,
    unit: str | Path | None = None,
    results: str | Path = "results",
    operator: str = "",
    faults: Sequence[str] = (),
    seed: int = 1,
    hands: Hands | None = None,
) -> Outcome:
    """Run a sequence and leave its record, as ``seqrun run`` does, without a word on the screen.

    Args:
        sequence, unit: a shipped name or a path.
        bench: a path, or ``"demo"`` for the simulated bench.
        faults, seed: of the simulated bench, such as ``"dc_offset@left=0.5"``.
        hands: who moves leads on a real bench (:class:`seqrun.runner.hands.Hands`); the simulated
            bench has hands of its own.

    Returns:
        run id, folder, disposition, reason, every reading judged, and what the safe state could
        not confirm. Whatever ends a run that was begun is an outcome, never an exception.

    Raises:
        SeqrunError: a wrong file, a wrong use, or a bench that is not as its file says; nothing
            was energised.
    """
    from seqrun.errors import UsageError
    from seqrun.files.serial import check_serial
    from seqrun.runner.events import Watcher
    from seqrun.runner.preparation import prepare
    from seqrun.runner.run import Options, execute
    from seqrun.runner.signals import Interrupts

    check_serial(serial)
    plan, files = prepare(
        str(sequence), str(bench), None if unit is None else str(unit), faults=faults, seed=seed
    )
    if hands is None and not files.simulated:
        raise UsageError(
            "nobody moves the leads on this bench",
            expected="hands: who is asked to, and says when it is done",
            where="seqrun.run",
            hint="seqrun run at a terminal asks the person there",
        )
    asked = {
        "sequence": str(sequence),
        "bench": str(bench),
        "unit": None if unit is None else str(unit),
        "faults": list(faults),
        "seed": seed,
    }
    who = operator or files.view.bench.operator
    options = Options(serial, who, Path(results), asked)
    return execute(plan, files, hands, Watcher(), options, Interrupts())
