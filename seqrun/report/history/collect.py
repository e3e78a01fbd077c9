"""From the tables to histories: all the arithmetic on many readings at once, in pandas and NumPy.

A million readings must take little longer than reading them, so nothing here goes row by row: only
over groups (a step of a sequence) and over runs.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from seqrun.errors import UsageError
from seqrun.judge.condition import conditions
from seqrun.measure.trend import Lines, StraightLine, lines
from seqrun.record.errors import RecordError
from seqrun.record.places import time_of
from seqrun.report.history.trends import (
    LimitHistory,
    ModelHistory,
    Trend,
    UnitHistory,
    accepted,
    of_one_kind,
    ranked,
    trend_of,
)
from seqrun.report.shared.rows import Row
from seqrun.values import COVERAGE_FACTOR, Bound, Verdict

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from seqrun.record import RunRow, Store

    Array = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Flags = NDArray[np.bool_]

COLUMNS = (
    "run_id",
    "serial",
    "model",
    "sequence",
    "step",
    "channel",
    "quantity",
    "value",
    "unit",
    "expanded_uncertainty",
    "coverage_factor",
    "bound",
    "limit_low",
    "limit_high",
    "verdict",
    "simulated",
)
_SERIES = ("sequence", "step", "channel", "quantity", "unit")
#: of one unit: across sequences, where what it was read under is the same
_ALIKE = ("condition", "channel", "quantity", "unit")


def unit_history(store: Store, serial: str, simulated: bool | None = None) -> UnitHistory:
    """All runs of one unit, and how its readings moved.

    Args:
        simulated: only simulated runs, or only real ones; None: real ones where there are any.

    Raises:
        UsageError: no run of that unit is on record, or none of that kind.
        RecordError: the record cannot be read.
    """
    runs = store.runs(serial)
    if not runs:
        known = sorted({run.serial for run in store.runs()})
        raise UsageError(
            f"no run of {serial!r} is on record",
            expected=_known(known, serial) if known else None,
            where=str(store.folder),
            hint=None if known else "seqrun run makes one; --results names another folder",
        )
    kept, kind, left_out = of_one_kind(runs, simulated)
    from seqrun.record.frames import counted_frame

    rows, lost = store.sealed(kept)
    frame = store.readings_frame((*COLUMNS, "note"), categories=True, rows=rows)
    wanted = counted_frame(frame[frame["simulated"] == kind])
    series = _series(_in_time(_with_conditions(wanted)), _ALIKE)
    trends = [_trend(series, group) for group in range(series.size)]
    return UnitHistory(
        serial,
        tuple(dict.fromkeys(run.model for run in kept)),
        tuple(kept),
        ranked(trends),
        kind,
        left_out,
        tuple(f"{name}: {'; '.join(lost[name])}" for name in sorted(lost) if lost[name]),
    )


def _with_conditions(frame: pd.DataFrame) -> pd.DataFrame:
    """The readings of a unit with what each was made under, as a text that compares."""
    from seqrun.record.frames import judged_of_frame

    found: dict[Any, str] = {}
    for _, run in frame.groupby("run_id", observed=True, sort=False):
        readings = [judged_of_frame(row) for row in run.to_dict("records")]
        for index, condition in zip(run.index, conditions(readings), strict=True):
            found[index] = condition.text
    texts = [found[index] for index in frame.index]
    return frame.assign(condition=texts).astype({"condition": "category"})


def model_histories(
    store: Store, model: str | None = None, simulated: bool | None = None
) -> list[ModelHistory]:
    """Yield, spread and trend of every limit over the units of a model, or of each model.

    Raises:
        UsageError: no run of that model is on record, or none of that kind.
        RecordError: the record cannot be read.
    """
    every = store.runs()
    runs = [run for run in every if model is None or run.model == model]
    if not runs:
        known = sorted({run.model for run in every})
        raise UsageError(
            "no run is on record here" if model is None else f"no run of a {model!r} is on record",
            expected=_known(known, model or "") if known else None,
            where=str(store.folder),
            hint=None if known else "seqrun run makes one; --results names another folder",
        )
    kept, kind, left_out = of_one_kind(runs, simulated)
    from seqrun.record.frames import counted_frame

    frame = counted_frame(store.readings_frame(COLUMNS, categories=True))
    limited = frame["limit_low"].notna() | frame["limit_high"].notna()
    wanted = limited & (frame["simulated"] == kind)
    if model is not None:
        wanted &= frame["model"] == model
    found = _limits(frame if wanted.all() else frame[wanted])
    by_kind: dict[tuple[str, str], list[RunRow]] = defaultdict(list)
    for run in kept:
        by_kind[run.model, run.sequence].append(run)
    return [
        ModelHistory(
            *key,
            runs=len(group),
            accepted=accepted(group),
            limits=tuple(sorted(found[key], key=lambda h: (h.share, _room(h)))),
            simulated=kind,
            left_out=left_out,
        )
        for key, group in by_kind.items()
    ]


@dataclass(frozen=True)
class _Series:
    """Readings in groups. Arrays are aligned with the rows of ``frame``, lines with the groups."""

    frame: pd.DataFrame  # oldest first
    size: int
    times: Array
    values: Array
    u: Array  # standard
    exact: Flags
    lines: Lines
    by_group: Indices  # positions, group by group, oldest first
    edges: Indices  # where each group begins in it

    def of(self, group: int) -> Indices:
        """Positions of a group's readings, oldest first."""
        return self.by_group[self.edges[group] : self.edges[group + 1]]


