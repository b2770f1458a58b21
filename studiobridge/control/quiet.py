"""Told quiet: what is off during takes only, and always comes back."""

from __future__ import annotations

from studiobridge.control.desk import Desk
from studiobridge.control.events import Request
from studiobridge.control.gates import Gates
from studiobridge.control.standing import Answers, Standing


class Quiet:
    """Told quiet: what is off during takes only, and always comes back."""

    def __init__(self, desk: Desk, gates: Gates, standing: Standing, answers: Answers) -> None:
        self.desk = desk
        self.gates = gates
        self.standing = standing
        self.answers = answers

    def ask(self, request: Request, on: bool, at: float) -> None:
        self.answers.refuse(request, 2, "not known here yet")
