"""Takes in words and as data: for commands, pages and CSV alike. No I/O."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any

from studiobridge.control.stood import Lights, differences, left_out, picture_between
from studiobridge.control.taken import Happened, Taken
from studiobridge.figures.face import Face
from studiobridge.profile.model import SetProfile
from studiobridge.shown import drift_words, seen_take, words
from studiobridge.shown.seen_columns import columns, compared
from studiobridge.shown.tongue import english, figure, later, say, say_many, zone
from studiobridge.shown.words import Json

MARKS = {"good": later("good", sense="a take"), "again": later("again", sense="a take")}
# Why the bridge could not know, as it writes it down.
REASONS = {
    "the link to the broker was away": later("the link to the broker was away"),
    "the bridge began anew": later("the bridge began anew"),
    "its meter said nothing": later("its meter said nothing"),
    "it was gone": later("it was gone"),
    "it said nothing": later("it said nothing"),
    "its plug went off": later("its plug went off"),
    "its plug went off: a battery may carry it on": later(
        "its plug went off: a battery may carry it on"
    ),
}


# ---- as data -------------------------------------------------------------------------------


def iso(at: float, where: tzinfo | None = UTC) -> str:
    """A time (s since the epoch) in ISO 8601; UTC with a Z, else with its offset."""
    moment = datetime.fromtimestamp(at, UTC).astimezone(where)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def as_json(take: Taken, whole: bool = False, as_good: Json | None = None) -> dict[str, Any]:
    """A take of the record; `whole`: with how the set stood and what happened.

    `as_good`: its picture against the last good one's (`compared`).
    """
    found: dict[str, Any] = {
        "take": take.number,
        "session": take.session,
        "look": take.look,
        "began": iso(take.began),
        "ended": None if take.ended is None else iso(take.ended),
        "seconds": round(take.seconds, 3),
        "by": take.by,
        "off_s": take.off,
        "why": take.why,
        "ended_by": take.ended_by,
        "ended_off_s": take.ended_off,
        "ended_why": take.ended_why,
        "clock_step_s": round(take.clock_step, 1),
        "cameras": [
            {
                "device": span.camera,
                "from_s": span.began,
                "to_s": span.ended,
                "by": span.began_by,
                "off_s": span.began_off,
                "ended_by": span.ended_by,
                "ended_off_s": span.ended_off,
            }
            for span in take.cameras
        ],
        "changes": take.changes,
        "mark": take.mark,
        "note": take.note,
        "marked_by": take.marked_by,
        "marked": None if take.marked is None else iso(take.marked),
        "as_good": as_good,
    }
    if whole:
        found["seen"] = _mapping(take.picture)
        found["ended_seen"] = _mapping(take.ended_seen)
        found["stood"] = dict(take.stood)
        found["happened"] = [
            {
                "at_s": round(one.seconds, 3),
                "at": iso(take.began + one.seconds),
                "what": one.what,
                "device": one.device,
                "by": one.by,
                "off_s": one.off,
                "text": one.text,
                **{key: value for key, value in one.detail.items() if key != "what"},
            }
            for one in take.happened
        ]
    return found


def csv_row(take: Taken, as_good: Json | None = None) -> dict[str, object]:
    """One take as a row to match with files: times of day in the zone in force, and in UTC.

    What the picture said stands in figures against the picture that was kept, empty for what it did
    not say; `as_good`: against the last good one's (`compared`).
    """
    ended = take.ended
    return {
        "take": take.number,
        "session": take.session,
        "look": take.look or "",
        "mark": take.mark,
        "note": take.note,
        "began": iso(take.began, zone()),
        "ended": "" if ended is None else iso(ended, zone()),
        "began_utc": iso(take.began),
        "ended_utc": "" if ended is None else iso(ended),
        "seconds": round(take.seconds, 3),
        "cameras": " ".join(dict.fromkeys(span.camera for span in take.cameras)),
        "began_by": take.by,
        "began_off_s": "" if take.off is None else take.off,
        "ended_by": take.ended_by,
        "ended_off_s": "" if take.ended_off is None else take.ended_off,
        "clock_step_s": round(take.clock_step, 1),
        "changes": take.changes,
        "marked_by": take.marked_by,
        **columns(take, as_good),
    }


def _mapping(value: object) -> dict[str, Any]:
    return dict(value) if isinstance(value, Mapping) else {}


# ---- in words ------------------------------------------------------------------------------


def length(seconds: float) -> str:
    """`0:42`, `12:05`, `1:02:03`: as a camera shows it."""
    whole = max(0, int(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"


def mark(value: object) -> str:
    """The mark in a word; empty for none."""
    text = MARKS.get(str(value or ""))
    return "" if text is None else say(text, sense="a take")


def evidence(by: str, off: float | None, why: str) -> str:
    """How it is known, where that is not the camera's own report, and how far it may be off."""
    if by in ("", "report"):
        return ""
    far = "" if off is None else words.duration(off)
    if by == "hand":
        return say("by a word of {who}, {far} more or less", who=words.clean(why, 60), far=far)
    if by == "watts":
        if off is None:
            return say("by its watts, since when is not known")
        return say("by its watts, up to {far} earlier", far=far)
    reason = REASONS.get(why)
    said = say(reason) if reason is not None else words.bridge_says(why, 200)
    if off is None:
        return say("inferred: {why}; how long before is not known", why=said)
    if off <= 0.0:
        return say("inferred: {why}", why=said)
    return say("inferred: {why}; it may have been up to {far} earlier", why=said, far=far)


