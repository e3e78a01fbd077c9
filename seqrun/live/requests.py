"""What both applications share: who is let in, the head of every answer, small bodies."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response

from seqrun.live.access import Door
from seqrun.live.asking import Refused
from seqrun.live.assets import asset, page

#: nothing from anywhere else, and nothing of ours in a page of somebody else's
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; media-src 'self' data:; form-action 'none'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
#: a report stands by itself, with its style within it
REPORT_POLICY = POLICY.replace("style-src 'self'", "style-src 'unsafe-inline'")
BODY = 4096  # octets of a POST
_FILES = {"live.css": "text/css", "live.js": "text/javascript"}

Endpoint = Callable[[Request], Awaitable[Response]]


def headed(response: Response, policy: str = POLICY) -> Response:
    """An answer with the heads that every one of ours has."""
    response.headers["Content-Security-Policy"] = policy
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["Referrer-Policy"] = "no-referrer"
    response.headers["Cache-Control"] = "no-store"
    response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
    return response


def refused(why: str, status: int = 403) -> Response:
    """A page that says why nobody gets further."""
    return headed(HTMLResponse(page("refused.html.j2", why=why), status))


def told(why: str, status: int) -> Response:
    """The same for a script."""
    return headed(JSONResponse({"refused": why}, status))


def guarded(door: Door, endpoint: Endpoint) -> Endpoint:
    """An endpoint for those who were let in; a POST has to come from a page of ours."""

    async def wrapped(request: Request) -> Response:
        host = request.headers.get("host", "")
        post = request.method == "POST"
        answer = told if post else refused
        if not door.is_ours(host):
            return answer("The page does not answer under that name.", 421)
        if not door.admits(request.cookies.get(door.cookie, "")):
            return answer("Open the page by the address that the terminal shows.", 403)
        if post and not door.same_origin(request.headers.get("origin", ""), host):
            return answer("That does not come from the bench page.", 403)
        return await endpoint(request)

    return wrapped


def entrance(door: Door, endpoint: Endpoint) -> Endpoint:
    """The endpoint of the first page: the token of the address is changed for a cookie."""
    inner = guarded(door, endpoint)

    async def wrapped(request: Request) -> Response:
        token = request.query_params.get("token")
        if token is None:
            return await inner(request)
        if not door.is_ours(request.headers.get("host", "")):
            return refused("The page does not answer under that name.", 421)
        if not door.knows(token):
            return refused("That address is not, or no longer, the one that the terminal shows.")
        response = await endpoint(request)
        response.set_cookie(door.cookie, door.worth, httponly=True, samesite="strict", path="/")
        return response

    return wrapped


async def fields(request: Request, *names: str) -> dict[str, str]:
    """The fields of a small JSON body.

    Raises:
        Refused: it is none, or too large.
    """
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > BODY:
            raise Refused("That is too long.")
    try:
        found: Any = json.loads(body)
        return {name: _text(found[name]) for name in names}
    except (ValueError, KeyError, TypeError, RecursionError):
        raise Refused("That is no message of the bench page.") from None


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError
    return value


async def file(request: Request) -> Response:
    """The style sheet and the script; nothing in them is secret."""
    name = request.path_params["name"]
    if name not in _FILES:
        return headed(PlainTextResponse("there is no such file", 404))
    return headed(Response(asset(f"pages/{name}"), media_type=_FILES[name]))
