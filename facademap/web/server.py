"""Run the survey desk until it is stopped."""

from __future__ import annotations

import threading
import webbrowser

import uvicorn

from facademap.tasks.serve import ServePlan
from facademap.web.app import make_app

__all__ = ["run"]


def run(plan: ServePlan, *, open_browser: bool) -> None:
    """Serve until Ctrl-C."""
    app = make_app(plan.folder, host=plan.host, secret=plan.secret)
    config = uvicorn.Config(app, log_level="warning", access_log=False, server_header=False,
                            timeout_graceful_shutdown=2, lifespan="on", ws="none")
    if open_browser:
        link = plan.address + (f"?key={plan.secret}" if plan.secret else "")
        threading.Timer(0.6, webbrowser.open, args=(link,)).start()
    uvicorn.Server(config).run(sockets=[plan.socket])