def change(one: Happened) -> str:
    """What happened within a take, in a line without its second."""
    name, detail = words.clean(one.device, 60), one.detail
    if one.what == "unsure":
        reason = REASONS.get(one.text, one.text)
        return say(
            "{device}: {why} for {time}; whether it rolled throughout is not known",
            device=name,
            why=say(reason),
            time=words.duration(one.off or 0.0),
        )
    if one.what == "more":
        return say("more changes than are kept")
    if one.what == "seen":
        return seen_take.change(detail, one.text, one.off)
    if one.what == "sensor":
        return _sensor(name, detail)
    if one.what == "drift":
        return _drift(name, one)
    if "off" in detail:
        text = say("{device} went off") if detail["off"] is True else say("{device} came back on")
        moved = text.format(device=name)
    else:
        moved = f"{name} {', '.join(_moves(detail))}"
    shown = drift_words.picture(detail.get("picture"))
    return f"{moved}; {shown}" if shown else moved


def _moves(detail: Json) -> list[str]:
    """`−1.00 stop (64 → 32 %)`, `17 mired warmer (4300 → 4000 K)`."""
    parts = []
    level, cct = _ends(detail.get("level")), _ends(detail.get("cct"))
    if level is not None:
        stops = words.number(detail.get("stops"))
        ends = f"{figure(level[0], '.4g')} → {figure(level[1], '.4g')} %"
        if stops is not None:
            ends = say("{by} stop", by=words.signed(stops, 2)) + f" ({ends})"
        parts.append(ends)
    if cct is not None:
        mired = words.number(detail.get("mired")) or 0.0
        parts.append(f"{_warmer(mired)} ({cct[0]:.0f} → {cct[1]:.0f} K)")
    shift = words.number(detail.get("shift"))
    if shift is not None:
        parts.append(say("another colour, {shift} Δu′v′", shift=figure(shift, ".3f")))
    if detail.get("turned") or detail.get("white"):
        turned = str(detail.get("turned") or detail.get("white"))
        parts.append(say("coloured now") if turned == "coloured" else say("white now"))
    return parts or [say("changed")]


def _ends(value: object) -> tuple[float, float] | None:
    """Two numbers, before and after; None for anything else."""
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 2:
        return None
    before, after = words.number(value[0]), words.number(value[1])
    return None if before is None or after is None else (before, after)


def _warmer(mired: float) -> str:
    n = figure(abs(mired), ".0f")
    return say("{n} mired warmer", n=n) if mired > 0 else say("{n} mired cooler", n=n)


def _drift(name: str, one: Happened) -> str:
    opened = one.detail.get("phase") == "opened"
    if one.detail.get("point") == "online":
        return (
            say("{device} is not heard", device=name)
            if opened
            else say("{device} is heard again", device=name)
        )
    if not opened:
        return say("{device} is as wanted again", device=name)
    if one.text:
        return say("{device}: {what}", device=name, what=english(words.clean(one.text, 200)))
    return say("{device} has moved", device=name)


def _sensor(name: str, detail: Json) -> str:
    if detail.get("phase") != "opened":
        return say("the light at {device} is as before, or explained", device=name)
    stops = words.signed(words.number(detail.get("stops")), 1)
    return say(
        "the light at {device} changed by {stops} stop, and no light says that it moved",
        device=name,
        stops=stops,
    )


def difference(entry: Json) -> str:
    """One entry of `differs`, in a line."""
    name = words.clean(entry.get("device", "?"), 60)
    if "unknown" in entry:
        why = words.bridge_says(entry.get("unknown"), 160)
        if entry.get("of") == "then":
            return say("{device}: not known how it stood then: {why}", device=name, why=why)
        return say("{device}: not known how it stands: {why}", device=name, why=why)
    return f"{name} {', '.join(_moves(entry))}"


def light(one: Json) -> str:
    """How a fixture stood: `64 %, 4300 K, by its report`."""
    if "why" in one:
        return say("not known: {why}", why=words.bridge_says(one.get("why"), 160))
    by = str(one.get("by") or "")
    how = say("by its report")
    if by != "report":
        how = words.bridge_says(by if by.startswith("by ") else f"by {by}", 80)
    if one.get("told") is True:
        how = say("only told, nothing proves it")
    shown = words.preset(one) or say("nothing said")
    return f"{shown}, {how}"


