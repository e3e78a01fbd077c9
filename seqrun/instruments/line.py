"""How a line is set when it is opened: a raw socket, and a serial port as its driver file says."""

from __future__ import annotations

import os
import socket
from contextlib import suppress
from typing import Any

from seqrun.files.driver.manners import Manners


def no_delay(resource: Any, port: Any) -> None:
    """Without this a message that follows another waits 40 ms for the other side's acknowledgement
    (Nagle's algorithm).

    Args:
        resource: an open PyVISA resource on a raw socket.
        port: PyVISA-py's own socket; None with another library.

    Raises:
        OSError: the connection was refused.
    """
    from pyvisa.constants import ResourceAttribute

    with suppress(Exception):  # not every library knows it; it is only slower without
        resource.set_visa_attribute(ResourceAttribute.tcpip_nodelay, True)
    if port is not None and hasattr(port, "setsockopt"):
        # PyVISA-py does not look whether its connection was refused.
        failed = port.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if failed:
            raise OSError(failed, os.strerror(failed))
        port.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def set_serial(resource: Any, manners: Manners) -> None:
    """Speed, frame and flow control of an open serial resource, as far as the manners say."""
    from pyvisa import constants

    values: dict[str, Any] = {
        "baud_rate": manners.baud_rate,
        "data_bits": manners.data_bits,
        "parity": manners.parity and constants.Parity[manners.parity],
        "stop_bits": manners.stop_bits
        and {1: constants.StopBits.one, 1.5: constants.StopBits.one_and_a_half,
             2: constants.StopBits.two}[manners.stop_bits],
        "flow_control": manners.flow_control and constants.ControlFlow[manners.flow_control],
    }  # fmt: skip
    for name, value in values.items():
        if value is not None:
            setattr(resource, name, value)
