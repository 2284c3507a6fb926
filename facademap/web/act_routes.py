"""A state that is read at one address and the acts that change it, each at an address below it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from facademap.store.project import Project
from facademap.web.answers import text_of, threaded
from facademap.web.desk import Desk
from facademap.web.guard import author_of

__all__ = ["Act", "act_routes"]

#: What is done to a project: its folder, what was sent, and who sent it; answers with the row as it is then.
Act = Callable[[Path, Any, str], Any]


def act_routes(
    desk: Desk, address: str, state: Callable[[Project], Any], acts: Mapping[str, Act]
) -> list[Route]:
    """The routes.

    Parameters
    ----------
    desk : Desk
    address : str
        Where the state is read; an act is sent to ``address/name``.
    state : callable
        Tells the state of an open project.
    acts : mapping
        By their names.
    """

    def read(request: Request, body: Any) -> Any:
        return state(desk.reading())

    def doing(act: Act) -> Any:
        def done(request: Request, body: Any) -> Any:
            who = author_of(request.scope, text_of(body, "who", most=80), "survey desk")
            return {"row": act(desk.folder, body, who)}

        return done

    return [
        Route(address, threaded(read)),
        *(
            Route(f"{address}/{name}", threaded(doing(act)), methods=["POST"])
            for name, act in acts.items()
        ),
    ]
