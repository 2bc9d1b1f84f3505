"""The event stream's address. What flows through it is in ``loadbook_dashboard.stream``."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

from flask import Blueprint, Response, request, stream_with_context

from loadbook_dashboard.gate import may_look
from loadbook_dashboard.parts import parts
from loadbook_dashboard.stream import TooManyError, event_text

blueprint = Blueprint("live", __name__)

LOOK_AGAIN_S = 20.0
"""A stream lasts for days: so often it is looked whether who watches may still look."""


@blueprint.get("/events")
def events() -> Response:
    """Server-sent events: ``hello``, ``link``, ``beat``, ``reading``, ``machine``, ``meters``, ``afresh``."""
    here = parts()
    try:
        watcher = here.hub.watch()
    except TooManyError:
        return Response("As many browsers watch as the settings allow (dashboard.event_streams).", 503)

    gone: Callable[[], bool] = request.environ.get("waitress.client_disconnected", lambda: False)

    def clock() -> dict[str, Any]:
        return {"now_ms": here.now_ms(), "speed": here.speed}

    def flow() -> Iterator[str]:
        looked = time.monotonic()
        try:
            yield "retry: 2000\n"
            yield event_text("hello", {"boot": here.boot, **clock()})
            for text in watcher.events(clock):
                if gone():
                    return
                if time.monotonic() - looked > LOOK_AGAIN_S:
                    looked = time.monotonic()
                    if not may_look(here):
                        return
                yield text
        finally:
            here.hub.leave(watcher)

    response = Response(stream_with_context(flow()), mimetype="text/event-stream")
    response.headers["Cache-Control"] = "no-store"
    response.headers["X-Accel-Buffering"] = "no"
    return response
