"""The two ways to a virtual instrument: PyVISA in the same process, and TCP sockets.

What "the same behaviour" means. A raw socket carries bytes and nothing else: no END, no request to
read, no device clear, no serial poll. The server therefore sends each response the moment that it
is complete, as raw-socket instruments do, and nobody can be caught reading too early or too late.

* ``TCPIP0::host::5025::SOCKET`` in process and on the network: the same bytes in give the same
  bytes out, in every exchange, legal or not. Neither ever reports −410 or −420.
* ``TCPIP0::host::INSTR`` in process: reads when the controller asks, so it keeps the message
  exchange protocol of IEEE 488.2, 6.3. For a controller that keeps it too (one read after each
  query message, none otherwise) the bytes are those of the socket. One that does not finds a lost
  response and −410 INTERRUPTED, or nothing and −420 UNTERMINATED, where the socket delivers late
  or stays silent. −430 DEADLOCKED arises inside one message and is the same on both.

HiSLIP and VXI-11 would carry END, device clear and serial poll; no maintained server library for
either was found, and neither is offered.
"""