def _series(frame: pd.DataFrame, keys: tuple[str, ...]) -> _Series:
    """Readings, oldest first, in groups of equal ``keys``, with the line through each group."""
    import numpy as np

    groups, size = _groups(frame, keys)
    times = _times(frame)
    values = frame["value"].to_numpy()
    coverage = frame["coverage_factor"].to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        u = frame["expanded_uncertainty"].to_numpy() / coverage
    u = np.where(np.isfinite(u), u, 0.0)
    exact = np.isfinite(values) & (frame["bound"] == Bound.EXACT.value).to_numpy()
    by_group = np.argsort(groups, kind="stable")
    edges = np.searchsorted(groups[by_group], np.arange(size + 1))
    found = lines(groups[exact], size, times[exact], values[exact], u[exact])
    return _Series(frame, size, times, values, u, exact, found, by_group, edges)


def _trend(series: _Series, group: int) -> Trend:
    at = series.of(group)
    exact = at[series.exact[at]]
    from seqrun.record.frames import judged_of_frame

    row = series.frame.iloc[int(at[-1])]
    found = series.lines
    cells = {n: float(getattr(found, n)[group]) for n in Lines.__dataclass_fields__}
    line = StraightLine(count=int(cells.pop("count")), **cells)
    return trend_of(
        str(row["sequence"]),
        Row.of(judged_of_frame(row.to_dict())),
        series.times[exact],
        series.values[exact],
        COVERAGE_FACTOR * series.u[exact],
        len(at) - len(exact),
        line,
    )


