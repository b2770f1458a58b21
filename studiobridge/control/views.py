"""What a set says of itself: plain dictionaries, ready for JSON. Shapes are stable.

Times inside are the controller's own; `wall` turns them into seconds since the epoch, and
only here do they become the ISO 8601 of the outside.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from studiobridge.control.controller import Controller
from studiobridge.control.desk import Desk
from studiobridge.control.holding import Drift
from studiobridge.control.known import Known
from studiobridge.control.plan import describe, waits_for
from studiobridge.control.sequence import staying_on
from studiobridge.figures.light import Change
from studiobridge.profile.model import Preset, Value

Wall = Callable[[float], float]
View = dict[str, object]


def iso(at: float, wall: Wall) -> str:
    """UTC, ISO 8601, to the millisecond."""
    moment = datetime.fromtimestamp(wall(at), UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _number(value: float | None, digits: int = 3) -> float | None:
    return None if value is None else round(float(value), digits)


def _value(value: Value | None) -> Value | None:
    if value is None or isinstance(value, bool):
        return value
    return round(value, 3)


def _still_on(desk: Desk) -> list[View]:
    """Mains switches that are on though the set is not up, and what they draw."""
    devices = desk.truth.devices
    return [
        {"device": name, "watts": _value(devices[name].values.get("watts"))}
        for name in desk.still_on()
    ]


def _hand_set(controller: Controller, name: str, preset: Preset, wall: Wall) -> View:
    """A light on a dial: what to turn it to, and who said that it is so."""
    done = controller.standing.by_hand.get(name)
    said = done is not None and done.preset == preset
    return {
        "device": name,
        "level": preset.level,
        "cct": preset.cct,
        "set_at": iso(done.at, wall) if done is not None and said else None,
        "set_by": done.by if done is not None and said else None,
    }


def state_view(controller: Controller, at: float, wall: Wall) -> View:
    """The whole set in a few words: the retained `state`."""
    desk = controller.desk
    run = controller.run
    shown = controller.last_run
    ready_in = None
    waiting: list[View] = []
    done = 0
    total = 0
    if run is not None:
        ready_in = max(0.0, run.began + run.ready_in - at)
        total = len(run.steps)
        done = sum(phase not in ("waiting", "sent") for phase in run.phase)
        held = None if run.what == "cut" or run.forced else desk.held_by(at)
        if held is not None:
            waiting.append({"device": held, "what": "roll", "why": "rolling or closing its file"})
        waiting.extend(
            {"device": a.step.device, "what": a.step.action, "why": a.step.why}
            for _, a in sorted(run.active.items())
        )
    elif controller.state == "unheard":
        waiting.append({"device": "", "what": "listen", "why": controller.why})
    rolling = [
        name
        for name in desk.cameras
        if controller.truth.devices[name].rolling_said
        or controller.truth.devices[name].values.get("rolling") is True
    ]
    up = controller.standing.session is not None
    warm = None
    if controller.standing.warm_at is not None and controller.standing.warm_at > at:
        warm = round(controller.standing.warm_at - at, 1)
    return {
        "set": controller.profile.name,
        "title": controller.profile.title,
        "state": controller.state,
        "look": desk.look,
        "why": controller.why,
        "since": iso(controller.standing.since, wall),
        "ready_in_s": _number(ready_in, 1),
        "waiting_for": waiting,
        "steps_done": done,
        "steps": total,
        "missing": sorted(shown.missing) if shown is not None and run is None else [],
        "hand_set": [
            _hand_set(controller, name, preset, wall)
            for name, preset in desk.presets.items()
            if controller.profile.devices[name].hand_set
        ],
        "still_on": _still_on(desk) if not up else [],
        "stays_on": sorted(staying_on(controller.profile, desk.feeds, False)),
        "rolling": rolling,
        "lockouts": [
            {
                "target": lockout.target,
                "by": lockout.by,
                "why": lockout.why,
                "since": iso(lockout.since, wall),
            }
            for lockout in desk.lockouts.values()
        ],
        "left_on": controller.standing.left_on,
        "contested": sorted(controller.standing.contested),
        "drifting": sorted({drift.device for drift in controller.watcher.drifts.values()}),
        "picture": picture_view(controller),
        "faults": controller.standing.faults,
        "warm_in_s": warm,
        "session": controller.standing.session,
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
        "since": iso(drift.since, wall),
        "for_s": round(at - drift.since, 1),
        "worst": {
            "reported": _value(drift.worst_reported),
            "stops": _number(drift.worst.stops),
            "mired": _number(drift.worst.mired, 1),
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


def _confirmed(controller: Controller, known: Known) -> bool:
    """Has a fresh report said what is wanted of it?"""
    name = known.device.name
    held = controller.watcher.wanted.get(name)
    if not held or not controller.truth.surely_heard(name):
        return False
    if any(key[0] == name for key in controller.watcher.drifts):
        return False
    return all(known.fresh(point) is not None for point in held if point != "online")


def device_view(controller: Controller, name: str, at: float, wall: Wall) -> View:
    """One device: what it reports, what is wanted of it, what forbids touching it."""
    known = controller.truth.devices[name]
    device = known.device
    preset = controller.desk.presets.get(name)
    lockout = controller.desk.locked.get(name)
    drifts = [
        _drift(controller, drift, at, wall)
        for key, drift in controller.watcher.drifts.items()
        if key[0] == name
    ]
    powered = controller.truth.powered(name)
    step = None
    run = controller.run
    if run is not None and name in run.by_device:
        step = run.steps[run.by_device[name]].action
    return {
        "device": name,
        "kind": device.kind,
        "title": device.title,
        "online": controller.truth.online(name),
        "switch": known.values.get("switch") if powered else False,
        "level": _value(known.values.get("level")) if powered else None,
        "cct": _value(known.values.get("cct")) if powered else None,
        "watts": _value(known.values.get("watts")) if powered else None,
        "preset": None if preset is None else {"level": preset.level, "cct": preset.cct},
        "drift": drifts or None,
        "lockout": None
        if lockout is None
        else {"target": lockout.target, "by": lockout.by, "why": lockout.why},
        "hand_set": device.hand_set,
        "confirmed": _confirmed(controller, known),
        "essential": device.essential,
        "feed": device.fed_by,
        "step": step,
        "rolling": (known.rolling_said or known.values.get("rolling") is True)
        if device.kind == "camera"
        else None,
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
