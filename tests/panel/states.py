"""How a set shows itself in every state of an evening, from a played controller: nothing is made up."""

from __future__ import annotations

import time
from typing import Any

from studiobridge.control import views
from studiobridge.control.events import Described
from studiobridge.profile import read_profile
from studiobridge.profile.model import SetProfile
from tests.control.play import Play
from tests.panel.studio import CONFIG

CORNER = read_profile(CONFIG / "wheel-corner.yaml").profile
DIALS = {"rim-plug": 5.0, "left-plug": 4.8, "right-plug": 4.9}
Said = dict[str, Any]


def said(play: Play) -> Said:
    """What a bridge would publish of it now, as `Served.say` takes it."""
    now = time.time()

    def wall(at: float) -> float:
        return now + at - play.now

    made, at = play.controller, play.now
    return {
        "state": views.state_view(made, at, wall),
        "drift": views.drift_view(made, at, wall),
        "run": views.run_view(made, at, wall),
        "devices": {name: views.device_view(made, name, at, wall) for name in made.profile.devices},
    }


class Room(Play):
    """Gear that obeys; what describes itself does so when it is heard first."""

    def link_up(self) -> None:
        for name, belief in self.controller.beliefs.of.items():
            if not belief.described and name not in self.deaf:
                for point in belief.hears:
                    self.give(Described(self.now, name, point, point in belief.tells, True, None))
        super().link_up()


def begun(profile: SetProfile = CORNER) -> Play:
    play = Room(profile, meters_itself=True)
    play.link_up()
    return play


def comes_to(play: Play, *states: str, within: float = 300.0) -> None:
    end = play.now + within
    while play.state not in states:
        assert play.now < end, f"{play.state}, never {states}"
        play.run(1.0)


def evening(profile: SetProfile = CORNER, lamp: str = "key") -> dict[str, Said]:
    """Every state, by a short name."""
    play = Room(profile, meters_itself=True)
    found = {"wait": said(play)}
    play.link_up()
    found["dark"] = said(play)
    play.ask("up")
    play.run(2.0)
    found["up"] = said(play)
    comes_to(play, "ready", "adrift")
    # lamps on dials, as the watts of their plugs say them (wheel-corner.yaml: their draws and looks)
    for _ in range(3):
        for plug, watts in DIALS.items():
            play.report(plug, "watts", watts)
        play.run(5.0)
    comes_to(play, "ready")
    found["ready"] = said(play)
    play.ask("adjust", targets=(lamp,), step=("level", 0.1), by="Ana (page)")
    play.run(5.0)
    found["adjusting"] = said(play)
    play.ask("restore")
    play.run(5.0)
    play.report(lamp, "level", 90.0)
    play.report("fill", "cct", 3300.0)
    play.run(5.0)
    found["moved"] = said(play)
    play.report("camera", "rolling", True)
    play.run(3.0)
    found["rolling"] = said(play)
    play.report("camera", "rolling", False)
    play.run(10.0)
    play.ask("lockout", targets=(lamp,), by="Bo", why="a cable")
    found["locked"] = said(play)
    play.ask("release", targets=(lamp,))
    play.ask("down")
    play.run(1.0)
    found["down"] = said(play)
    comes_to(play, "dark", "stalled")
    found["left"] = said(play)
    stuck = begun(profile)
    stuck.deaf = {lamp}
    stuck.ask("up")
    comes_to(stuck, "stalled")
    found["stalled"] = said(stuck)
    found["no bridge"] = {**found["ready"], "bridge": False}
    found["no broker"] = {**found["moved"], "way": False}
    return found
