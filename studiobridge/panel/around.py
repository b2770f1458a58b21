"""The pages around a take: what has to be true before it rolls, and what is left after."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from studiobridge.panel.house import House
from studiobridge.shown.tongue import say


class Around:
    """The pages around a take. They are drawn with all they show, so that no script is needed."""

    def __init__(self, house: House) -> None:
        self.house = house

    def routes(self) -> list[Route]:
        return [
            Route("/s/{set}/before", self.before_page),
            Route("/s/{set}/after", self.after_page),
        ]

    async def before_page(self, request: Request) -> Response:
        return self._page(request, "before", say("Before it rolls"))

    async def after_page(self, request: Request) -> Response:
        return self._page(request, "after", say("When all is down"))

    def _page(self, request: Request, view: str, heading: str) -> Response:
        session = self.house.session(request)
        board = self.house.board(request)
        return self.house.html(
            "around.html",
            profile=board.profile,
            session=session,
            view=view,
            heading=heading,
            parts=board.shows(view),
        )
