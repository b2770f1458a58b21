"""The set without scripts: how it stood when the page was made, and forms that ask.

A page without scripts stands still, so it says of which moment it is. What takes the set down, or
cuts it, or lets go of a camera, is asked once more on a page of its own; that page is good for
SURE_WITHIN, for a set is not taken down by a page that somebody finds open the next day. What came
of it is shown once, on the page that follows, so that loading it again asks for nothing.
"""

from __future__ import annotations

import secrets
import time
from collections import OrderedDict
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from studiobridge.panel.asked import ASKS, put
from studiobridge.panel.board import Board
from studiobridge.panel.house import House, Refused
from studiobridge.panel.keys import Session
from studiobridge.panel.parts_below import dials, drift_rows, left
from studiobridge.panel.parts_hand import asks
from studiobridge.panel.parts_stand import Word, word_of
from studiobridge.shown import proof_words, words
from studiobridge.shown.tongue import english, in_force, say

# A second yes has to come within this (s).
SURE_WITHIN = 60.0
# A page that is made anew by itself, where its reader asked for that: every so many seconds.
AGAIN = (3, 10)
MOST_ANSWERS = 100


@dataclass(frozen=True, slots=True)
class Wish:
    """A form: what its button says, what it asks for, and what is asked back first."""

    label: str
    what: str
    target: str = ""
    look: str = ""
    sure: str = ""

    @property
    def fields(self) -> dict[str, str]:
        found = {"what": self.what, "target": self.target, "look": self.look}
        return {name: text for name, text in found.items() if text}


def wishes(board: Board) -> list[Wish]:
    """What can be asked for now, the most likely first."""
    state = board.visitor.shown.state or {}
    if not board.visitor.sure:
        return []
    now = state.get("state")
    up = Wish(say("bring the set up"), "up")
    sure = say("Take the set down?")
    if words.names(state.get("rolling")):
        sure += " " + say("A camera rolls: it goes down when the take ends.")
    down = Wish(say("take the set down"), "down", sure=sure)
    found: list[Wish] = []
    for name in asks(board):
        has = say("{camera} has stopped", camera=name)
        sure = say("Has {camera} really stopped? Its power may go then.", camera=name)
        found.append(Wish(has, "rolling_off", name, sure=sure))
        found.append(Wish(say("{camera} still rolls", camera=name), "rolling_on", name))
    found += {"ready": [down], "adrift": [down], "rising": [down]}.get(str(now), [])
    found += {"dark": [up], "lowering": [up], "unheard": [up]}.get(str(now), [])
    if now == "stalled":
        found += [up, down]
    if now in ("dark", "stalled", "unheard") and len(board.profile.looks) > 1:
        others = [name for name in board.profile.looks if name != board.profile.default_look]
        found += [Wish(say("bring it up in look {look}", look=n), "up", look=n) for n in others]
    if not board.held():
        for row in drift_rows(board):
            if row["restore"]:
                name = str(row["device"])
                found.append(Wish(say("put {device} back", device=name), "restore", name))
    for item in dials(board):
        if not item.get("set_at") and not item["proven"]:
            name = str(item["device"])
            found.append(Wish(say("I have set {device}", device=name), "set_by_hand", name))
    found.append(cut())
    return found


def _notes(board: Board) -> list[str]:
    return proof_words.unproven(board.visitor.shown.state or {})


def cut() -> Wish:
    """The one that does not wait for anything: it is there even while nobody is heard."""
    sure = say("Cut everything now? Every plug goes off at once: takes and computers included.")
    return Wish(say("cut everything"), "cut", sure=sure)


