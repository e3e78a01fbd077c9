"""A SCPI relay matrix that moves hookups without hands.

Rows are the terminals of measuring instruments, columns the nodes of the unit: the crosspoint of
row r and column c has the number 100·r + c, and closed it puts the row's lead on the column's node.
A row holds one column at a time: closing another while one is closed is a settings conflict, so
that two nodes of the unit are never tied together through the matrix. ``ROUTe:CONNect`` does by
name, break before make, what ``ROUTe:CLOSe`` does by number.
"""

from __future__ import annotations

from demo_sim.errors import DemoError
from demo_sim.instruments.base import Instrument
from demo_sim.instruments.control import HandledWorld
from demo_sim.scpi import Call, ChannelList, ScpiError, String, command, query

RELAY_S = 0.008  # operate or release, with bounce

ROWS = (
    "meter.hi",
    "meter.lo",
    "meter.sense_hi",
    "meter.sense_lo",
    "meter.amps",
    "scope.1",
    "scope.2",
    "scope.3",
    "scope.4",
)
# The first columns are wired the same way on every bench; the unit's other nodes follow.
FIRST_COLUMNS = (
    "ground",
    "out.left",
    "out.right",
    "rail.pos",
    "rail.neg",
    "sensor.sink.hot",
    "sensor.sink.cold",
    "sensor.ambient.hot",
    "sensor.ambient.cold",
)
MOST_COLUMNS = 99
_POINTS = ChannelList(first=101, last=100 * len(ROWS) + MOST_COLUMNS)


class Switch(Instrument):
    """The matrix. Opening a row takes its lead off the unit."""

    model = "SIMULATED SWITCH"

    def __init__(self, world: HandledWorld, key: str = "switch", serial: str = "0") -> None:
        super().__init__(world, key, serial)
        self._world = world
        nodes = world.nodes()
        others = [node for node in nodes if node not in FIRST_COLUMNS]
        self.columns = (*FIRST_COLUMNS, *others)[:MOST_COLUMNS]
        self._present = frozenset(nodes)
        self._closed: dict[int, int] = {}  # row -> column, both from 1

    def reset(self) -> None:
        self.open_all(Call(""))

    @command("ROUTe:CLOSe", _POINTS)
    def close(self, call: Call, numbers: tuple[int, ...]) -> None:
        points = [self._crosspoint(number) for number in numbers]
        wanted = dict(self._closed)
        for row, column in points:
            if wanted.get(row, column) != column:
                raise ScpiError(-221, f"row {row} is on column {wanted[row]}: open it first")
            wanted[row] = column
        for row, column in points:
            self._make(row, column)

    @query("ROUTe:CLOSe", _POINTS)
    def close_query(self, call: Call, numbers: tuple[int, ...]) -> tuple[bool, ...]:
        points = [self._crosspoint(number) for number in numbers]
        return tuple(self._closed.get(row) == column for row, column in points)

    @query("ROUTe:CLOSe:STATe")
    def closed(self, call: Call) -> str:
        """All closed crosspoints as a channel list."""
        return "(@" + ",".join(str(100 * r + c) for r, c in sorted(self._closed.items())) + ")"

    @command("ROUTe:OPEN", _POINTS)
    def open(self, call: Call, numbers: tuple[int, ...]) -> None:
        for row, column in [self._crosspoint(number) for number in numbers]:
            if self._closed.get(row) == column:
                self._break(row)

    @command("ROUTe:OPEN:ALL")
    def open_all(self, call: Call) -> None:
        for row in list(self._closed):
            self._break(row)

    @command("ROUTe:CONNect", String(), String())
    def connect(self, call: Call, terminal: str, node: str) -> None:
        """Row and column by name; the row leaves the column that it was on."""
        if terminal not in ROWS:
            raise ScpiError(-224, f"no row {terminal}")
        if node not in self.columns:
            raise ScpiError(-224, f"no column {node}")
        row, column = ROWS.index(terminal) + 1, self.columns.index(node) + 1
        if row in self._closed and self._closed[row] != column:
            self._break(row)
        self._make(row, column)

    @command("ROUTe:DISConnect", String())
    def disconnect(self, call: Call, terminal: str) -> None:
        if terminal not in ROWS:
            raise ScpiError(-224, f"no row {terminal}")
        row = ROWS.index(terminal) + 1
        if row in self._closed:
            self._break(row)

    def _crosspoint(self, number: int) -> tuple[int, int]:
        """Row and column, both from 1."""
        row, column = divmod(number, 100)
        if not 1 <= row <= len(ROWS) or not 1 <= column <= len(self.columns):
            raise ScpiError(-222, f"no crosspoint {number}")
        return row, column

    def _make(self, row: int, column: int) -> None:
        if self._closed.get(row) == column:
            return
        if self.columns[column - 1] not in self._present:
            raise ScpiError(-241, f"the unit has no {self.columns[column - 1]}")
        try:
            self._world.connect(ROWS[row - 1], self.columns[column - 1])
        except DemoError as error:
            raise ScpiError(-221, str(error)) from error
        self._closed[row] = column
        self._world.advance(RELAY_S)

    def _break(self, row: int) -> None:
        del self._closed[row]
        self._world.disconnect(ROWS[row - 1])
        self._world.advance(RELAY_S)
