"""What was asked, written down and answered: each request once, however often it comes."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from typing import Literal

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Answer, Memory, RequestNote
from studiobridge.control.events import Request

# How many answers are remembered, so that a repeated request is answered and not repeated. A
# repeat comes within minutes: in that time no crowd of askers gets past so many, and each takes
# some hundred bytes. Older requests are past their `until` besides.
ANSWERS_KEPT = 4096


class Answers:
    """`given` has the answer of a request by its id; None while it is under way."""

    def __init__(self, desk: Desk, memory: Memory) -> None:
        self.desk = desk
        self.given: OrderedDict[str, tuple[int, str] | None] = OrderedDict(
            (id_, (code, text)) for id_, code, text in memory.answered
        )

    def note(
        self,
        request: Request,
        phase: Literal["taken", "refused", "ignored", "done", "failed"],
        text: str,
    ) -> None:
        self.desk.emit(
            RequestNote(
                request.at,
                request.id,
                request.what,
                request.by,
                request.source,
                request.look,
                request.targets,
                request.force,
                phase,
                text,
            )
        )

    def refuse(self, request: Request, code: int, text: str) -> None:
        self.note(request, "refused", text)
        self.answer(request.id, code, text)

    def done(self, request: Request, text: str, detail: Mapping[str, object] | None = None) -> None:
        self.note(request, "done", text)
        self.answer(request.id, 0, text, detail)

    def answer(
        self, request_id: str, code: int, text: str, detail: Mapping[str, object] | None = None
    ) -> None:
        if not request_id:
            return
        self.given[request_id] = (code, text)
        while len(self.given) > ANSWERS_KEPT:
            self.given.popitem(last=False)
        self.desk.emit(Answer(request_id, True, code, text, detail or {}))