class Plain:
    """The set without scripts."""

    def __init__(self, house: House) -> None:
        self.house = house
        # what came of a request, for the page that follows: by a name nobody can guess
        self._answers: OrderedDict[str, tuple[str, str, bool]] = OrderedDict()

    def routes(self) -> list[Route]:
        return [
            Route("/s/{set}/plain", self.page),
            Route("/s/{set}/plain", self.ask, methods=["POST"]),
        ]

    async def page(self, request: Request) -> Response:
        session, board = self.house.session(request), self.house.board(request)
        wanted = request.query_params.get("again", "")
        again = int(wanted) if wanted in map(str, AGAIN) else 0
        answer = self._answers.pop(request.query_params.get("answer", ""), None)
        if answer is not None and answer[0] != session.token_hash:
            answer = None
        return self._drawn(board, session, answer, again)

    def _drawn(
        self,
        board: Board,
        session: Session,
        answer: tuple[str, str, bool] | None,
        again: int,
    ) -> Response:
        state = board.visitor.shown.state or {}
        sure = board.visitor.sure
        # who may write on the broker may write anything: what cannot be read is said, and cut stays
        word, read = board.read(word_of, Word("wait"))
        to_go = words.number(state.get("ready_in_s")) if word.code == "up" else None
        nothing: list[str] = []
        nowhere: list[dict[str, Any]] = []
        notes, read_notes = board.read(_notes, nothing)
        rows, read_rows = board.read(drift_rows, nowhere)
        still, read_left = board.read(left, None)
        offered, read_wishes = board.read(wishes, [cut()])
        whole = read and read_notes and read_rows and read_left and read_wishes
        return self.house.html(
            "plain.html",
            profile=board.profile,
            session=session,
            word=word,
            to_go=to_go,
            truth=board.truth() if whole else board.unreadable(),
            notes=notes if sure else [],
            moved=[row["line"] for row in rows] if sure else [],
            left=still,
            wishes=offered if session.may_ask else [],
            answer=answer,
            again=again,
            every=AGAIN,
            now=datetime.fromtimestamp(board.clock() or time.time(), UTC).isoformat(),
        )

    async def ask(self, request: Request) -> Response:
        """A form that was sent: done, or asked back first."""
        session, board = self.house.session(request), self.house.board(request)
        self.house.own(request)
        form = await request.form(max_files=0, max_fields=8)
        said = {name: str(form.get(name, ""))[:64] for name in ("what", "target", "look", "made")}
        if not secrets.compare_digest(
            str(form.get("token", "")).encode(), session.forgery.encode()
        ):
            raise Refused(403, "the token of this session is missing")
        if not session.may_ask:
            raise Refused(403, "a viewer sees and cannot ask")
        self.house.within(ASKS, "ask", session.token_hash)
        wish = self._wished(board, said)
        if wish is None:
            text = say("This page was older than what is so now: nothing was asked. Look again.")
            return self._follows(board, session, text, False)
        if wish.sure and not self._is_sure(said["made"]):
            return self.house.html(
                "plain-sure.html",
                profile=board.profile,
                session=session,
                wish=wish,
                made=str(int(time.time())),
                late=bool(said["made"]),
                within=round(SURE_WITHIN),
            )
        asked: dict[str, Any] = {"what": wish.what}
        if wish.target:
            asked["targets"] = [wish.target]
        if wish.look:
            asked["look"] = wish.look
        if wish.what == "cut":
            asked["yes"] = True
        try:
            answer = await put(board, session, asked)
        except Refused as refused:
            text = english(refused.text) if refused.lang != in_force().code else refused.text
            return self._follows(board, session, text, False)
        return self._follows(board, session, english(answer.text), True)

    def _wished(self, board: Board, said: dict[str, str]) -> Wish | None:
        """The wish that this form is for, if it is one that can be asked for now."""
        offered, _ = board.read(wishes, [cut()])
        for wish in [*offered, cut()]:
            fields = {"target": "", "look": "", **wish.fields}
            if all(fields[name] == said[name] for name in fields):
                return wish
        return None

    def _is_sure(self, made: str) -> bool:
        """Was it asked back, by a page of which nobody has forgotten the question?"""
        try:
            return 0 <= time.time() - int(made) <= SURE_WITHIN
        except ValueError:
            return False

    def _follows(self, board: Board, session: Session, text: str, good: bool) -> Response:
        name = secrets.token_urlsafe(12)
        self._answers[name] = (session.token_hash, text, good)
        while len(self._answers) > MOST_ANSWERS:
            self._answers.popitem(last=False)
        return RedirectResponse(f"/s/{board.profile.name}/plain?answer={name}", 303)
