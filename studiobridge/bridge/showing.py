"""What a set shows of itself: its views, and which of them are published when.

Only what changed is published, and never faster than an eye needs or the link carries well.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable

from studiobridge.bridge.misheard import Misheard
from studiobridge.bridge.outs import Out, Publish, to_json
from studiobridge.bridge.presence import Presence
from studiobridge.bridge.topics import device_topic, drift_topic, run_topic, state_topic
from studiobridge.control import views
from studiobridge.control.controller import Controller
from studiobridge.control.effects import Wake
from studiobridge.speech.message import Message

# What is shown is published at most this often (s): ten times a second is as live as an eye needs.
ANNOUNCE_EVERY = 0.1
# A large set shows itself less often, so that showing never crowds out running it: this many
# topics a second at most.
SHOWN_A_SECOND = 500
# The steps of a large run are long: they are shown no faster than this many bytes a second.
RUN_BYTES_A_SECOND = 200_000
# While a run is under way its count goes on even when nothing is reported.
COUNT_EVERY = 1.0


class Showing:
    """The state, drift, run and devices of one set, as others see them."""

    def __init__(
        self,
        controller: Controller,
        misheard: Misheard,
        instance: str,
        wall: Callable[[float], float],
        presence: Presence,
    ) -> None:
        self.controller = controller
        self.presence = presence
        self.profile = controller.profile
        self.misheard = misheard
        self.instance = instance
        self.wall = wall
        self.epoch = 0
        self.record_fault: str | None = None
        self.record_lost = 0
        self.slow: str | None = None  # why the link counts as slow
        self._state = True
        self._run = False
        self._drift = True
        self._devices: set[str] = set(self.profile.devices)
        self._announced_at = float("-inf")
        self._announce_gap = ANNOUNCE_EVERY
        self._announcing = False
        self._run_shown_until = float("-inf")
        self._run_waits = False
        self._counting = False
        self._shown: dict[str, bytes] = {}

    # ---- what has changed -----------------------------------------------------------------

    def changed(
        self, state: bool = False, drift: bool = False, devices: Iterable[str] = ()
    ) -> None:
        self._state |= state
        self._drift |= drift
        self._devices.update(devices)

    def all_anew(self) -> None:
        """A broker that may know nothing of the set: everything is shown to it."""
        self._shown.clear()
        self.changed(True, True, self.profile.devices)

    def due(self, name: str) -> bool:
        """A wake-up is due. False when it is none of those asked for here."""
        if name == "announce":
            self._announcing = False
        elif name == "announce run":
            self._run_waits = False
        elif name == "count":
            self._counting = False
            if self.controller.run is not None:
                self._state = True
        elif name == "presence":
            self._state = True
        else:
            return False
        return True

    # ---- out ------------------------------------------------------------------------------

    def announce(self, at: float) -> list[Out]:
        """Publish what has changed, now or a little later."""
        if not (self._devices or self._state or self._drift or self._run):
            return []
        if at - self._announced_at + 1e-9 < self._announce_gap:
            if self._announcing:
                return []
            self._announcing = True
            return [Wake("announce", self._announced_at + self._announce_gap)]
        self._announced_at = at
        self._announce_gap = max(ANNOUNCE_EVERY, len(self._devices) / SHOWN_A_SECOND)
        outs: list[Out] = []
        name = self.profile.name
        # the state comes last: who reads "ready" has read everything it rests on
        for device in sorted(self._devices):
            outs += self._show(device_topic(name, device), self.device(device, at))
        if self._drift:
            outs += self._show(drift_topic(name), self.drift(at))
        self._run = self._run or self._state
        if self._run:
            outs += self._show_run(at)
        if self._state:
            outs += self._show(state_topic(name), self.state(at))
        more = self.presence.takes_looks(self.controller.desk.looks)
        if self.presence.shows and (self._state or self._drift or more):
            drifts, run = len(self.controller.watcher.drifts), self.controller.last_run
            outs += self.presence.show(self.state(at), drifts, run, at)
        self._state = self._drift = False
        self._devices.clear()
        if self._run and not self._run_waits:
            self._run_waits = True
            outs.append(Wake("announce run", self._run_shown_until))
        if self.controller.run is not None and not self._counting:
            self._counting = True
            outs.append(Wake("count", at + COUNT_EVERY))
        return outs

    def _show_run(self, at: float) -> list[Out]:
        """The steps of the latest run, as often as their length allows; its end at once."""
        if self.controller.last_run is None:
            self._run = False
            return []
        over = self.controller.run is None
        if at + 1e-9 < self._run_shown_until and not over:
            return []
        payload = to_json(self.run(at))
        self._run = False
        self._run_shown_until = at + len(payload) / RUN_BYTES_A_SECOND
        return self._publish(run_topic(self.profile.name), payload)

    def _show(self, topic: str, view: object) -> list[Out]:
        return self._publish(topic, to_json(view))

    def _publish(self, topic: str, payload: bytes) -> list[Out]:
        if self._shown.get(topic) == payload:
            return []
        self._shown[topic] = payload
        # QoS 0: between bridge and broker only a lost link loses it, and then all is shown anew
        return [Publish(Message(topic, payload, qos=0, retain=True))]

    def failed(self, why: str) -> Publish:
        """A fault of the program in this set: its last state again, without a word of being ready.

        What is believed may be half written, so nothing is worked out anew.
        """
        topic = state_topic(self.profile.name)
        shown = json.loads(self._shown.get(topic, b"{}"))
        shown.update(state="stalled", why=f"the bridge failed: {why}", failed=why)
        shown.update(bridge=self.instance, epoch=self.epoch)
        return Publish(Message(topic, to_json(shown), qos=1, retain=True))

    # ---- views ----------------------------------------------------------------------------------

    def state(self, at: float) -> dict[str, object]:
        view = views.state_view(self.controller, at, self.wall)
        view["record_fault"] = self.record_fault
        view["unreadable"] = self._unreadable(None)
        # a visitor counts the devices it was sent: when all have come it need not wait for more
        view["device_count"] = len(self.profile.devices)
        view["record_lost"] = self.record_lost
        view["failed"] = None
        view["link_slow"] = self.slow
        # whose word this is: what a bridge before left at the broker is not taken for now
        view["bridge"] = self.instance
        view["epoch"] = self.epoch
        return view

    def device(self, name: str, at: float) -> dict[str, object]:
        view = views.device_view(self.controller, name, at, self.wall)
        view["unreadable"] = self._unreadable(name)
        view["lacks"] = list(self.misheard.shown(name).lacks)
        return view

    def _unreadable(self, name: str | None) -> dict[str, object] | None:
        """The last that could not be read: of this device, or of nobody's."""
        heard = self.misheard.shown(name).unreadable
        if heard is None:
            return None
        at = views.iso(heard.at, self.wall)
        return {"topic": heard.topic, "why": heard.why, "at": at, "count": heard.count}

    def drift(self, at: float) -> list[dict[str, object]]:
        return views.drift_view(self.controller, at, self.wall)

    def run(self, at: float) -> dict[str, object] | None:
        view = views.run_view(self.controller, at, self.wall)
        return view if view is None else {**view, "bridge": self.instance}
