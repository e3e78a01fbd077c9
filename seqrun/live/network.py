"""The address of the page, its sockets and its QR code."""

from __future__ import annotations

import socket
from contextlib import suppress

from seqrun.errors import UsageError

LOOPBACK = "127.0.0.1"
#: an address that no network has (RFC 5737): a datagram socket "connected" to it sends nothing, and
#: tells by which of our own addresses we would leave
_NOWHERE = ("192.0.2.1", 9)


def lan_address() -> str:
    """This computer's own address on the LAN.

    Raises:
        UsageError: there is none.
    """
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(_NOWHERE)
        found = str(probe.getsockname()[0])
        if not found.startswith(("127.", "0.")):
            return found
    raise UsageError(
        "this computer has no address on a LAN",
        expected="a network that the phone is on, too",
        where="--lan",
        hint="join a network, or leave --lan out: the page is then on this computer only",
    )


def listening(hosts: list[str], port: int) -> list[socket.socket]:
    """Sockets that listen on one port of each address; port 0 takes a free one.

    Raises:
        UsageError: the port is taken.
    """
    found: list[socket.socket] = []
    for host in hosts:
        one = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        found.append(one)
        try:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            one.bind((host, port))
            one.listen(64)
        except OSError as error:
            for opened in found:
                opened.close()
            raise UsageError(
                f"the page cannot listen on {host}, port {port or 'any'}: {error.strerror}",
                expected="a free port",
                where="--port",
                hint="leave --port out to take a free one",
            ) from None
        port = port or int(one.getsockname()[1])
    return found


def qr_lines(address: str) -> list[str]:
    """An address as a QR code, two rows of it a line, light on dark as terminals are.

    Its quiet zone is two modules wide: less than the four of ISO/IEC 18004, and read by phones.
    """
    import segno

    rows = [list(row) for row in segno.make(address, error="l", micro=False).matrix_iter(border=2)]
    if len(rows) % 2:
        rows.append([0] * len(rows[0]))
    pairs = zip(rows[0::2], rows[1::2], strict=True)
    half = {(0, 0): "█", (0, 1): "▀", (1, 0): "▄", (1, 1): " "}
    return [
        "".join(half[int(bool(a)), int(bool(b))] for a, b in zip(upper, lower, strict=True))
        for upper, lower in pairs
    ]
