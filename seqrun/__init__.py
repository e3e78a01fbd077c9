"""seqrun: declarative acceptance tests for repaired audio amplifiers.

For use from Python, beside the command line::

    import seqrun

    outcome = seqrun.run("quick", bench="demo", serial="A-1", results="results")
    readings = seqrun.read_results("results")      # a pandas DataFrame, a row a reading
    runs = seqrun.read_runs("results")             # a row a run
    one = seqrun.load_run("results", "last")       # one run whole: readings, budgets, traces
    seqrun.measure.distortion.distortion(volts, sample_rate_hz)   # pure functions on arrays

These names are the public interface; what else is in the package may change. Each is imported when
it is first used, so that ``import seqrun`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from seqrun._version import __version__

if TYPE_CHECKING:
    from seqrun import measure
    from seqrun.errors import NotMeasured, SeqrunError
    from seqrun.face import read_results, read_runs, run
    from seqrun.record import load_run
    from seqrun.values import Disposition, Judged, Verdict

__all__ = [
    "Disposition",
    "Judged",
    "NotMeasured",
    "SeqrunError",
    "Verdict",
    "__version__",
    "load_run",
    "measure",
    "read_results",
    "read_runs",
    "run",
]
_AT = {
    "Disposition": "seqrun.values",
    "Judged": "seqrun.values",
    "NotMeasured": "seqrun.errors",
    "SeqrunError": "seqrun.errors",
    "Verdict": "seqrun.values",
    "load_run": "seqrun.record",
    "read_results": "seqrun.face",
    "read_runs": "seqrun.face",
    "run": "seqrun.face",
}


def __getattr__(name: str) -> Any:
    if name == "measure":
        import seqrun.measure as measure

        for module in measure.MODULES:
            import_module(f"seqrun.measure.{module}")
        return measure
    if name not in _AT:
        raise AttributeError(f"module 'seqrun' has no attribute {name!r}")
    return getattr(import_module(_AT[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
