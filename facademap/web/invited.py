"""The page on which somebody who was invited chooses a secret of their own."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from facademap.errors import FacademapError, InputError
from facademap.store.team_people import PeopleBook
from facademap.tasks.desk.accounts import accept
from facademap.web.sign_in import InTurn, SignIn, browser_of, fields_of, later, shown

__all__ = ["routes"]

LONGEST_WORD = 200


def routes(sign_in: SignIn) -> list[Route]:
    """Address /invited; nothing is there where nobody has an account."""
    book, in_turn = sign_in.book, InTurn()

    def taken_up(request: Request, told: dict[str, str], book: PeopleBook) -> str:
        """Token of the session that an invitation opens."""
        address = request.client.host if request.client else ""
        wait = sign_in.attempts.wait_s(address)
        if wait > 0:
            raise InputError("too many wrong words", later(wait))
        word, secret = told.get("word", "").strip()[:LONGEST_WORD], told.get("secret", "")
        if book.invited(word) is None:
            book.note("", "accept invitation", "", "refused", address=address)
            wait = sign_in.attempts.failed(address)
            raise InputError(
                "this word opens nothing; it may have been used, or its time is over", later(wait)
            )
        if secret != told.get("again"):
            raise InputError("the two secrets differ", "Type the same secret twice.")
        name = accept(book, word, secret)
        sign_in.attempts.succeeded(address, name=name, kind="invitation")
        book.note(name, "accept invitation", "", address=address)
        agent = browser_of(request.headers.get("user-agent", ""))
        return sign_in.access.sessions.open(
            kind="account", name=name, address=address, browser=agent
        )

    async def page(request: Request) -> Response:
        if book is None:
            return RedirectResponse("/", status_code=303)
        if request.method != "POST":
            return shown("invited.html", note="", word="")
        word = ""
        try:
            told = await fields_of(request)
            word = told.get("word", "").strip()[:LONGEST_WORD]
            token = await in_turn.run(taken_up, request, told, book)
        except FacademapError as error:
            note = f"{error.problem}. {error.remedy}"
            return shown("invited.html", note=note[:1].upper() + note[1:], word=word, status=400)
        return sign_in.with_cookie(RedirectResponse("/", status_code=303), token)

    return [Route("/invited", page, methods=["GET", "POST"])]
