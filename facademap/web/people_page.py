"""The pages on which an administrator leads the people of a project: who is in, what they may do, and what they saw and did."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import parse_qs, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from facademap.errors import FacademapError, InputError, RightsError
from facademap.store.team_people import ROLES, PeopleBook, book_of, same_name
from facademap.tasks.desk.accounts import change_in, invite_to, remove_from, trail_text
from facademap.web.answers import failure
from facademap.web.desk import Desk
from facademap.web.sign_in import shown

__all__ = ["routes"]

#: Fields of a form; one for every elevation of the project and a few.
_MOST_FIELDS = 1000
_SHOWN = 200
_FILTERS = ("name", "act", "about", "since", "until")


class _Form(dict[str, list[str]]):
    """The fields of a form, each with all of its values."""

    def one(self, name: str) -> str:
        """The only value of a field, without spaces round it; empty where it was not sent."""
        return self.get(name, [""])[0].strip()


async def _form_of(request: Request) -> _Form:
    try:
        raw = (await request.body()).decode("utf-8")
        return _Form(parse_qs(raw, max_num_fields=_MOST_FIELDS, keep_blank_values=True))
    except (ValueError, ClientDisconnect):
        raise InputError("a form that cannot be read", "Fill in the page again.") from None


def routes(desk: Desk, book: PeopleBook | None, *, changed: Callable[[], None]) -> list[Route]:
    """Addresses /people, /people/trail and /people/trail.csv; they lead back to the desk where nobody has an account.

    ``changed`` is told when somebody may do something else than before.
    """

    def page(request: Request, note: str = "", word: dict[str, Any] | None = None) -> Response:
        assert book is not None
        elevations = desk.reading().read("elevations", columns=("id", "name")).to_dict("records")
        return shown(
            "people.html",
            status=400 if note else 200,
            people=book.members(),
            me=request.scope["facademap_pass"].name,
            roles=ROLES,
            elevations=elevations,
            note=note,
            word=word,
        )

    def act(request: Request, form: _Form) -> Response:
        assert book is not None
        by = request.scope["facademap_pass"].name
        name, do = form.one("name"), _ACTS.get(form.one("do"))
        request.scope["facademap_about"] = f"{form.one('do')[:20]} {name}"[:200]
        try:
            if do is None:
                raise InputError("nothing was asked for", "Use the buttons of this page.")
            if same_name(name) == same_name(by):
                raise InputError(
                    "nobody changes or takes out themselves", "Ask another administrator."
                )
            made = do(desk, book, form, by)
            changed()
        except FacademapError as error:
            said = f"{error.problem}. {error.remedy}"
            return page(request, note=said[:1].upper() + said[1:])
        if (
            do is _invite
        ):  # a word is told once, here, and stands in no address; that there is none is told, too
            return page(request, word=made)
        return RedirectResponse("/people", status_code=303)

    def asked(request: Request) -> dict[str, str]:
        given = {n: request.query_params.get(n, "").strip()[:100] for n in _FILTERS}
        return {n: value for n, value in given.items() if value}

    def trail_page(request: Request) -> Response:
        filters, note, entries = asked(request), "", []
        try:
            entries = _trail(desk, filters, _SHOWN)
        except FacademapError as error:
            note = f"{error.problem}. {error.remedy}"
        return shown(
            "trail.html",
            status=400 if note else 200,
            entries=entries,
            filters={n: filters.get(n, "") for n in _FILTERS},
            table=f"/people/trail.csv?{urlencode(filters)}",
            cut=len(entries) == _SHOWN,
            note=note[:1].upper() + note[1:],
        )

    def trail_table(request: Request) -> Response:
        text = trail_text(_whole_trail(desk, asked(request)))
        named = {"content-disposition": 'attachment; filename="trail.csv"'}
        return Response(text, media_type="text/csv; charset=utf-8", headers=named)

    async def people(request: Request) -> Response:
        if request.method != "POST":
            return await run_in_threadpool(page, request)
        form = await _form_of(request)
        if not await request.scope["facademap_still"]():  # a form may come slowly
            raise RightsError("your session ended or changed meanwhile", "Sign in again.")
        return await run_in_threadpool(act, request, form)

    async def trail(request: Request) -> Response:
        return await run_in_threadpool(trail_page, request)

    async def table(request: Request) -> Response:
        return await run_in_threadpool(trail_table, request)

    def of_accounts(shows: Callable[[Request], Awaitable[Response]]) -> Any:
        async def endpoint(request: Request) -> Response:
            if book is None:
                return RedirectResponse("/", status_code=303)
            try:
                return await shows(request)
            except FacademapError as error:
                return failure(error)

        return endpoint

    return [
        Route("/people", of_accounts(people), methods=["GET", "POST"]),
        Route("/people/trail", of_accounts(trail)),
        Route("/people/trail.csv", of_accounts(table)),
    ]


#: Entries that the table of the trail holds at most.
_WHOLE = 100_000


def _trail(desk: Desk, filters: dict[str, str], last: int) -> list[dict[str, Any]]:
    """Entries read by a connection of their own: nobody's sign-in waits for a long trail."""
    with book_of(desk.reading()) as own:
        return own.trail(**filters, last=last)


def _whole_trail(desk: Desk, filters: dict[str, str]) -> list[dict[str, Any]]:
    """All entries, or none where the table would end before they do."""
    entries = _trail(desk, filters, _WHOLE)
    if len(entries) == _WHOLE:
        raise InputError(f"{_WHOLE} entries or more", "Ask for fewer days: From day, Before day.")
    return entries


def _days(text: str) -> float:
    try:
        return float(text or 7)
    except ValueError:
        raise InputError(f"an invitation for {text[:20]!r} days", "Type a number.") from None


def _invite(desk: Desk, book: PeopleBook, form: _Form, by: str) -> dict[str, Any]:
    return invite_to(
        desk.reading(),
        book,
        form.one("name"),
        role=form.one("role"),
        elevations=form.get("elevation", []),
        days=_days(form.one("days")),
        by=by,
        strangers_only=True,
    )


def _change(desk: Desk, book: PeopleBook, form: _Form, by: str) -> dict[str, Any]:
    elevations = form.get("elevation", [])
    return change_in(
        desk.reading(), book, form.one("name"), role=form.one("role"), elevations=elevations, by=by
    )


def _remove(desk: Desk, book: PeopleBook, form: _Form, by: str) -> dict[str, Any]:
    return remove_from(book, form.one("name"), by=by)


_ACTS: dict[str, Callable[[Desk, PeopleBook, _Form, str], dict[str, Any]]] = {
    "invite": _invite,
    "change": _change,
    "remove": _remove,
}