def head(take: Taken) -> str:
    """`take 12: good`, with what else tells it apart."""
    parts = [say("take {n}", n=take.number)]
    if take.session is not None:
        parts.append(say("session {number}", number=take.session))
    if take.look:
        parts.append(say("look {look}", look=words.clean(take.look, 64)))
    text = ", ".join(parts)
    return f"{text}: {mark(take.mark)}" if take.mark else text


def when(at: float) -> str:
    """`2026-03-01 21:00:14 (20:00:14 UTC)`; in UTC already: once."""
    here = words.moment(iso(at), date=True)
    there = datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%d %H:%M:%S")
    return f"{here} UTC" if here == there else f"{here} ({there[11:]} UTC)"


def times(take: Taken) -> list[str]:
    """When it began and ended, how long it was, how that is known, and who rolled when."""
    found = [
        _with(say("began {when}", when=when(take.began)), evidence(take.by, take.off, take.why))
    ]
    if take.ended is None:
        found.append(
            say("{length} so far: it rolls, or the bridge died in it", length=length(take.seconds))
        )
    else:
        how = evidence(take.ended_by, take.ended_off, take.ended_why)
        ended = say("ended {when}", when=when(take.ended))
        found.append(_with(ended, how))
        found.append(
            say("{length} long", length=f"{length(take.seconds)} ({figure(take.seconds, '.1f')} s)")
        )
    if take.clock_step:
        text = (
            say("the clock was put forward by {time} in it; its length is not by that clock")
            if take.clock_step > 0
            else say("the clock was put back by {time} in it; its length is not by that clock")
        )
        found.append(text.format(time=words.duration(abs(take.clock_step))))
    found += seen_take.looked_lines(take.ended_seen)
    if len(take.cameras) > 1:
        for span in take.cameras:
            until = "…" if span.ended is None else length(span.ended)
            found.append(f"{words.clean(span.camera, 60)}: {length(span.began)}–{until}")
    return found


def _with(text: str, more: str) -> str:
    return f"{text}, {more}" if more else text


def stood_lines(take: Taken) -> list[tuple[str, str]]:
    """How the set stood at its start, a row a light and a row for what else there was to say."""
    lights = lights_in(take)
    rows = [(words.clean(name, 40), light(one)) for name, one in lights.items()]
    stood = take.stood
    for entry in words.entries(stood.get("drift")):
        off = drift_words.by_how_much({**entry, "wanted": None, "reported": None})
        rows.append((say("moved"), f"{words.clean(entry.get('device', '?'), 40)} {off}"))
    shown = drift_words.picture(stood.get("picture"))
    if shown:
        rows.append((say("the picture"), shown))
    rows.extend(
        (say("low"), words.bridge_says(e.get("said"), 160))
        for e in words.entries(stood.get("supplies"))
    )
    if stood.get("before"):
        rows.append((say("before"), words.bridge_says(stood["before"], 200)))
    return rows + seen_take.stood_lines(take.picture)


def lights_in(take: Taken) -> Lights:
    lights = take.stood.get("lights")
    if not isinstance(lights, Mapping):
        return {}
    return {str(name): one for name, one in lights.items() if isinstance(one, Mapping)}


def changes(take: Taken) -> list[tuple[str, str]]:
    """What happened in it: its second, and a line."""
    return [(length(one.seconds), change(one)) for one in take.happened]


def against(profile: SetProfile, good: Taken, take: Taken) -> dict[str, Any]:
    """What differs in how the set stood in this take from how it stood in the good one."""
    then, now = lights_in(good), lights_in(take)
    return {
        "take": take.number,
        "good": good.number,
        "look": take.look,
        "good_look": good.look,
        "differs": differences(profile, then, now),
        "picture": picture_between(Face(profile), then, now),
        "seen": compared(profile, good, take),
    }


def against_lines(found: Json) -> list[str]:
    """The same in words."""
    look, before = found.get("look"), found.get("good_look")
    lines = [say("against take {n}, the last good one", n=found.get("good"))]
    if look != before:
        lines[0] += " " + say(
            "(look {look})", look=words.clean(before or say("none", sense="a look"), 64)
        )
    entries = words.entries(found.get("differs"))
    lines += [difference(entry) for entry in entries]
    if not entries and not seen_take.differences(found.get("seen")):
        lines.append(say("nothing differs that is known"))
    shown = drift_words.picture(found.get("picture"))
    if shown and entries:
        lines.append(say("reckoned for the picture: {what}", what=shown))
    then, now = (say("take {n}", n=found.get(key)) for key in ("good", "take"))
    return lines + seen_take.against_lines(found.get("seen"), then, now, moved_lights(entries))


def moved_lights(entries: Sequence[Json]) -> list[str]:
    """Those of `differs` of which more is known than the picture says."""
    return [str(entry.get("device")) for entry in entries if "stops" in entry]


def not_in_a_look(take: Taken) -> list[str]:
    """What a look made of this take leaves out."""
    return [
        f"{words.clean(one['device'], 40)}: {words.bridge_says(one['why'], 160)}"
        for one in left_out(lights_in(take))
    ]


def changes_said(n: int) -> str:
    return say_many("{n} change of light", "{n} changes of light", n)