def _limits(frame: pd.DataFrame) -> dict[tuple[str, str], list[LimitHistory]]:
    """Every limit over the units, by model and sequence."""
    import numpy as np

    found: dict[tuple[str, str], list[LimitHistory]] = defaultdict(list)
    if not len(frame):
        return found
    frame = _in_time(frame)
    keys = ("model", *_SERIES)
    groups, size = _groups(frame, keys)
    # each unit once: by its latest reading, and whether its first one was a pass
    units = frame["serial"].cat.codes.to_numpy().astype(np.int64)
    pairs, number = _dense(groups * len(frame["serial"].cat.categories) + units)
    places = np.arange(len(frame))
    latest, first = np.empty(number, dtype=np.intp), np.empty(number, dtype=np.intp)
    latest[pairs] = places  # of several, the last one is kept
    first[pairs[::-1]] = places[::-1]
    good = (frame["verdict"] == Verdict.PASS.value).to_numpy()
    firsts = np.bincount(groups[first], weights=good[first], minlength=size)
    kinds = _different_limits(frame, groups, size)
    latest = np.sort(latest)
    series = _series(frame.iloc[latest], keys)
    good, old = good[latest], groups[latest]
    for group in range(series.size):
        at = series.of(group)
        exact = at[series.exact[at]]
        values = series.values[exact]
        trend = _trend(series, group)
        model = str(series.frame["model"].iat[int(at[-1])])
        found[model, trend.sequence].append(
            LimitHistory(
                trend,
                units=len(at),
                passed=int(good[at].sum()),
                passed_first=int(firsts[old[at[0]]]),
                mean=float(values.mean()) if len(values) else None,
                spread=float(values.std(ddof=1)) if len(values) > 1 else None,
                least=float(values.min()) if len(values) else None,
                most=float(values.max()) if len(values) else None,
                mean_u=float(COVERAGE_FACTOR * series.u[exact].mean()) if len(values) else None,
                limits=int(kinds[old[at[0]]]),
            )
        )
    return found


def _different_limits(frame: pd.DataFrame, groups: Indices, size: int) -> Indices:
    """How many different limits each group was held against."""
    import numpy as np
    import pandas as pd

    mixed, width = groups, 1
    for name in ("limit_low", "limit_high"):
        codes, values = pd.factorize(frame[name].to_numpy())
        mixed = mixed * (len(values) + 1) + codes + 1  # none is −1
        width *= len(values) + 1
    return np.bincount(pd.unique(mixed) // width, minlength=size)


def _groups(frame: pd.DataFrame, keys: tuple[str, ...]) -> tuple[Indices, int]:
    """Number of each row's group of equal keys, and how many groups there are."""
    import numpy as np

    mixed = np.zeros(len(frame), dtype=np.int64)
    size = 1
    for name in keys:
        codes = frame[name].cat
        mixed = mixed * len(codes.categories) + codes.codes.to_numpy()
        size *= max(len(codes.categories), 1)
        if size > 1 << 40:  # keep the product of so many texts within 64 bits
            mixed, size = _dense(mixed)
    return _dense(mixed)


def _dense(numbers: Any) -> tuple[Indices, int]:
    """Any numbers as 0, 1, 2 … in order of appearance, and how many different ones there are."""
    import pandas as pd

    codes, different = pd.factorize(numbers)
    return codes, len(different)


def _in_time(frame: pd.DataFrame) -> pd.DataFrame:
    """Oldest run first; a run's readings stay in their order."""
    import numpy as np

    times = _times(frame)
    if (np.diff(times) >= 0.0).all():
        return frame
    return frame.iloc[np.argsort(times, kind="stable")]


def _times(frame: pd.DataFrame) -> Array:
    """When each reading's run began, s since 1970."""
    import numpy as np

    ids = frame["run_id"].cat
    try:
        starts = np.array([time_of(run_id).timestamp() for run_id in ids.categories])
    except ValueError as error:
        raise RecordError(
            str(error), where="readings.csv", hint="it was edited by hand: mend that line"
        ) from None
    codes = ids.codes.to_numpy()
    return starts[codes] if len(codes) else np.empty(0)


def _room(history: LimitHistory) -> float:
    return math.inf if history.room is None else history.room


def _known(names: list[str], wanted: str) -> str:
    """What there is, the nearest names first when there are many."""
    shown = get_close_matches(wanted, names, n=5, cutoff=0.3) or names[:5]
    more = f" and {len(names) - len(shown)} more" if len(names) > len(shown) else ""
    return f"one of {', '.join(shown)}{more}"
