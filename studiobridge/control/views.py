"""What a set says of itself: plain dictionaries, ready for JSON. Shapes are stable.

Times inside are the controller's own; `wall` turns them into seconds since the epoch, and
only here do they become the ISO 8601 of the outside.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime

from studiobridge.control.acts import ENDED
from studiobridge.control.controller import Controller
from studiobridge.control.drift import Drift
from studiobridge.control.evidence import Proof, Word
from studiobridge.control.guided import aim as aim_by_picture
from studiobridge.control.manners import in_the_way
from studiobridge.control.plan import describe, waits_for
from studiobridge.control.quiet_lost import why_lost
from studiobridge.control.sequence import staying_on
from studiobridge.craft.chroma import Colour
from studiobridge.craft.grid import mired
from studiobridge.craft.mark import stops
from studiobridge.figures.face import DARK, Change
from studiobridge.profile.colours import colour_json, preset_json
from studiobridge.profile.model import Point, Preset, Value, figure

Wall = Callable[[float], float]
View = dict[str, object]


def iso(at: float, wall: Wall) -> str:
    """UTC, ISO 8601, to the millisecond."""
    moment = datetime.fromtimestamp(wall(at), UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _number(value: float | None, digits: int = 3) -> float | None:
    return None if value is None else round(float(value), digits)


def _value(value: Value | None) -> object:
    if value is None or isinstance(value, bool):
        return value
    return colour_json(value) if isinstance(value, Colour) else round(value, 3)


def _left_on(controller: Controller, wall: Wall) -> list[View]:
    """Mains switches believed on that should not be, in every state but that of a set that is up.

    By what they report and meter, never by what they were told.
    """
    beliefs = controller.beliefs
    if controller.standing.session.open and controller.state not in ("lowering", "stalled"):
        return []
    found: list[View] = []
    for name, why in controller.runs.endings.left_on().items():
        belief = beliefs.of[name]
        drawing = beliefs.still_drawing(name)
        word = belief.last["watts" if drawing is not None else "switch"]
        found.append(
            {
                "device": name,
                "watts": _value(belief.said("was it so", "watts")),
                "since": iso(word.at, wall),
                "by": "watts" if drawing is not None else "report",
                "why": why,
            }
        )
    return found


def _hand_set(controller: Controller, name: str, preset: Preset, at: float, wall: Wall) -> View:
    """A light on a dial: what to turn it to, and who said that it is so."""
    belief = controller.beliefs.of[name]
    done = belief.ticked if belief.by_hand(preset) else None
    return {
        "device": name,
        "level": preset.level,
        "cct": preset.cct,
        "colour": colour_json(preset.colour),
        "set_at": None if done is None else iso(done.at, wall),
        "set_by": None if done is None else done.by,
        "turning_by": controller.desk.turned_by(name, at),
        "comes_back": controller.profile.devices[name].comes_back,
    }


# What a run that is over waits for where no report can prove a device.
AWAITED: dict[str, dict[str, str]] = {
    "watts": {"what": "watts", "why": "what it draws is not known yet"},
    "picture": {"what": "picture", "why": "it has not been seen in the picture yet"},
}


def _waiting_for(controller: Controller, at: float) -> list[View]:
    """What a run waits for, most telling first."""
    run = controller.run
    if run is None:
        if controller.state == "unheard":
            return [{"device": "", "what": "listen", "why": controller.why}]
        return []
    waiting: list[View] = []
    devices = controller.profile.devices
    held = controller.runs.steps.held_by(run, at)
    if held is not None:
        why = controller.runs.why_held(run, at)
        asks = controller.runs.asked_about(run, at) is not None
        waiting.append({"device": held, "what": "roll", "why": why, "asks": asks})
    waiting.extend(
        {"device": a.step.device, "what": a.step.action, "why": a.step.why}
        for _, a in sorted(run.active.items())
    )
    if run.over and held is None:
        waiting.extend(
            {"device": name, **AWAITED["picture" if devices[name].proof == "picture" else "watts"]}
            for name in controller.watcher.awaits_gauge()
        )
    return waiting


def _moved(controller: Controller) -> set[str]:
    """Devices that report something else than is wanted. Who is silent has not moved."""
    return {
        name
        for d in controller.watcher.drifts.values()
        if d.point != "online" or d.reported is not None
        for name in d.devices
    }


def state_view(controller: Controller, at: float, wall: Wall) -> View:
    """The whole set in a few words: the retained `state`."""
    desk = controller.desk
    standing = controller.standing
    run = controller.run
    shown = controller.last_run
    until = controller.requests.before.timing.warming_until(at)
    warm = None if until is None else round(until - at, 1)
    return {
        "set": controller.profile.name,
        "title": controller.profile.title,
        "state": controller.state,
        "look": desk.look,
        "why": controller.why,
        "since": iso(standing.since, wall),
        "ready_in_s": None if run is None else _number(max(0.0, run.began + run.ready_in - at), 1),
        "waiting_for": _waiting_for(controller, at),
        "steps_done": 0 if run is None else sum(phase in ENDED for phase in run.phase),
        "steps": 0 if run is None else len(run.steps),
        "missing": sorted(shown.missing) if shown is not None and run is None else [],
        "hand_set": [
            _hand_set(controller, name, preset, at, wall)
            for name, preset in desk.presets.items()
            if controller.profile.devices[name].hand_set
        ],
        "only_told": controller.runs.endings.only_told() if standing.session.open else [],
        "silent": [
            {
                "device": name,
                "since": iso(belief.silent_since, wall),
                "heard": desk.hearing(name, at),
            }
            for name, belief in controller.beliefs.of.items()
            if belief.silent_since is not None
        ],
        "still_on": _left_on(controller, wall),
        "to_close": [] if standing.session.open else sorted(controller.beliefs.to_close()),
        "stays_on": sorted(staying_on(controller.profile, desk.feeds, False)),
        "rolling": [name for name in desk.cameras if controller.beliefs.of[name].rolls],
        "closing": [
            name
            for name in desk.cameras
            if not controller.beliefs.of[name].rolls
            and controller.beliefs.of[name].closing_until > at
        ],
        "cut": standing.was_cut,
        "lockouts": [
            {
                "target": lockout.target,
                "by": lockout.by,
                "why": lockout.why,
                "since": iso(lockout.since, wall),
            }
            for lockout in desk.lockouts.values()
        ],
        "left_on": standing.left_on,
        "contested": sorted({*standing.contested, *standing.rivals}),
        "rivals": [{"device": n, "who": who} for n, who in sorted(standing.rivals.items())],
        "drifting": sorted(_moved(controller)),
        "picture": picture_view(controller),
        "supplies": supplies_view(controller, at, wall),
        "chargers": [
            {"device": name, "charge": controller.holding.chargers.charge(name, at)}
            for name in controller.holding.chargers.names
        ],
        "sensors": [_sensor(controller, name, at, wall) for name in controller.holding.metering.of],
        "picture_seen": controller.holding.sight.view(at, wall),
        "faults": standing.faults,
        "in_the_way": [
            {
                "what": entry.what,
                "device": entry.device,
                "target": entry.target,
                "by": entry.by,
                "why": entry.why,
            }
            for entry in in_the_way(desk, controller.gates, at)
        ],
        "goes_down": _goes_down(controller, at),
        "quiet": quiet_view(controller, at, wall),
        "adjusting": controller.requests.adjusting.view(lambda when: iso(when, wall)),
        "warm_in_s": warm,
        # the moment, for a page to count to: seconds are old when they are read
        "ready_at": None if run is None else iso(run.began + run.ready_in, wall),
        "session": standing.session.number,
        "takes": controller.requests.takes.shown(at, lambda then: iso(then, wall)),
        "before": controller.requests.before.view(at, lambda when: iso(when, wall)),
        "after": controller.requests.before.after_view(lambda when: iso(when, wall)),
        "timer": controller.requests.before.timer_view(
            lambda when: iso(when, wall), controller.requests.takes.began
        ),
    }


def _goes_down(controller: Controller, at: float) -> View | None:
    """A run-down that was asked for in the middle of a take, and has told nothing yet."""
    run, text = controller.run, controller.runs.waits_to_go_down(at)
    if run is None or text is None:
        return None
    return {
        "camera": controller.runs.steps.held_by(run, at),
        "text": text,
        "by": run.by,
        "withdraw": run.was in ("ready", "adrift"),
    }


def quiet_view(controller: Controller, at: float, wall: Wall) -> list[View]:
    """What was told quiet and has not come back: what it waits for, and until when."""
    quiet = controller.requests.quiet
    found: list[View] = [
        {
            "device": entry.device,
            "plug": entry.plug,
            "since": iso(entry.off_at, wall),
            "back_at": None if entry.cut else iso(quiet.owed_at(entry), wall),
            "why": entry.why(),
            "by": entry.by,
            "state": entry.shown,
        }
        for entry in quiet.entries.values()
    ]
    found += [
        {
            "device": was.device,
            "plug": was.device,
            "since": iso(was.off_at, wall),
            "back_at": None,
            "why": why_lost(was),
            "by": was.by,
            "state": "still off",
        }
        for was in quiet.lost.of.values()
    ]
    return found


def supplies_view(controller: Controller, at: float, wall: Wall) -> list[View]:
    """What runs out or runs hot by its last word, past what its profile warns of."""
    return [
        {
            "device": low.device,
            "point": low.point,
            "value": _value(low.word.value),
            "limit": low.limit,
            "at": iso(low.word.at, wall),
            "kept": low.word.kept,
            "left_s": _number(low.left, 0),
        }
        for low in controller.holding.supplies.low(at)
    ]


def _reading(word: Word | None) -> object:
    """What a sensor said last; None for what is no number."""
    return None if word is None or not math.isfinite(figure(word.value)) else _value(word.value)


def _sensor(controller: Controller, name: str, at: float, wall: Wall) -> View:
    """What a light sensor reads, beside what the figures predict and what no light explains."""
    metering, belief = controller.holding.metering, controller.beliefs.of[name]
    lux, cct = belief.last.get("lux"), belief.last.get("cct")
    reading = metering.of.get(name)
    fresh = reading is not None and metering.fresh(name, at)
    whole = metering.predicted(name) if reading is not None else None
    view: View = {
        "device": name,
        "lux": _reading(lux),
        "cct": _reading(cct),
        "at": None if lux is None else iso(lux.at, wall),
        "fresh": fresh,
        "predicted_lux": None if whole is None else _number(whole.lux, 1),
        "predicted_cct": None if whole is None else _number(whole.cct, 0),
        "stops": None,
        "mired": None,
        "since_ready": None,
        "could": [],
    }
    if reading is None or not fresh or reading.lux is None:
        return view
    if whole is not None and whole.lux >= DARK and reading.lux >= DARK:
        view["stops"] = _number(stops(reading.lux, whole.lux), 2)
    white = metering.white(name, at)
    if whole is not None and whole.cct and white is not None and white > 0:
        view["mired"] = _number(mired(white) - mired(whole.cct), 1)
    if reading.moved is not None:
        view["since_ready"] = _number(reading.moved.stops, 2)
        view["could"] = list(reading.could)
    return view


def _supplies_of(controller: Controller, name: str, at: float, wall: Wall) -> View | None:
    """Every supply of a device by its last word, though it be off now; None where it has none."""
    supplies = controller.holding.supplies
    found: View = {
        point: {
            "value": _value(word.value),
            "at": iso(word.at, wall),
            "kept": word.kept,
            "left_s": _number(supplies.left(name, at), 0) if point == "battery" else None,
        }
        for (device, point), word in supplies.words.items()
        if device == name
    }
    return found or None


def _picture(change: Change | None) -> View | None:
    """What the picture lost or gained; None where it could not be computed."""
    if change is None:
        return None
    return {
        "face": _number(change.face),
        "ratio_wanted": _number(change.ratio_wanted),
        "ratio": _number(change.ratio_now),
        "mired": _number(change.mired, 1),
        "duv_prime": _number(change.duv_prime, 5),
        "duv": _number(change.duv, 5),
    }


def picture_view(controller: Controller) -> View | None:
    """What all open drift together does to the picture; None when nothing has drifted."""
    drifts = controller.watcher.drifts.values()
    names = {drift.device for drift in drifts if not drift.perhaps}
    watch = controller.watcher.picture
    if not names:
        return None
    # a plug that went off takes its lights with it
    names |= {below for name in names for below in controller.desk.feeds.below.get(name, ())}
    change = _picture(watch.change(names))
    if change is not None:
        return change
    return {"missing": list(watch.missing(names))}


def _drift(controller: Controller, drift: Drift, at: float, wall: Wall) -> View:
    return {
        "drift": drift.number,
        "device": drift.device,
        "point": drift.point,
        "wanted": _value(drift.wanted),
        "reported": _value(drift.reported),
        "stops": _number(drift.by.stops),
        "mired": _number(drift.by.mired, 1),
        "percent": _number(drift.by.percent, 2),
        "shift": _number(drift.by.shift, 4),
        "since": iso(drift.since, wall),
        "heard": None if drift.perhaps else controller.desk.hearing(drift.device, at),
        "for_s": round(at - drift.since, 1),
        "by": "watts" if drift.perhaps else "report" if drift.band is None else drift.band.by,
        "band": None if drift.band is None else [drift.band.low, drift.band.high],
        "worst": {
            "reported": _value(drift.worst_reported),
            "stops": _number(drift.worst.stops),
            "mired": _number(drift.worst.mired, 1),
            "shift": _number(drift.worst.shift, 4),
        },
        "contested": drift.device in controller.standing.contested
        or drift.device in controller.standing.rivals,
        "perhaps": list(drift.perhaps) or None,
        "why": drift.why or None,
        "picture": None
        if drift.perhaps
        else _picture(
            controller.watcher.picture.change(
                {drift.device, *controller.desk.feeds.below.get(drift.device, ())}
            )
        ),
    }


def drift_view(controller: Controller, at: float, wall: Wall) -> list[View]:
    """Every open drift entry, oldest first."""
    drifts = sorted(controller.watcher.drifts.values(), key=lambda drift: drift.number)
    return [_drift(controller, drift, at, wall) for drift in drifts]


def device_view(controller: Controller, name: str, at: float, wall: Wall) -> View:
    """One device: what it reports, what is wanted of it, what forbids touching it."""
    beliefs = controller.beliefs
    belief = beliefs.of[name]
    device = belief.device
    preset = controller.desk.presets.get(name)
    lockout = controller.gates.locked.get(name)
    drifts = [
        _drift(controller, drift, at, wall)
        for drift in controller.watcher.drifts.values()
        if name in drift.devices
    ]
    powered = beliefs.powered(name)
    run = controller.run
    under_way = None if run is None else controller.desk.busy.get(name)
    proof = _proof(controller, name)
    chargers = controller.holding.chargers
    rolling, rolling_by = beliefs.rolling(name) if device.kind == "camera" else (None, None)

    def last(point: Point) -> object:
        return _value(belief.said("was it so", point)) if powered else None

    return {
        "device": name,
        "kind": device.kind,
        # its place in the profile: who lists devices lists them in this order
        "n": list(controller.profile.devices).index(name),
        "title": device.title,
        "online": beliefs.online(name),
        "heard": controller.desk.hearing(name, at),
        "switch": last("switch") if powered else False,
        "level": last("level"),
        # a fixture that is either says one of the two as the other's value: it is only the one
        "cct": None if belief.coloured else last("cct"),
        "colour": None if belief.coloured is False else last("colour"),
        "watts": last("watts"),
        "preset": None if preset is None else preset_json(preset),
        "drift": drifts or None,
        "lockout": None
        if lockout is None
        else {"target": lockout.target, "by": lockout.by, "why": lockout.why},
        "hand_set": device.hand_set,
        "confirmed": proof not in (None, "told") and not drifts,
        "by": proof,
        "gauged": _gauged(controller, name),
        "dial": _dial(controller, name, at),
        "essential": device.essential,
        "feed": device.fed_by,
        "step": None if run is None or under_way is None else run.steps[under_way].action,
        "adjusting": name in controller.requests.adjusting.of,
        "rolling": rolling,
        "rolling_by": rolling_by,
        "charge": chargers.charge(name, at) if name in chargers.names else None,
        "supplies": _supplies_of(controller, name, at, wall),
        "sensor": _sensor(controller, name, at, wall) if device.kind == "sensor" else None,
    }


def _proof(controller: Controller, name: str) -> Proof | None:
    """On what evidence this device is as the set wants it; None when nothing says so."""
    if not controller.standing.session.open:
        return None
    desk = controller.desk
    return controller.beliefs.proof(name, desk.wanted_of(name), desk.presets.get(name))


def _gauged(controller: Controller, name: str) -> View | None:
    """What other instruments make of what this device cannot say: a band a point."""
    belief = controller.beliefs.of[name]
    found: View = {}
    for point in ("switch", "level", "cct"):
        band = belief.band("is it so", point)
        if band is not None:
            found[point] = {"low": band.low, "high": band.high, "by": band.by}
    return found or None


def _dial(controller: Controller, name: str, at: float) -> View | None:
    """For a hand on this dial: what the picture or its plug makes of it, and what it is to become.

    `watts` is of a plug's reading alone; `value`, `low` and `high` are in `unit`.
    """
    aim, seen = controller.gauges.aim(name, at), aim_by_picture(controller.holding.sight, name, at)
    by_picture = controller.profile.devices[name].proof == "picture" or aim is None
    if seen is not None and by_picture:
        return {
            "by": "picture",
            "unit": seen.unit,
            "watts": None,
            "value": _number(seen.value, 2),
            "band": None if seen.least is None else [_number(seen.least, 2), _number(seen.most, 2)],
            "stops": _number(seen.off, 2),
            "was": None,
            "settled": seen.settled,
            "target": _number(seen.target, 2),
            "low": _number(seen.low, 2),
            "high": _number(seen.high, 2),
            "dark": _number(seen.dark, 2),
            "full": _number(seen.full, 2),
            "why": seen.why,
        }
    if aim is None:
        return None
    return {
        "by": "watts",
        "unit": "W",
        "watts": _number(aim.watts, 2),
        "value": _number(aim.watts, 2),
        "band": None,
        "stops": None,
        "was": _number(aim.was, 2),
        "settled": aim.settled,
        "target": _number(aim.target, 2),
        "low": _number(aim.low, 2),
        "high": _number(aim.high, 2),
        "dark": _number(aim.dark, 2),
        "full": _number(aim.full, 2),
        "why": aim.why,
    }


def run_view(controller: Controller, at: float, wall: Wall) -> View | None:
    """The latest run with every step; None when there was none since the bridge started."""
    run = controller.last_run
    if run is None:
        return None
    end = run.ended_at if run.ended_at is not None else at
    return {
        "run": run.number,
        "what": run.what,
        "look": run.look,
        "began": iso(run.began, wall),
        "elapsed_s": round(end - run.began, 2),
        "ready_in_s": round(run.ready_in, 2),
        "state": run.outcome,
        "steps": [
            {
                "n": step.n + 1,
                "device": step.device,
                "action": step.action,
                "value": describe(step),
                "phase": phase,
                "text": text,
                "at_s": round(start, 2),
                "until_s": round(until, 2),
                "waits_for": list(waits_for(step, run.steps)),
                "why": step.why,
                "circuit": controller.profile.devices[step.device].circuit,
            }
            for step, phase, text, (start, until) in zip(
                run.steps, run.phase, run.text, run.times, strict=True
            )
        ],
    }
