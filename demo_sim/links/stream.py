"""A device at the end of a byte stream: what a TCP connection and an in-process socket share."""

from __future__ import annotations

from collections.abc import Iterator

from demo_sim.scpi import ScpiDevice
from demo_sim.scpi.framing import MessageFramer
from demo_sim.scpi.output import OutputQueue
from demo_sim.scpi.response import Buffer


class ScpiStream:
    """One connection's state: the message it has begun, not the instrument's settings.

    Not locked; the caller serialises over the devices that share a world.
    """

    def __init__(self, device: ScpiDevice) -> None:
        self._device = device
        self._framer = MessageFramer(device.longest_message)

    def feed(self, data: bytes) -> Iterator[list[Buffer]]:
        """Execute the messages that ``data`` completes; per message, the pieces of its response.

        Lazy on purpose: a message is executed when the response of the one before it has been
        taken, so that a client that never reads cannot pile up responses in memory.
        """
        for message in self._framer.feed(data):
            output = OutputQueue()
            self._device.execute_into(message, output)
            yield output.drain()
