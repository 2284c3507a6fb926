"""Run the survey desk until it is stopped."""

from __future__ import annotations

import logging
import threading
import traceback
import webbrowser
from collections.abc import Callable
from types import FrameType

import uvicorn

from facademap.no_secrets import without_secrets
from facademap.tasks.desk.serve import ServePlan
from facademap.web.app import make_app
from facademap.web.connections import Watched
from facademap.web.guard import Guard

__all__ = ["run", "server_config"]


def run(plan: ServePlan, *, open_browser: bool) -> None:
    """Serve until Ctrl-C."""
    secure = plan.tls is not None or plan.address.startswith("https:")
    app = make_app(
        plan.folder,
        host=plan.host,
        secret=plan.secret,
        names=plan.names,
        secure=secure,
        assistant=plan.assistant,
        processes=True,
        accounts=plan.accounts,
        queue=plan.queue,
    )
    if open_browser:
        # the command line of a browser can be read by everybody on the machine: no secret stands in it
        link = plan.own_address + (f"?ticket={app.ticket()}" if app.ticket is not None else "")
        threading.Timer(0.6, webbrowser.open, args=(link,)).start()
    config = server_config(app, plan)
    logging.getLogger("uvicorn.error").addFilter(_NoSecrets())
    _Server(config, on_stop=app.on_stop).run(sockets=[plan.socket])


def server_config(app: Guard, plan: ServePlan) -> uvicorn.Config:
    """How the application is served."""
    certificate, key = plan.tls or (None, None)
    return uvicorn.Config(
        app,
        http=Watched,
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=2,
        lifespan="on",
        ws="none",
        ssl_certfile=certificate,
        ssl_keyfile=key,
        # only a proxy that was named may say for whom it asks
        proxy_headers=plan.behind_proxy,
        forwarded_allow_ips="127.0.0.1,::1" if plan.behind_proxy else None,
    )


class _NoSecrets(logging.Filter):
    """Leaves what looks like a secret out of what the server prints, traces of its own faults among it."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Every record goes on, its text and its trace without secrets."""
        record.msg, record.args = without_secrets(record.getMessage()), None
        if record.exc_info and record.exc_info[1] is not None:
            trace = "".join(traceback.format_exception(record.exc_info[1]))
            record.exc_text, record.exc_info = without_secrets(trace), None
        return True


class _Server(uvicorn.Server):
    """Lets waiting pages go first when it is told to end."""

    def __init__(self, config: uvicorn.Config, *, on_stop: Callable[[], None]) -> None:
        super().__init__(config)
        self._on_stop = on_stop

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Asked to end by a signal."""
        self._on_stop()
        super().handle_exit(sig, frame)
