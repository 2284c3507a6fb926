"""Run the survey desk until it is stopped."""

from __future__ import annotations

import threading
import webbrowser
from collections.abc import Callable
from types import FrameType

import uvicorn

from facademap.tasks.desk.serve import ServePlan
from facademap.web.app import make_app

__all__ = ["run"]


def run(plan: ServePlan, *, open_browser: bool) -> None:
    """Serve until Ctrl-C."""
    app = make_app(plan.folder, host=plan.host, secret=plan.secret, assistant=plan.assistant)
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=2,
        lifespan="on",
        ws="none",
    )
    if open_browser:
        link = plan.address + (f"?key={plan.secret}" if plan.secret else "")
        threading.Timer(0.6, webbrowser.open, args=(link,)).start()
    _Server(config, on_stop=app.on_stop).run(sockets=[plan.socket])


class _Server(uvicorn.Server):
    """Lets waiting pages go first when it is told to end."""

    def __init__(self, config: uvicorn.Config, *, on_stop: Callable[[], None]) -> None:
        super().__init__(config)
        self._on_stop = on_stop

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Asked to end by a signal."""
        self._on_stop()
        super().handle_exit(sig, frame)
