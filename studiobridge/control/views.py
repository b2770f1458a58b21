"""What a set says of itself: plain dictionaries, ready for JSON. Shapes are stable.

Times inside are the controller's own; `wall` turns them into seconds since the epoch, and
only here do they become the ISO 8601 of the outside.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from studiobridge.control.acts import ENDED
from studiobridge.control.belief import Proof
from studiobridge.control.controller import Controller
from studiobridge.control.drift import Drift
from studiobridge.control.plan import describe, waits_for
from studiobridge.control.sequence import staying_on
from studiobridge.craft.chroma import Colour
from studiobridge.figures.light import Change
from studiobridge.profile.colours import colour_json, preset_json
from studiobridge.profile.model import Point, Preset, Value

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


def _hand_set(controller: Controller, name: str, preset: Preset, wall: Wall) -> View:
    """A light on a dial: what to turn it to, and who said that it is so."""
    done = controller.beliefs.of[name].ticked
    if done is not None and done.preset != preset:
        done = None
    return {
        "device": name,
        "level": preset.level,
        "cct": preset.cct,
        "colour": colour_json(preset.colour),
        "set_at": None if done is None else iso(done.at, wall),
        "set_by": None if done is None else done.by,
    }


def _waiting_for(controller: Controller, at: float) -> list[View]:
    """What a run waits for, most telling first."""
    run = controller.run
    if run is None:
        if controller.state == "unheard":
            return [{"device": "", "what": "listen", "why": controller.why}]
        return []
    waiting: list[View] = []
    held = controller.runs.steps.held_by(run, at)
    if held is not None:
        why = controller.runs.why_held(run, at)
        asks = controller.runs.asked_about(run, at) is not None
        waiting.append({"device": held, "what": "roll", "why": why, "asks": asks})
    waiting.extend(
        {"device": a.step.device, "what": a.step.action, "why": a.step.why}
        for _, a in sorted(run.active.items())
    )
    return waiting


def _moved(controller: Controller) -> set[str]:
    """Devices that report something else than is wanted. Who is silent has not moved."""
    return {
        d.device
        for d in controller.watcher.drifts.values()
        if d.point != "online" or d.reported is not None
    }


def state_view(controller: Controller, at: float, wall: Wall) -> View:
    """The whole set in a few words: the retained `state`."""
    desk = controller.desk
    standing = controller.standing
    run = controller.run
    shown = controller.last_run
    warm = None
    if standing.warm_at is not None and standing.warm_at > at:
        warm = round(standing.warm_at - at, 1)
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
            _hand_set(controller, name, preset, wall)
            for name, preset in desk.presets.items()
            if controller.profile.devices[name].hand_set
        ],
        "only_told": controller.runs.endings.only_told() if standing.session.open else [],
        "silent": [
            {"device": name, "since": iso(belief.silent_since, wall)}
            for name, belief in controller.beliefs.of.items()
            if belief.silent_since is not None
        ],
        "still_on": _left_on(controller, wall),
        "stays_on": sorted(staying_on(controller.profile, desk.feeds, False)),
        "rolling": [name for name in desk.cameras if controller.beliefs.of[name].rolls],
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
        "contested": sorted(standing.contested),
        "drifting": sorted(_moved(controller)),
        "picture": picture_view(controller),
        "faults": standing.faults,
        "warm_in_s": warm,
        "session": standing.session.number,
    }


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
    }


def picture_view(controller: Controller) -> View | None:
    """What all open drift together does to the picture; None when nothing has drifted."""
    names = {drift.device for drift in controller.watcher.drifts.values()}
    watch = controller.watcher.picture
    if not names:
        return None
    # a plug that went off takes its lights with it
    names |= {below for name in names for below in controller.desk.feeds.below.get(name, ())}
    change = _picture(watch.change(names))
    if change is not None:
        return change
    return {"missing": list(watch.missing())}


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
        "for_s": round(at - drift.since, 1),
        "worst": {
            "reported": _value(drift.worst_reported),
            "stops": _number(drift.worst.stops),
            "mired": _number(drift.worst.mired, 1),
            "shift": _number(drift.worst.shift, 4),
        },
        "contested": drift.device in controller.standing.contested,
        "picture": _picture(
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
        for key, drift in controller.watcher.drifts.items()
        if key[0] == name
    ]
    powered = beliefs.powered(name)
    run = controller.run
    under_way = None if run is None else controller.desk.busy.get(name)
    proof = _proof(controller, name)

    def last(point: Point) -> object:
        return _value(belief.said("was it so", point)) if powered else None

    return {
        "device": name,
        "kind": device.kind,
        "title": device.title,
        "online": beliefs.online(name),
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
        "confirmed": proof in ("report", "watts", "picture", "hand") and not drifts,
        "by": proof,
        "essential": device.essential,
        "feed": device.fed_by,
        "step": None if run is None or under_way is None else run.steps[under_way].action,
        "rolling": belief.rolls if device.kind == "camera" else None,
    }


def _proof(controller: Controller, name: str) -> Proof | None:
    """On what evidence this device is as the set wants it; None when nothing says so."""
    belief = controller.beliefs.of[name]
    preset = controller.desk.presets.get(name)
    if not controller.standing.session.open:
        return None
    if belief.device.hand_set:
        ticked = belief.ticked
        lit = controller.beliefs.powered(name)
        return "hand" if ticked is not None and ticked.preset == preset and lit else None
    return controller.beliefs.proof(name, controller.desk.wanted_of(name))


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
