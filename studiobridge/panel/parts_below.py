"""What stands below the drawing: what moved, dials, the run, what is left, everything in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from studiobridge.panel import parts_after, parts_picture
from studiobridge.profile.model import LIGHT, Device
from studiobridge.shown import drift_words, proof_words, sensor_words, step_words, supplied, words
from studiobridge.shown.after import should_be_off
from studiobridge.shown.condition import condition
from studiobridge.shown.hand import TURNS, Guide, guide
from studiobridge.shown.tongue import say

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}
UP = ("ready", "adrift")


def parts(board: Board) -> dict[str, str]:
    shown = board.visitor.shown
    state: View = shown.state or NOTHING
    sure = board.visitor.sure
    draw = board.macros("parts_below.html")
    pictured = parts_picture.line(board)
    said = [
        *sensor_words.sensors(state),
        *([pictured] if pictured else []),
        *supplied.supplies(state),
    ]
    rows = drift_rows(board)
    all_back = put_back(rows)
    notes = [*proof_words.unproven(state), *filter(None, [words.to_close(state)])]
    return {
        "notes": str(draw.notes(notes, sure)),
        "run": str(draw.run(run_rows(board), shown.latest_run, unconfirmed(board))),
        "drift": str(draw.drift(rows, together(board), sure, board.held(), *all_back)),
        "guides": str(draw.guides(guides(board), sure)),
        "dials": str(draw.dials(dials(board), sure)),
        "supplies": str(draw.supplies(said, sure)),
        "left": str(draw.left(left(board))),
        "things": str(draw.things(things(board))),
    }


def guides(board: Board) -> list[Guide]:
    """How far each dial of the look is from its mark, where a plug meters it."""
    state = board.visitor.shown.state or NOTHING
    names = [str(entry["device"]) for entry in words.entries(state.get("hand_set"))]
    found = [guide(name, board.view(name).get("dial")) for name in names]
    return [each for each in found if each is not None]


def dials(board: Board) -> list[dict[str, Any]]:
    """The lights set by hand, each with what it does when its mains come."""
    items = words.entries((board.visitor.shown.state or NOTHING).get("hand_set"))
    return [
        {
            **item,
            "strong": Markup("<strong>{}</strong>").format(words.clean(item["device"], 40)),
            "how": words.comes_back(item.get("comes_back")),
            "turning_by": item.get("turning_by"),
            # who turns it is only worth a word where a plug meters it
            "metered": isinstance(board.view(str(item["device"])).get("dial"), Mapping),
            "proven": proven(board, str(item["device"])),
        }
        for item in items
    ]


def proven(board: Board, name: str) -> str:
    """What proves a dial to be as asked, that is no person's word: `as it should be, by its watts`.
    Empty where nothing does: then it is for a person to say."""
    found = proof_words.evidence(board.view(name))
    if not board.visitor.sure or found not in ("watts", "picture", "sensor"):
        return ""
    return f"{say('as it should be')}, {proof_words.known_by(found)}"


def run_rows(board: Board) -> list[dict[str, Any]]:
    """The latest run, a row a device: its steps as spans of a bar, and its last words."""
    run = board.visitor.shown.latest_run
    steps = [s for s in (run or NOTHING).get("steps") or [] if isinstance(s, Mapping)]
    times = [
        (words.number(s.get("at_s")) or 0.0, words.number(s.get("until_s")) or 0.0) for s in steps
    ]
    total = max((until for _, until in times), default=0.0) or 1.0
    rows: dict[str, dict[str, Any]] = {}
    for step, (begins, ends) in zip(steps, times, strict=True):
        row = rows.setdefault(
            str(step["device"]),
            {"device": str(step["device"]), "spans": [], "said": "", "bad": False},
        )
        phase = step_words.phase_of(step)
        at = begins / total * 1000
        wide = max(6.0, (ends - begins) / total * 1000)
        row["spans"].append({"x": round(at), "wide": round(wide), "phase": phase})
        if phase != "waiting":
            row["said"] = step_words.step_said(step) + (" …" if phase == "sent" else "")
            row["bad"] = row["bad"] or phase == "failed"
    return list(rows.values())


def unconfirmed(board: Board) -> list[str]:
    """Whom the latest run told, or left to a hand, and nothing says that it stands as asked."""
    run = board.visitor.shown.latest_run or NOTHING
    last: dict[str, str] = {}
    for step in run.get("steps") or []:
        if isinstance(step, Mapping) and step_words.action_of(step) not in step_words.TIMED:
            last[str(step["device"])] = step_words.phase_of(step)
    names = [name for name, phase in last.items() if phase != "confirmed"]
    if run.get("what") == "restore":
        # a dial has no step of its own: nothing tells it anything
        for entry in board.visitor.shown.drift:
            device = board.profile.devices.get(str(entry.get("device")))
            if device is not None and device.hand_set:
                names.append(device.name)
    return [n for n in dict.fromkeys(names) if board.view(n).get("confirmed") is not True]


def drift_rows(board: Board) -> list[dict[str, Any]]:
    """Newest first: a sentence a device."""
    by_device: dict[str, list[View]] = {}
    for entry in board.visitor.shown.drift:
        by_device.setdefault(str(entry.get("device")), []).append(entry)
    rows = []
    for name, entries in by_device.items():
        plain = [{k: v for k, v in e.items() if k != "for_s"} for e in entries]
        since = min(str(e.get("since", "")) for e in entries)
        device = board.profile.devices.get(name)
        restored, kept = answers(device, entries)
        rows.append(
            {
                "device": name,
                "line": drift_words.drift_line(plain),
                "since": since,
                "restore": restored,
                "by_hand": "" if device is None else by_hand(device, entries, board.view(name)),
                "keep": kept,
            }
        )
    return sorted(rows, key=lambda row: str(row["since"]), reverse=True)


def answers(device: Device | None, entries: list[View]) -> tuple[bool, bool]:
    """Can a command put back what moved, and can the look keep it so?

    No command reaches a dial, nor one of several; what an instrument makes of a lamp is no value to
    keep, only what it reports itself."""
    if device is None or not entries or all(words.names(e.get("perhaps")) for e in entries):
        return False, False
    kept = any(e.get("point") in LIGHT and not e.get("band") for e in entries)
    return not device.hand_set, kept and device.fixture


def put_back(rows: list[dict[str, Any]]) -> tuple[bool, list[str]]:
    """Is putting back more than one row worth a button, and what stays where it is then: what no
    command reaches, or where nobody knows which of several moved."""
    reached = [row for row in rows if row["restore"]]
    return len(reached) > 1, [str(row["device"]) for row in rows if not row["restore"]]


def by_hand(device: Device, entries: list[View], view: View) -> str:
    """Which way a hand turns a dial that moved: `by hand: a little less, cooler`; empty for what a
    command reaches, and where nothing says which way it went."""
    if not device.hand_set:
        return ""
    turned = guide(device.name, view.get("dial"))
    ways: list[str] = []
    for entry in entries:
        point, off = entry.get("point"), _off(entry)
        if point == "switch" and isinstance(entry.get("wanted"), bool):
            on, out = say("switch it on"), say("switch it off")
            ways.append(on if entry["wanted"] else out)
        elif point == "level" and turned is not None and turned.turn:
            ways.append(turned.turn)
        elif point == "level" and off:
            ways.append(say(TURNS["less" if off > 0 else "more"], sense="a dial"))
        elif point == "cct" and off:
            # more kelvin is cooler than wanted
            ways.append(say("warmer") if off > 0 else say("cooler"))
    return say("by hand: {ways}", ways=words.listed(ways)) if ways else ""


def _off(entry: View) -> float:
    """How much more it is than wanted, by the report or by the band of what sees it; 0: unknown."""
    wanted, there = words.number(entry.get("wanted")), words.number(entry.get("reported"))
    band = entry.get("band")
    if there is None and isinstance(band, list) and len(band) == 2:
        ends = [end for end in map(words.number, band) if end is not None]
        there = sum(ends) / 2 if len(ends) == 2 else None
    return 0.0 if wanted is None or there is None else there - wanted


def together(board: Board) -> str:
    """All drift in the picture, where several have moved."""
    state = board.visitor.shown.state or NOTHING
    if len({e.get("device") for e in board.visitor.shown.drift}) < 2:
        return ""
    return drift_words.picture(state.get("picture"))


def left(board: Board) -> dict[str, Any] | None:
    """What is on and should not be, and after taking down what else is left; None: nothing."""
    state = board.visitor.shown.state or NOTHING
    if not board.visitor.sure or parts_after.is_over(board):
        return None  # what is left once all is down stands above the fold
    if isinstance(state.get("goes_down"), Mapping):
        return None  # it waits for the end of the take, and nothing was told to go off yet
    if state.get("state") == "lowering":
        # what only says that it is on has its turn yet; what flows where it says off is named
        on = [e for e in words.entries(state.get("still_on")) if e.get("why") != "it says on"]
        state = {**state, "still_on": on}
    still = should_be_off(state)
    about = state.get("after")
    never_up = isinstance(about, Mapping) and about.get("session") is None
    if state.get("state") != "dark" or never_up:
        # before the first session nothing is left of one: only what is on says so
        half = state.get("state") in ("stalled", "lowering")
        return {"still": still, "dark": False, "half": half} if still else None
    silent = [str(entry["device"]) for entry in words.entries(state.get("silent"))]
    devices = board.profile.devices.values()
    return {
        "charged": supplied.chargers(state),
        "still": still,
        "dark": True,
        "unproven": [*words.names(state.get("only_told")), *silent],
        "stays": [d.name for d in devices if d.stays_on],
        "batteries": [d.name for d in devices if d.battery],
        "chargers": [d.name for d in devices if d.kind == "charger" and d.done_below is None],
    }


def things(board: Board) -> list[dict[str, Any]]:
    """Every device as a line: the drawing in words."""
    state = board.visitor.shown.state or NOTHING
    up = state.get("state") in UP
    rows = []
    for device in board.profile.devices.values():
        view = board.view(device.name)
        how = condition(device, view, board.visitor.sure, up)
        now = words.preset(view)
        if device.hand_set:
            now = words.preset(view.get("preset"))
        if device.kind == "camera":
            now = say("rolling") if view.get("rolling") else proof_words.rolls(view) if view else ""
        if device.done_below is not None:
            now = supplied.charges(view)
        rows.append(
            {
                "device": device.name,
                "title": device.title or words.kind(device.kind),
                "now": now if how.code != "off" else "",
                "code": how.code,
                "words": how.words,
                "misheard": proof_words.misheard(view),
            }
        )
    return rows
