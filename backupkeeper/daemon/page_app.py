"""The live page's web application: the report, a feed of what goes on, and a few things to ask for.

Paths are those behind the token (``daemon.page_guard``). Nothing here decides anything.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Mapping
from importlib.resources import files
from typing import Any, Final

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.daemon.page_desk import Desk
from backupkeeper.daemon.page_guard import policy_for
from backupkeeper.report.words import told

HEARTBEAT_S: Final = 5.0
"""So often a feed says that it is alive, so that either side notices that the other is gone."""
PAGE_S: Final = 60.0
MOST_HOURS: Final = 24 * 7
SCRIPT: Final = "live.js"


def page_app(desk: Desk) -> Starlette:
    """The application."""
    answers = _Answers(desk)
    return Starlette(
        routes=[
            Route("/", answers.page, methods=["GET"]),
            Route(f"/{SCRIPT}", answers.script, methods=["GET"]),
            Route("/feed", answers.feed, methods=["GET"]),
            Route("/ask", answers.ask, methods=["POST"]),
        ]
    )


class _Answers:
    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._script = (files("backupkeeper.daemon") / SCRIPT).read_text("utf-8")

    async def page(self, _request: Request) -> Response:
        try:
            text = await asyncio.wait_for(asyncio.wrap_future(self._desk.page()), PAGE_S)
        except (BackupkeeperError, TimeoutError, asyncio.CancelledError) as error:
            words = f"The report can't be made now. {told(str(error))}".strip()
            return PlainTextResponse(words, status_code=503)
        headers = {"content-security-policy": policy_for(text)}
        return Response(text, media_type="text/html; charset=utf-8", headers=headers)

    async def script(self, _request: Request) -> Response:
        return Response(self._script, media_type="text/javascript; charset=utf-8")

    async def feed(self, _request: Request) -> Response:
        loop, changed = asyncio.get_running_loop(), asyncio.Event()

        def wake() -> None:
            if not loop.is_closed():
                loop.call_soon_threadsafe(changed.set)

        reader = self._desk.join(wake)
        if reader is None:
            return PlainTextResponse("Too many look on already.", status_code=503)
        return StreamingResponse(
            _events(self._desk, changed, reader), media_type="text/event-stream; charset=utf-8"
        )

    async def ask(self, request: Request) -> Response:
        asked = _asked(await request.body())
        if asked is None:
            return PlainTextResponse("That is nothing that can be asked here.", status_code=400)
        what, values = asked
        answer = await asyncio.to_thread(self._desk.ask, what, **values)
        if answer is None:
            return PlainTextResponse("The daemon does not answer.", status_code=503)
        return JSONResponse(dict(answer))


async def _events(desk: Desk, changed: asyncio.Event, reader: int) -> AsyncIterator[str]:
    """Server-sent events (WHATWG HTML, section 9.2): pieces as they change, by id."""
    sent: dict[str, str] = {}
    report: int | None = None
    try:
        while not desk.has_ended:
            changed.clear()
            parts, number = desk.shown()
            news = {key: one for key, one in parts.items() if sent.get(key) != one}
            if news:
                sent.update(news)
                yield f"event: parts\ndata: {json.dumps(news)}\n\n"
            if report is not None and number != report:
                yield "event: report\ndata: new\n\n"
            report = number
            try:
                await asyncio.wait_for(changed.wait(), HEARTBEAT_S)
            except TimeoutError:
                yield "event: alive\ndata: 1\n\n"
    finally:
        desk.leave(reader)


def _asked(body: bytes) -> tuple[str, Mapping[str, object]] | None:
    """What the page wants of the daemon, word by word; None: nothing that it may ask."""
    try:
        found: Any = json.loads(body)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        return None
    card, hours = found.get("card"), found.get("hours")
    uploads = found.get("uploads") is True
    wishes: dict[str, tuple[str, Mapping[str, object]]] = {
        "resume": ("resume", {"uploads": uploads})
    }
    if isinstance(card, str):
        wishes["judge"] = "judge", {"card": card}
        wishes["stop"] = "judge", {"card": card, "stop": True}
    if type(hours) is int and 0 < hours <= MOST_HOURS:
        wishes["pause"] = "pause", {"seconds": hours * 3600, "uploads": uploads}
    return wishes.get(str(found.get("do")))
