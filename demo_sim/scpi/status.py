"""Status registers and the error/event queue.

IEEE 488.2, chapter 11; SCPI-99 volume 1, chapter 9, and volume 2, chapters 20 and 21.
"""

from __future__ import annotations

from collections import deque

from demo_sim.scpi.errors import ScpiError

# Standard event status register, IEEE 488.2, 11.5.1.1 (bit values).
OPERATION_COMPLETE = 0x01
REQUEST_CONTROL = 0x02
QUERY_ERROR = 0x04
DEVICE_ERROR = 0x08
EXECUTION_ERROR = 0x10
COMMAND_ERROR = 0x20
USER_REQUEST = 0x40
POWER_ON = 0x80

# Status byte, IEEE 488.2, 11.2.1 and SCPI-99 volume 1, 9.
ERROR_QUEUE = 0x04
QUESTIONABLE = 0x08
MESSAGE_AVAILABLE = 0x10
EVENT_SUMMARY = 0x20
MASTER_SUMMARY = 0x40
OPERATION = 0x80

SIXTEEN_BITS = 0x7FFF  # bit 15 is never used, so that the register fits a signed integer (20)


class StatusRegister:
    """Condition, transition filters, event and enable of one SCPI status structure.

    ``condition`` is set by the instrument; a bit that rises through ``positive`` or falls through
    ``negative`` is latched in ``event``. ``summary`` feeds the bit of the structure above.
    """

    __slots__ = ("_condition", "_event", "enable", "negative", "positive")

    def __init__(self) -> None:
        self._condition = 0
        self._event = 0
        self.preset()

    def preset(self) -> None:
        """STATus:PRESet (volume 2, 20.2): rising bits latch, nothing is enabled."""
        self.enable = 0
        self.positive = SIXTEEN_BITS
        self.negative = 0

    @property
    def condition(self) -> int:
        """The present state, unlatched."""
        return self._condition

    @condition.setter
    def condition(self, value: int) -> None:
        value &= SIXTEEN_BITS
        rising, falling = value & ~self._condition, self._condition & ~value
        self._event |= (rising & self.positive) | (falling & self.negative)
        self._condition = value

    def set_bit(self, bit: int, on: bool) -> None:
        """Set or clear one bit (0…14) of the condition."""
        mask = 1 << bit
        self.condition = self._condition | mask if on else self._condition & ~mask

    @property
    def event(self) -> int:
        """What was latched since last read; look without clearing."""
        return self._event

    def read_event(self) -> int:
        """Read and clear, as the query does."""
        event, self._event = self._event, 0
        return event

    @property
    def summary(self) -> bool:
        """Whether an enabled event is latched."""
        return bool(self._event & self.enable)


class ErrorQueue:
    """First in, first out; full: the newest entry becomes −350 (SCPI-99 volume 2, 21.8.1)."""

    def __init__(self, depth: int = 20) -> None:
        self._depth = depth
        self._entries: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, number: int, text: str) -> bool:
        """Enter an error; ``False`` when it was lost and −350 stands in its place."""
        if len(self._entries) < self._depth:
            self._entries.append((number, text))
            return True
        self._entries[-1] = (-350, ScpiError(-350).text)
        return False

    def pop(self) -> tuple[int, str]:
        """The oldest entry, or (0, "No error")."""
        return self._entries.popleft() if self._entries else (0, ScpiError(0).text)

    def clear(self) -> None:
        """Forget everything (*CLS)."""
        self._entries.clear()
