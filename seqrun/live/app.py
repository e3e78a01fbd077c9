"""The application of a run's page: the page, the stream that feeds it, and what it may say."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from seqrun.live.access import PAGES, Commander, Door
from seqrun.live.asking import Answers, Refused
from seqrun.live.assets import page
from seqrun.live.board import Board, Scene
from seqrun.live.photographing import Camera, Photograph
from seqrun.live.requests import Endpoint, entrance, fields, file, guarded, headed, told
from seqrun.live.view import Parts

if TYPE_CHECKING:
    from seqrun.plan.view import BenchView

LEAST_S = 0.15  # between two messages to a page: eyes are no quicker, and drawing costs
ALIVE_S = 2.0  # without news a page is told that it is still fed
_OTHER = (
    "Another page is in command. This one only watches until that one is closed, or has been gone "
    "for a while."
)


class LivePage:
    """What the requests of the pages come to.

    Args:
        stop: ends the run in the safe state, as Ctrl-C does.
        photograph: keeps a picture with the unit's case; None: no pictures are taken.
    """

    def __init__(
        self,
        board: Board,
        answers: Answers,
        command: Commander,
        stop: Callable[[], None],
        view: BenchView | None = None,
        photograph: Photograph | None = None,
    ) -> None:
        self._board, self._answers, self._command, self._stop = board, answers, command, stop
        self._parts = Parts(view)
        self._camera = Camera(photograph)
        self._streams = 0
        self._closing = False

    def app(self, door: Door) -> Starlette:
        """The application, for those whom the door lets in."""
        return Starlette(
            routes=[
                Route("/", entrance(door, self._page)),
                Route("/static/{name}", file),
                Route("/events", guarded(door, self._events)),
                *(
                    Route(f"/{name}", guarded(door, _spoken(said)), methods=["POST"])
                    for name, said in (
                        ("answer", self._answer),
                        ("press", self._press),
                        ("stop", self._end),
                        ("command", self._take),
                        ("photo", self._photo),
                        ("here", self._here),
                        ("closed", self._closed),
                    )
                ),
            ]
        )

    # --- what a page is shown ------------------------------------------------------------------

    async def _page(self, request: Request) -> Response:
        scene = self._board.scene
        parts, camera = self._parts.of(scene), not self._camera.why_not
        return headed(HTMLResponse(page("run.html.j2", s=scene, parts=parts, camera=camera)))

    async def _events(self, request: Request) -> Response:
        who = request.query_params.get("page", "")
        if not _is_page(who):
            return told("There is no such page.", 400)
        if self._streams >= PAGES:
            return told("Too many pages are watching already.", 503)
        head = {"X-Accel-Buffering": "no"}
        stream = StreamingResponse(self._feed(who), headers=head, media_type="text/event-stream")
        return headed(stream)

    async def _feed(self, who: str) -> AsyncIterator[str]:
        """The parts that changed, as often as this page takes them."""
        changed = asyncio.Event()
        loop = asyncio.get_running_loop()
        pending = False  # a wake is under way already: the run need not ask for another

        def wake() -> None:
            nonlocal pending
            if not pending:
                pending = True
                loop.call_soon_threadsafe(changed.set)

        over = self._board.watched_by(wake)
        self._streams += 1
        shown: dict[str, object] = {}
        try:
            yield "retry: 1000\n\n"
            while True:
                pending = False
                changed.clear()
                last = self._closing
                message = self._news(who, self._board.scene, shown)
                yield f"data: {json.dumps(message)}\n\n" if message else ": here\n\n"
                if last:
                    return
                await asyncio.sleep(LEAST_S)
                try:
                    await asyncio.wait_for(changed.wait(), ALIVE_S)
                except TimeoutError:
                    continue
        finally:
            over()
            self._streams -= 1

    def _news(self, who: str, scene: Scene, shown: dict[str, object]) -> dict[str, object]:
        """What a page does not show yet."""
        now: dict[str, object] = {f"#{name}": html for name, html in self._parts.of(scene).items()}
        now["commands"] = self._command.holds(who)
        now["other"] = self._command.held() and not self._command.holds(who)
        now["question"] = scene.question.id if scene.question is not None else ""
        now["over"] = scene.disposition is not None
        now["spoken"] = [[one.number, one.urgent, one.text] for one in scene.spoken]
        new = {key: value for key, value in now.items() if shown.get(key, shown) != value}
        shown.update(new)
        return new

    def close(self) -> None:
        """Each page gets what is newest, and is fed no more."""
        self._closing = True
        self._board.change()

    @property
    def fed(self) -> int:
        """How many pages are being fed."""
        return self._streams

    # --- what a page says ----------------------------------------------------------------------

    async def _answer(self, request: Request) -> None:
        said = await fields(request, "page", "question", "answer")
        self._commands(said["page"])
        self._answers.answer(said["question"], said["answer"])

    async def _press(self, request: Request) -> None:
        said = await fields(request, "page", "key")
        self._commands(said["page"])
        self._answers.press(said["key"])

    async def _end(self, request: Request) -> None:
        """Whoever sees smoke may end the run: this is no command to do something to the unit."""
        await fields(request, "page")
        if self._board.scene.safe:
            raise Refused("The safe state has been entered already.")
        self._board.say(
            "The run is being ended in the safe state.", urgent=True, stopping="the bench page"
        )
        self._stop()

    async def _take(self, request: Request) -> None:
        self._commands((await fields(request, "page"))["page"])
        self._board.change()  # each page shows who commands

    async def _photo(self, request: Request) -> None:
        self._commands(request.query_params.get("page", ""))
        note = await self._camera.take(request)
        self._board.say(f"Photograph kept{f': {note}' if note else ''}.")

    async def _here(self, request: Request) -> None:
        said = await fields(request, "page")
        if _is_page(said["page"]):
            self._command.here(said["page"])

    async def _closed(self, request: Request) -> None:
        self._command.closed((await fields(request, "page"))["page"])

    def _commands(self, who: str) -> None:
        if not _is_page(who):
            raise Refused("There is no such page.")
        if not self._command.may(who):
            raise Refused(_OTHER)


def _spoken(said: Callable[[Request], Awaitable[None]]) -> Endpoint:
    """A POST: done, or refused with the reason."""

    async def wrapped(request: Request) -> Response:
        try:
            await said(request)
        except Refused as refusal:
            return told(refusal.why, 409)
        return headed(JSONResponse({"done": True}))

    return wrapped


def _is_page(text: str) -> bool:
    return 8 <= len(text) <= 64 and text.isascii() and text.isalnum()
