"""When all is down: what is still on and why, what to charge, what to empty, what stays.

By the last word of each, with its age; what nothing says is named as that. Nothing here is
switched: it is what a person sees to before they leave.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from studiobridge.shown import proof_words, supplied, words
from studiobridge.shown.before import Row, rows
from studiobridge.shown.tongue import figure, later, say

Json = Mapping[str, Any]

# The parts in the order in which one sees to them: what is on, what is lost when it is forgotten,
# what only has to be known.
TITLES: Mapping[str, str] = {
    "on": later("Still on"),
    "unproven": later("Not proven off"),
    "quiet": later("Still told quiet"),
    "cards": later("Cards to empty"),
    "batteries": later("Batteries to charge"),
    "chargers": later("Chargers"),
    "stays": later("Stays on"),
    "energy": later("Energy"),
}
# The bridge's own reason for what is on and may be.
STAYS = "stays on, as the profile says"
# These want a hand; the rest is only said.
WANTS_A_HAND = ("on", "unproven", "quiet", "cards", "batteries", "chargers")


@dataclass(frozen=True, slots=True)
class Part:
    """One part: its name, its title, and a sentence each."""

    name: str
    title: str
    lines: tuple[str, ...]
    urgent: bool = False

    @property
    def wants(self) -> bool:
        return self.name in WANTS_A_HAND


@dataclass(frozen=True, slots=True)
class After:
    """All of it; `over`: the set is down and this is of the session that ended."""

    over: bool
    head: str
    parts: tuple[Part, ...]
    ticks: tuple[Row, ...]


def after(state: Json, devices: Mapping[str, Json]) -> After:
    """What is left, from what the set shows of itself."""
    about = state.get("after")
    about = about if isinstance(about, Mapping) else {}
    over = state.get("state") == "dark"
    found = {
        "on": _on(state),
        "unproven": _unproven(state, devices),
        "quiet": _quiet(state),
        "cards": _cards(about, devices),
        "batteries": _batteries(devices),
        "chargers": _chargers(state, devices),
        "stays": _stays(state),
        "energy": _energy(about),
    }
    parts = tuple(
        Part(name, say(TITLES[name]), tuple(lines), name in ("on", "unproven", "quiet"))
        for name, lines in found.items()
        if lines
    )
    return After(over, _head(state, about), parts, tuple(rows(about)))


def _head(state: Json, about: Json) -> str:
    session, closed = words.number(about.get("session")), about.get("closed")
    if state.get("state") != "dark":
        return say("The set is not down: this is as it stands now.")
    if session is None:
        return say("No session yet.")
    if not isinstance(closed, str):
        return say("Session {n} is over.", n=f"{session:.0f}")
    time = words.moment(closed, date=True)
    return say("Session {n} ended {time}.", n=f"{session:.0f}", time=time)


def should_be_off(state: Json) -> list[str]:
    """What is on and should not be; what stays on as the profile says is named with what stays."""
    entries = words.entries(state.get("still_on"))
    return proof_words.still_on(
        {**state, "still_on": [e for e in entries if e.get("why") != STAYS]}
    )


def _on(state: Json) -> list[str]:
    close = words.to_close(state)
    return [*should_be_off(state), *([close] if close else [])]


def _unproven(state: Json, devices: Mapping[str, Json]) -> list[str]:
    """Switches of which nothing says that they are off, and gear that should have spoken."""
    known = {str(e["device"]) for e in words.entries(state.get("still_on"))}
    known |= set(words.names(state.get("stays_on")))
    if state.get("state") != "dark":
        return []
    lines = []
    silent = {str(e["device"]) for e in words.entries(state.get("silent"))}
    for name, view in _in_order(devices):
        if name in known or view.get("kind") != "plug" or view.get("heard") is None:
            continue
        if view.get("switch") is not False:
            lines.append(say("{name}: it has not said that it is off", name=words.clean(name, 40)))
        elif name in silent or view.get("heard") != "answers":
            lines.append(say("{name}: it said off, and is silent", name=words.clean(name, 40)))
    return lines


def _quiet(state: Json) -> list[str]:
    lines = []
    for entry in words.entries(state.get("quiet")):
        name, back = words.clean(entry["device"], 40), entry.get("back_at")
        if isinstance(back, str):
            lines.append(say("{name}, back on at {time}", name=name, time=words.moment(back)))
        else:
            lines.append(say("{name}: it comes back only when somebody asks", name=name))
    return lines


def _cards(about: Json, devices: Mapping[str, Json]) -> list[str]:
    lines = []
    for name in words.names(about.get("rolled")):
        left = _supply(devices.get(name, {}), "card")
        said = words.clean(name, 40)
        if left is not None:
            said = say("{name}: {n} min were left", name=said, n=f"{left:.0f}")
        lines.append(said)
    return lines


def _batteries(devices: Mapping[str, Json]) -> list[str]:
    """By its last word where it has one; else by the profile, which says that it runs on one."""
    found: list[tuple[float, str]] = []
    for name, view in _in_order(devices):
        said = dict(supplied.readings(view))
        left = _supply(view, "battery")
        runs_on_one = view.get("feed") is None and view.get("kind") is not None
        if not (left is not None or runs_on_one or _low(view)):
            continue
        name = words.clean(name, 40)
        texts = [text for label, text in said.items() if label in _labels()]
        if texts:
            text = say("{name}: {what}", name=name, what="; ".join(texts))
        else:
            text = say("{name}: it cannot say how full it is", name=name)
        found.append((-1.0 if _low(view) else 101.0 if left is None else left, text))
    # the emptiest first; what cannot say it comes last
    return [text for _, text in sorted(found, key=lambda entry: entry[0])]


def _labels() -> tuple[str, ...]:
    return (supplied.point_name("battery"), supplied.point_name("battery_low"))


def _low(view: Json) -> bool:
    found = view.get("supplies")
    low = found.get("battery_low") if isinstance(found, Mapping) else None
    return isinstance(low, Mapping) and low.get("value") is True


def _supply(view: Json, point: str) -> float | None:
    found = view.get("supplies")
    entry = found.get(point) if isinstance(found, Mapping) else None
    return words.number(entry.get("value")) if isinstance(entry, Mapping) else None


def _chargers(state: Json, devices: Mapping[str, Json]) -> list[str]:
    lines = supplied.chargers(state)
    bare = [
        name
        for name, view in _in_order(devices)
        if view.get("kind") == "charger" and view.get("charge") is None
    ]
    if bare:
        lines.append(say("look at them before you leave: {names}", names=words.listed(bare)))
    return lines


def _stays(state: Json) -> list[str]:
    stays = words.names(state.get("stays_on"))
    return [say("as the profile says: {names}", names=words.listed(stays, 12))] if stays else []


def _energy(about: Json) -> list[str]:
    kwh = words.number(about.get("kwh"))
    return [] if kwh is None else [say("{kwh} kWh, as metered", kwh=figure(kwh, ".3f"))]


def _in_order(devices: Mapping[str, Json]) -> Sequence[tuple[str, Json]]:
    return sorted(devices.items(), key=lambda entry: words.number(entry[1].get("n")) or 0.0)
