"""Who may come in, and who of them commands.

The address that the terminal shows holds a token, made anew for each run and worth nothing after
it. Whoever opens it gets a cookie of that run; everything else asks for the cookie. What changes
anything comes as a POST from the page itself: same origin, same host name as ours.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable, Iterable

#: a page that was not heard of for so long is gone: its computer sleeps, or is out of reach, s
GONE_S = 12.0
#: one that was closed may be a page that is loaded again, s
CLOSED_S = 3.0
PAGES = 32  # that are remembered at once


class Door:
    """Lets in whoever has the token.

    Args:
        hosts: names and addresses by which we are called; any other is a page of somebody else's
            whose name was made to point here.
        port: ours, for the name of the cookie, which browsers do not keep apart by port.
    """

    def __init__(self, hosts: Iterable[str], port: int) -> None:
        self.token = secrets.token_urlsafe(18)
        self.cookie = f"seqrun-{port}"
        self.worth = secrets.token_urlsafe(24)
        self._hosts = frozenset(host.lower() for host in hosts)

    def knows(self, token: str) -> bool:
        """Whether it is the token of the address."""
        return secrets.compare_digest(token.encode(), self.token.encode())

    def admits(self, cookie: str) -> bool:
        """Whether it is the cookie of somebody who was let in."""
        return secrets.compare_digest(cookie.encode(), self.worth.encode())

    def is_ours(self, host: str) -> bool:
        """Whether a ``Host`` is one of ours, whatever its port: a tunnel has one of its own."""
        name = host.rpartition(":")[0] if host.rpartition(":")[2].isdecimal() else host
        return name.strip("[]").lower() in self._hosts

    def same_origin(self, origin: str, host: str) -> bool:
        """Whether a POST comes from a page of ours."""
        return self.is_ours(host) and origin.lower() == f"http://{host.lower()}"


class Commander:
    """Which of the pages commands: the first that wants to, until it is gone.

    Args:
        clock: seconds, of any beginning.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._guard = threading.Lock()
        self._heard: dict[str, float] = {}  # page -> until when it counts as there
        self._holder = ""

    def here(self, page: str) -> None:
        """A page is there; with nobody in command it gets it."""
        with self._guard:
            self._note(page, GONE_S)
            if not self._there(self._holder):
                self._holder = page

    def closed(self, page: str) -> None:
        """A page was closed, or is being loaded again."""
        with self._guard:
            if page in self._heard:
                self._note(page, CLOSED_S)

    def may(self, page: str) -> bool:
        """Whether a page commands; it takes what nobody holds."""
        self.here(page)
        return self._holder == page

    def holds(self, page: str) -> bool:
        """Whether a page commands, as it is."""
        with self._guard:
            return self._holder == page and self._there(page)

    def held(self) -> bool:
        """Whether any page does."""
        with self._guard:
            return self._there(self._holder)

    def _there(self, page: str) -> bool:
        return self._heard.get(page, 0.0) > self._clock()

    def _note(self, page: str, seconds: float) -> None:
        if page not in self._heard and len(self._heard) >= PAGES:
            del self._heard[min(self._heard, key=lambda one: self._heard[one])]
        self._heard[page] = self._clock() + seconds
