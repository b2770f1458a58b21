"""The pages of takes: the list, live; one take; all of them as CSV."""

from __future__ import annotations

import asyncio
import contextlib

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from studiobridge.control.taken import Taken, last_good
from studiobridge.panel.house import House, Refused
from studiobridge.panel.past import reading, whole, zone_said
from studiobridge.shown import takes as said
from studiobridge.shown.cells import as_csv
from studiobridge.shown.seen_columns import compared
from studiobridge.shown.tongue import say


class Takes:
    """The pages of takes: the list, live; one take; all of them as CSV."""

    def __init__(self, house: House) -> None:
        self.house = house

    def routes(self) -> list[Route]:
        return [
            Route("/s/{set}/takes", self.list_page),
            Route("/s/{set}/takes.csv", self.csv),
            Route("/s/{set}/takes/{number}", self.take_page),
        ]

    async def list_page(self, request: Request) -> Response:
        session, board = self.house.session(request), self.house.board(request)
        parts, _ = await board.follows(-1, "takes")
        return self.house.html(
            "takes.html",
            profile=board.profile,
            session=session,
            parts=parts,
            zone_said=zone_said(),
        )

    async def csv(self, request: Request) -> Response:
        self.house.session(request)
        board = self.house.board(request)

        def read() -> str:
            with contextlib.closing(reading(board)) as reader:
                takes = reader.takes()
            rows = []
            for take in takes:
                good = last_good(takes, take.look, without=take.number)
                rows.append(said.csv_row(take, compared(board.profile, good, take)))
            return as_csv(rows)

        text = await asyncio.to_thread(read)
        return PlainTextResponse(text, media_type="text/csv; charset=utf-8")

    async def take_page(self, request: Request) -> Response:
        """One take: its times, how the set stood, what happened, what differs from the good one."""
        session, board = self.house.session(request), self.house.board(request)
        number = whole(request.path_params["number"])
        if number is None:
            raise Refused(404, say("there is no such take in the record"))

        def read() -> tuple[Taken, Taken | None] | None:
            with contextlib.closing(reading(board)) as reader:
                take = next(iter(reader.takes(number, number)), None)
                if take is None:
                    return None
                return take, last_good(reader.good_takes(), take.look, without=number)

        found = await asyncio.to_thread(read)
        if found is None:
            raise Refused(404, say("there is no such take in the record"))
        take, good = found
        against = said.against_lines(said.against(board.profile, good, take)) if good else []
        return self.house.html(
            "take.html",
            profile=board.profile,
            session=session,
            take=take,
            head=said.head(take),
            times=said.times(take),
            stood=said.stood_lines(take),
            happened=said.changes(take),
            against=against,
            left=said.not_in_a_look(take),
            marked=said.when(take.marked) if take.marked is not None else "",
            marks=board.macros("parts_takes.html"),
            zone_said=zone_said(),
        )
