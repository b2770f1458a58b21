"""What has to be true before it rolls, and what is looked at when all is over."""

from __future__ import annotations

from studiobridge.control.desk import Desk
from studiobridge.control.events import Request
from studiobridge.control.standing import Answers, Standing


class Before:
    """What has to be true before it rolls, and what is looked at when all is over."""

    def __init__(self, desk: Desk, standing: Standing, answers: Answers) -> None:
        self.desk = desk
        self.standing = standing
        self.answers = answers

    def tick(self, request: Request, on: bool, at: float) -> None:
        self.answers.refuse(request, 2, "not known here yet")
