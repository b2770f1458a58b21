"""What the page shows of one set, as parts: an id on the page and the HTML inside it.

The server draws every part, the page only puts it where it belongs. Parts are drawn when
something was heard, once for all pages; each page is sent what changed since it last listened.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import jinja2

from studiobridge.bridge.asking import Asker
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.settings import Settings
from studiobridge.bridge.tables import RecordError, record_place
from studiobridge.control.plan import OrderProblem, UnknownLook, plan
from studiobridge.panel.saying import teach
from studiobridge.profile.model import LIGHT, SetProfile
from studiobridge.shown import words
from studiobridge.shown.hand import Guide, guide
from studiobridge.shown.live import beam_part, condition, lamp_part, placed

View = Mapping[str, Any]
NOTHING: View = {}
# How many of its last changes a device's page shows.
LAST_CHANGES = 8
GOING = ("rising", "lowering")
UP = ("ready", "adrift")


@dataclass(frozen=True, slots=True)
class Switch:
    """The large control: what it says, what it asks, whether it wants a second touch."""

    label: str
    under: str
    what: str | None
    again: str = ""
    progress: float | None = None
    also: tuple[str, str, str] | None = None  # label, what, again


def environment() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("studiobridge.panel", "pages"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    filters: dict[str, Callable[..., str]] = {
        "clean": words.clean,
        "moment": words.moment,
        "day": lambda text: words.moment(text, date=True),
        "listed": words.listed,
        "preset": words.preset,
        "watts": words.watts,
        "about": lambda seconds: words.about(words.number(seconds) or 0.0),
        "level": words.level,
        "cct": words.cct,
    }
    made.filters.update(filters)
    teach(made)
    return made


class Board:
    """One set on the page."""

    def __init__(self, settings: Settings, profile: SetProfile, visitor: Asker) -> None:
        self.settings = settings
        self.profile = profile
        self.visitor = visitor
        self.pages = environment()
        self.parts: dict[str, str] = {}
        self.changed_at: dict[str, int] = {}
        self.drawn = -1
        self._draw: Any = self.pages.get_template("parts.html").module
        self._takes: dict[str | None, float | None] = {}

    # ---- parts -------------------------------------------------------------------------

    def draw(self) -> int:
        """Draw what is to be seen now, if anything was heard since. Returns the version."""
        version = self.visitor.version
        if version == self.drawn:
            return version
        for name, text in self._all().items():
            if self.parts.get(name) != text:
                self.parts[name] = text
                self.changed_at[name] = version
        self.drawn = version
        return version

    def since(self, version: int) -> dict[str, str]:
        """The parts that changed after this version; all of them for a new page."""
        return {name: self.parts[name] for name, at in self.changed_at.items() if at > version}

    def view(self, name: str) -> View:
        return self.visitor.shown.devices.get(name, NOTHING)

    def _all(self) -> dict[str, str]:
        shown = self.visitor.shown
        state: View = shown.state or NOTHING
        sure = self.visitor.sure
        up = state.get("state") in UP
        going = up or state.get("state") in GOING
        macro = self._draw
        notes = [*words.unproven(state), *filter(None, [words.to_close(state)])]
        parts = {
            "truth": str(macro.truth(self.truth())),
            "headline": str(macro.headline(self.profile, state, self.state_words(), notes, sure)),
            "rolling": str(macro.rolling(state.get("rolling") or [])),
            "asks": str(macro.asks(self.asks(), sure)),
            "switch": str(macro.switch(self.switch(), sure)),
            "cameras": str(macro.cameras(self.cameras(), sure)),
            "looks": str(macro.looks(self.looks(), sure, self.held(), going)),
            "run": str(macro.run(self.run_rows(), shown.latest_run)),
            "drift": str(macro.drift(self.drift_rows(), self.together(), sure, self.held())),
            "guides": str(macro.guides(self.guides(), sure)),
            "dials": str(macro.dials(self.dials(), sure)),
            "supplies": str(macro.supplies([*words.sensors(state), *words.supplies(state)], sure)),
            "left": str(macro.left(self.left())),
            "things": str(macro.things(self.things())),
        }
        for device in placed(self.profile):
            view = self.view(device.name)
            parts[f"beam-{device.name}"] = beam_part(self.profile, device, view, sure)
            parts[f"lamp-{device.name}"] = lamp_part(self.profile, device, view, sure, up)
        return parts

    # ---- what is so --------------------------------------------------------------------

    def truth(self) -> str:
        """What is wrong between this page and the gear, in a sentence; empty when nothing is."""
        visitor = self.visitor
        if not visitor.up:
            return f"No way to the set: {visitor.why}. What you see is not confirmed."
        alive = visitor.shown.alive
        if alive is not None and alive.alive and visitor.shown.silent:
            return (
                f"The bridge of {self.profile.name} is silent: it hangs, or its link does. What you"
                " see is not confirmed."
            )
        if not visitor.shown.bridge_alive:
            return (
                f"No bridge runs {self.profile.name}: nothing is watched and nothing can be"
                " switched from here. What you see is not confirmed."
            )
        if visitor.shown.old:
            return (
                f"The bridge of {self.profile.name} has just begun and has not said yet how the"
                " set stands. What you see is as it was last seen, not confirmed."
            )
        fault = (visitor.shown.state or NOTHING).get("record_fault")
        return f"The record: {fault}" if fault else ""

    def held(self) -> str:
        """Why nothing may be changed now; empty when it may."""
        rolling = (self.visitor.shown.state or NOTHING).get("rolling") or []
        return f"held: {words.listed(rolling)} rolls" if rolling else ""

    def state_words(self) -> str:
        state = self.visitor.shown.state or NOTHING
        if not self.visitor.sure:
            return "not confirmed"
        if state.get("state") == "ready" and not self.of_one_moment():
            return "not confirmed: its parts do not fit together yet"
        said = words.state(state.get("state"))
        return f"{said}, cut" if state.get("cut") is True else said

    def of_one_moment(self) -> bool:
        """Do state, drift and run belong together? Each comes in a message of its own.

        Between the first and the last of them, and for as long as one was lost on the way, the
        state may still be that of the moment before.
        """
        shown = self.visitor.shown
        state = shown.state or NOTHING
        drifting = state.get("drifting")
        if isinstance(drifting, list) and set(words.names(drifting)) != {
            name
            for entry in shown.drift
            # an entry that may be one of several names them all
            for name in words.names(entry.get("perhaps")) or [str(entry.get("device"))]
        }:
            return False
        return (shown.latest_run or NOTHING).get("state") != "under way"

    def guides(self) -> list[Guide]:
        """How far each dial of the look is from its mark, where a plug meters it."""
        state = self.visitor.shown.state or NOTHING
        names = [str(entry["device"]) for entry in words.entries(state.get("hand_set"))]
        found = [guide(name, self.view(name).get("dial")) for name in names]
        return [each for each in found if each is not None]

    def takes(self, look: str | None) -> float | None:
        """Predicted seconds to ready; None where the order cannot be."""
        if look not in self._takes:
            try:
                self._takes[look] = plan(self.profile, "up", look).ready_in
            except (OrderProblem, UnknownLook):
                self._takes[look] = None
        return self._takes[look]

    def switch(self) -> Switch:
        """What the large control says and asks for now."""
        state = self.visitor.shown.state or NOTHING
        now = str(state.get("state", "unheard"))
        if not self.visitor.sure:
            return Switch("nothing can be asked now", "see above", None)
        asked = self.asks()
        waits = words.waits(state)
        if asked:
            waits = f"waits for your answer about {words.listed(asked)}"
        to_go = words.number(state.get("ready_in_s"))
        steps = words.number(state.get("steps"))
        progress = (words.number(state.get("steps_done")) or 0.0) / steps if steps else None
        if now in GOING:
            label = now
            if to_go is not None and to_go > 0.5:
                label += f", about {words.about(to_go)} to go"
            elif to_go is not None:
                label += ", a little longer than usual"
            what = "down" if now == "rising" else "up"
            again = "touch again to take it down instead"
            if what == "up":
                again = "touch again to bring it back up"
            return Switch(label, waits or self.held(), what, again, progress)
        if now in UP:
            under = "a second touch confirms it"
            if self.held():
                under = f"{self.held()}; taking it down waits for the end of the take"
            return Switch("take it down", under, "down", "touch again: take it down")
        takes = self.takes(None)
        under = f"about {words.about(takes)} to ready" if takes is not None else ""
        if now == "stalled":
            why = words.clean(state.get("why") or "", 200)
            return Switch(
                "bring the set up",
                f"it stopped half way: {why}",
                "up",
                also=("take it down", "down", "touch again: take it down"),
            )
        if now == "unheard":
            under = "still listening for the gear"
        return Switch("bring the set up", self.held() or under, "up")

    def cameras(self) -> list[tuple[str, bool]]:
        """Cameras that do not say themselves whether they roll, and whether they do.

        Without those that are asked about: the same is not offered twice.
        """
        rolling = (self.visitor.shown.state or NOTHING).get("rolling") or []
        asked = self.asks()
        return [
            (d.name, d.name in rolling)
            for d in self.profile.devices.values()
            if d.kind == "camera" and d.rolls_by != "report" and d.name not in asked
        ]

    def dials(self) -> list[dict[str, Any]]:
        """The lights set by hand, each with what it does when its mains come."""
        items = words.entries((self.visitor.shown.state or NOTHING).get("hand_set"))
        return [
            {
                **item,
                "how": words.comes_back(item.get("comes_back")),
                "turning_by": item.get("turning_by"),
                # who turns it is only worth a word where a plug meters it
                "metered": isinstance(self.view(str(item["device"])).get("dial"), Mapping),
            }
            for item in items
        ]

    def asks(self) -> list[str]:
        """Cameras that the run-down waits for, and of which only a person can say that they roll.

        Nothing is asked on what may not be so any more: an answer may cost a take.
        """
        state = self.visitor.shown.state or NOTHING
        if not self.visitor.sure:
            return []
        rolling = words.names(state.get("rolling"))
        return [name for name in words.asked_about(state) if name not in rolling]

    def looks(self) -> list[dict[str, Any]]:
        state = self.visitor.shown.state or NOTHING
        chosen = state.get("look") or self.profile.default_look
        return [
            {"name": name, "title": look.title, "now": name == chosen}
            for name, look in self.profile.looks.items()
        ]

    def run_rows(self) -> list[dict[str, Any]]:
        """The latest run, a row a device: its steps as spans of a bar, and its last words."""
        run = self.visitor.shown.latest_run
        steps = [s for s in (run or NOTHING).get("steps") or [] if isinstance(s, Mapping)]
        times = [
            (words.number(s.get("at_s")) or 0.0, words.number(s.get("until_s")) or 0.0)
            for s in steps
        ]
        total = max((until for _, until in times), default=0.0) or 1.0
        rows: dict[str, dict[str, Any]] = {}
        for step, (begins, ends) in zip(steps, times, strict=True):
            row = rows.setdefault(
                str(step["device"]),
                {"device": str(step["device"]), "spans": [], "said": "", "bad": False},
            )
            phase = words.phase_of(step)
            at = begins / total * 1000
            wide = max(6.0, (ends - begins) / total * 1000)
            row["spans"].append({"x": round(at), "wide": round(wide), "phase": phase})
            if phase != "waiting":
                row["said"] = words.step_said(step) + (" …" if phase == "sent" else "")
                row["bad"] = row["bad"] or phase == "failed"
        return list(rows.values())

    def drift_rows(self) -> list[dict[str, Any]]:
        """Newest first: a sentence a device."""
        by_device: dict[str, list[View]] = {}
        for entry in self.visitor.shown.drift:
            by_device.setdefault(str(entry.get("device")), []).append(entry)
        rows = []
        for name, entries in by_device.items():
            plain = [{k: v for k, v in e.items() if k != "for_s"} for e in entries]
            since = min(str(e.get("since", "")) for e in entries)
            device = self.profile.devices.get(name)
            # only what it reports itself can be kept, and only one device can be put back
            kept = any(e.get("point") in LIGHT and not e.get("band") for e in entries)
            rows.append(
                {
                    "device": name,
                    "line": words.drift_line(plain),
                    "since": since,
                    # what no command reaches has its dial and its bar below instead
                    "restore": device is not None and not device.hand_set,
                    "keep": kept and device is not None and device.fixture,
                }
            )
        return sorted(rows, key=lambda row: str(row["since"]), reverse=True)

    def together(self) -> str:
        """All drift in the picture, where several have moved."""
        state = self.visitor.shown.state or NOTHING
        if len({e.get("device") for e in self.visitor.shown.drift}) < 2:
            return ""
        return words.picture(state.get("picture"))

    def left(self) -> dict[str, Any] | None:
        """What is on and should not be, and after taking down what else is left; None: nothing."""
        state = self.visitor.shown.state or NOTHING
        if not self.visitor.sure:
            return None
        still = words.still_on(state)
        if state.get("state") != "dark":
            return {"still": still, "dark": False} if still else None
        silent = [str(entry["device"]) for entry in words.entries(state.get("silent"))]
        devices = self.profile.devices.values()
        return {
            "charged": words.chargers(state),
            "still": still,
            "dark": True,
            "unproven": [*words.names(state.get("only_told")), *silent],
            "stays": [d.name for d in devices if d.stays_on],
            "batteries": [d.name for d in devices if d.battery],
            "chargers": [d.name for d in devices if d.kind == "charger" and d.done_below is None],
        }

    def things(self) -> list[dict[str, Any]]:
        """Every device as a line: the drawing in words."""
        state = self.visitor.shown.state or NOTHING
        up = state.get("state") in UP
        rows = []
        for device in self.profile.devices.values():
            view = self.view(device.name)
            how = condition(device, view, self.visitor.sure, up)
            now = words.preset(view)
            if device.hand_set:
                now = words.preset(view.get("preset"))
            if device.kind == "camera":
                now = "rolling" if view.get("rolling") else words.rolls(view) if view else ""
            if device.done_below is not None:
                now = words.charges(view)
            rows.append(
                {
                    "device": device.name,
                    "title": device.title or device.kind,
                    "now": now if how.code != "off" else "",
                    "code": how.code,
                    "words": how.words,
                    "misheard": words.misheard(view),
                }
            )
        return rows

    # ---- one device --------------------------------------------------------------------

    def detail(self, name: str, reader: Callable[[], Reader | None]) -> str:
        """The page of one device: preset against report, feed, last changes, what can be asked."""
        device = self.profile.devices[name]
        view = self.view(name)
        state = self.visitor.shown.state or NOTHING
        how = condition(device, view, self.visitor.sure, state.get("state") in UP)
        preset = view.get("preset") or NOTHING
        rows = []
        for point, label, shown in (
            ("level", "level", words.level),
            ("cct", "CCT", words.cct),
            ("colour", "colour", words.spelled_colour),
        ):
            if device.fixture and (preset.get(point) is not None or view.get(point) is not None):
                reported = "on its dial" if device.hand_set else shown(view.get(point))
                rows.append((label, shown(preset.get(point)), reported or "not reported"))
        if "switch" in device.tells:
            reported = words.yes_no(view.get("switch"), "on", "off", "not reported")
            rows.append(("switch", "", reported))
        if view.get("watts") is not None:
            rows.append(("draws", "", words.watts(view.get("watts"))))
        rows.extend((label, "", text) for label, text in words.readings(view))
        if isinstance(view.get("sensor"), Mapping) and words.sensor(view["sensor"]):
            rows.append(("light", "", words.sensor(view["sensor"])))
        if device.kind == "camera":
            rows.append(("take", "", words.rolls(view)))
        if device.done_below is not None:
            rows.append(("charge", "", words.charges(view) or self._off(view)))
        feeds = " ← ".join([*device.feeds, device.circuit or ""]).strip(" ←")
        if device.own_battery:
            feeds += ", and a battery of its own"
        return str(
            self._draw.detail(
                device,
                how,
                self._heard(view),
                rows,
                "battery" if device.battery else feeds or "nothing",
                self._changes(name, reader),
                view.get("lockout"),
                bool(view.get("drift")),
                self.visitor.sure,
                self.held(),
            )
        )

    def _off(self, view: View) -> str:
        return "off" if view.get("charge") == "off" else "not known whether it is done"

    def _heard(self, view: View) -> list[str]:
        """Whether it speaks, and what of it cannot be read."""
        hearing = words.hearing(view) if self.visitor.sure else ""
        return [*([hearing] if hearing else []), *words.misheard(view)]

    def _changes(self, name: str, reader: Callable[[], Reader | None]) -> list[str]:
        found = reader()
        if found is None:
            return []
        try:
            return [
                f"{words.moment(row['at'], date=True)}: {row['said']}"
                for row in found.changes(name, LAST_CHANGES)
            ]
        finally:
            found.close()

    def reader(self) -> Reader | None:
        """The record, if it is on this machine."""
        try:
            return Reader(record_place(self.settings, self.profile.name))
        except RecordError:
            return None
