"""A relay matrix, spoken to as its driver file says."""

from __future__ import annotations

from seqrun.errors import UsageError
from seqrun.files.common import one_of
from seqrun.files.driver import Driver
from seqrun.instruments.base import DrivenInstrument
from seqrun.instruments.link import Link


class DrivenSwitch(DrivenInstrument):
    """Plays the role :class:`~seqrun.instruments.roles.Switch`.

    Which terminals and nodes are wired to the matrix, and what the matrix calls them, stands under
    ``[words.terminal]`` and ``[words.node]`` of its driver file; without these tables the matrix
    knows them by their own names.
    """

    def __init__(self, name: str, driver: Driver, link: Link) -> None:
        super().__init__(name, driver, link)
        self._on: dict[str, str] = {}

    def connect(self, terminal: str, point: str) -> None:
        """Close the relays between a terminal and a node, having opened those of another.

        Raises:
            UsageError: one of them is not wired to the matrix.
        """
        self._wired("terminal", terminal)
        self._wired("node", point)
        if self._on.get(terminal) == point:
            return
        self.disconnect(terminal)
        # Before it is sent: if the answer is lost, the relay counts as closed and gets opened.
        self._on[terminal] = point
        self._ops["connect"](terminal=terminal, node=point)

    def disconnect(self, terminal: str) -> None:
        """Open the relays of a terminal; nothing when it is on no node."""
        self._wired("terminal", terminal)
        point = self._on.get(terminal)
        if point is not None:
            self._ops["disconnect"](terminal=terminal, node=point)
            del self._on[terminal]

    def make_safe(self) -> None:
        """All relays open."""
        super().make_safe()
        self._on.clear()

    def _wired(self, what: str, name: str) -> None:
        known = self.driver.words.get(what)
        if known is not None and name not in known:
            raise UsageError(
                f"'{name}' is not wired to the switch", expected=one_of(name, known),
                where=self._link.where, hint=f"[words.{what}] of its driver file lists what is",
            )  # fmt: skip
