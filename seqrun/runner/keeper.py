"""Who hears of a run as it happens: its record, or whoever stands in the record's place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Protocol

from seqrun.record.table import Patience
from seqrun.values import Judged

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Keeper(Protocol):
    """What the engine, and the steps through it, hand on. :class:`~seqrun.record.RunRecord` puts it
    on disk, and says which errors come of that."""

    def reading(
        self, judged: Judged, *, simulated: bool | None = None, patience: Patience | None = None
    ) -> None:
        """One reading, as soon as it is judged; ``patience`` is for a record that is locked."""
        ...

    def trace(self, name: str, columns: Mapping[str, Iterable[float]]) -> object:
        """A whole trace; the names of its columns end in their unit."""
        ...

    def sound(
        self, name: str, volts: NDArray[np.float64], rate_hz: float, full_scale_v: float
    ) -> object:
        """What was heard, volts against time."""
        ...
