"""One light changed by small steps while somebody stands in it."""

from __future__ import annotations

from studiobridge.control.desk import Desk
from studiobridge.control.events import Request
from studiobridge.control.gates import Gates
from studiobridge.control.runs import Runs
from studiobridge.control.standing import Answers, Standing


class Adjusting:
    """One light changed by small steps while somebody stands in it."""

    def __init__(
        self, desk: Desk, gates: Gates, standing: Standing, answers: Answers, runs: Runs
    ) -> None:
        self.desk = desk
        self.gates = gates
        self.standing = standing
        self.answers = answers
        self.runs = runs

    def ask(self, request: Request, at: float) -> None:
        self.answers.refuse(request, 2, "not known here yet")
