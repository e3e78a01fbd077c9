"""A relay matrix, spoken to as its driver file says."""

from __future__ import annotations

from collections.abc import Mapping

from seqrun.errors import InstrumentRefused, UsageError
from seqrun.files.common import one_of
from seqrun.files.driver.file import Driver
from seqrun.instruments.base import DrivenInstrument
from seqrun.instruments.link import Link


class DrivenSwitch(DrivenInstrument):
    """Plays the role :class:`~seqrun.instruments.roles.Switch`.

    Which terminals and nodes are wired to the matrix, and what the matrix calls them, stands under
    ``[words.terminal]`` and ``[words.node]`` of its driver file; without these tables the matrix
    knows them by their own names. A matrix of single paths names each pair under ``[words.path]``,
    as ``"meter.hi out.left"``.
    """

    def __init__(self, name: str, driver: Driver, link: Link, label: str = "") -> None:
        super().__init__(name, driver, link, label)
        self._on: dict[str, str] = {}

    def connect(self, terminal: str, point: str) -> None:
        """Close the relays between a terminal and a node, having opened those of another.

        Raises:
            UsageError: one of them is not wired to the matrix.
        """
        self._reached(terminal, point)
        if self._on.get(terminal) == point:
            return
        self.disconnect(terminal)
        # Before it is sent: if the answer is lost, the relay counts as closed and gets opened.
        self._on[terminal] = point
        self._ops["connect"](**_relay(terminal, point))
        self._see("connect", terminal, point, True)

    def disconnect(self, terminal: str) -> None:
        """Open the relays of a terminal; nothing when it is on no node."""
        point = self._on.get(terminal)
        if point is not None:
            self._ops["disconnect"](**_relay(terminal, point))
            self._see("disconnect", terminal, point, False)
            del self._on[terminal]

    def make_safe(self) -> None:
        """All relays open."""
        super().make_safe()
        self._on.clear()

    def reaches(self, terminal: str, point: str) -> bool:
        """Whether the relays can put a terminal on a node, by the driver file's words."""
        return self._missing(terminal, point) is None

    def _reached(self, terminal: str, point: str) -> None:
        missing = self._missing(terminal, point)
        if missing is not None:
            what, name, known = missing
            raise UsageError(
                f"'{name}' is not wired to the switch", expected=one_of(name, known),
                where=self._link.where, hint=f"[words.{what}] of its driver file lists what is",
            )  # fmt: skip

    def _missing(self, terminal: str, point: str) -> tuple[str, str, Mapping[str, str]] | None:
        for what, name in (("terminal", terminal), ("node", point)):
            known = words_of(self.driver, what)
            if known is not None and name not in known:
                return what, name, known
        path, known = f"{terminal} {point}", words_of(self.driver, "path")
        return None if known is None or path in known else ("path", path, known)

    def _see(self, done: str, terminal: str, point: str, wanted: bool) -> None:
        """Read the relay back where the matrix tells."""
        if (
            "closed" in self._ops
            and self._ops["closed"].boolean(**_relay(terminal, point)) != wanted
        ):
            raise InstrumentRefused(
                f"after '{done}' the relay {terminal} to {point} is "
                f"{'open' if wanted else 'closed'}",
                expected="closed" if wanted else "open", where=self._link.where,
                hint="the relay or its wiring may be at fault",
            )  # fmt: skip


def words_of(driver: Driver, what: str) -> Mapping[str, str] | None:
    """What a switch calls its terminals, nodes or paths; None: it knows them by their names."""
    own = driver.operation["connect"].words.get(what)
    return driver.words.get(what) if own is None else own


def _relay(terminal: str, point: str) -> dict[str, str]:
    return {"terminal": terminal, "node": point, "path": f"{terminal} {point}"}
