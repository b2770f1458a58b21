"""Trying one device: what is refused, which steps it takes, and what came of it, in words.

A try is a run of its own for one device, and so goes through the same gates, the same record and
the same confirmations as any step of a run-up. What it means in each state of the set:

- `unheard`: it waits until the devices were heard, as a run-up does. A link that is lost in the
  middle ends it: nothing is tried minutes later, when nobody stands there any more.
- a run under way, a camera that rolls or closes its file: refused, and nothing forces it. A camera
  that begins to roll in the middle ends it; the device is then left as it is, and that is said.
- `dark`, `stalled`: the device has to have its mains. No plug is switched silently: what feeds it
  is named, and `try PLUG on` is the next thing to ask for. No session begins. What is on afterwards
  is shown as still on, the left-on guard counts it, and `down` takes it off.
- `ready`, `adrift`: as if a hand had touched it. The set is adrift from the moment it is told until
  it is proven as wanted again; nothing puts it back before somebody asks for `restore` or `up`.

No try leads to `ready` but by way of `Holding.settle`, which asks for proof of every device; from
`dark` and `stalled` there is no way there at all.

What is never told off by a try: a camera, a computer, network gear, what stays on, or what feeds
any of them. `down` knows how to take these off; a try is one device and no order.
"""

from __future__ import annotations

from dataclasses import replace

from studiobridge.control.acts import Run
from studiobridge.control.desk import Desk
from studiobridge.control.events import Request
from studiobridge.control.evidence import NEVER
from studiobridge.control.gates import Gates
from studiobridge.control.plan import describe
from studiobridge.control.sequence import Action, Step, staying_on
from studiobridge.control.steps import say
from studiobridge.craft.chroma import Colour
from studiobridge.profile.model import Device, Point, Preset, Value, figure

# A device is told something by a try at most so often (s): two changes a cycle, so what is seen
# never flashes faster than once a second. Flashes from 3 Hz on can bring on a seizure (WCAG 2.1,
# 2.3.1, from memory: "no more than three flashes in any one second period").
TRY_EVERY = 0.5
# A blink is so many times away and back, with this much time (s) at each end: with what telling
# takes, slower than 0.5 Hz. Five is the most that a person has to look at.
BLINKS = 3
BLINK_RESTS = 1.0
# How far a light dips: to this share of its level. One that stands lower than this (%) has no
# room for a dip that is seen.
DIP = 0.5
LOWEST_DIP = 10.0
# What is never power-cycled to find out which it is, nor measured: it boots, or would be hurt.
NEVER_CYCLED = frozenset({"computer", "camera", "amp", "audio", "network", "charger"})
# What a try never takes the mains of.
NEVER_OFF = frozenset({"computer", "camera", "network"})


class CannotTry(Exception):
    """Why it is not tried, for who asked; `code` is what the command ends with."""

    def __init__(self, text: str, code: int = 1) -> None:
        super().__init__(text)
        self.code = code


def steps_for(request: Request, desk: Desk, gates: Gates) -> list[Step]:
    """The steps of this try. Raises CannotTry."""
    if len(request.targets) != 1 or request.targets[0] not in desk.profile.devices:
        raise CannotTry("a try names one device", 2)
    if request.blink and request.wish is not None:
        raise CannotTry("a blink goes back to what it was: give it no value", 2)
    name = request.targets[0]
    device = desk.profile.devices[name]
    _speaks(device, desk)
    if request.wish is None and not request.blink:
        if not desk.beliefs.of[name].hears:
            raise CannotTry(f"{name} says nothing of itself: there is nothing to listen to")
        _may_speak(name, desk)
        return [Step(0, name, "wait for its report", takes=device.answers_in, why="to hear it")]
    _has_mains(name, desk)
    steps = _blink(name, desk, gates) if request.blink else [_told(name, request.wish, desk)]
    for step in steps:
        _allowed(step, desk, gates)
    return steps


def _speaks(device: Device, desk: Desk) -> None:
    if device.speaks is not None:
        return
    plug = desk.feeds.above[device.name]
    do = f"; `try {plug} on` tells the plug that feeds it" if plug is not None else ""
    raise CannotTry(f"{device.name} cannot be told or heard: it speaks nothing{do}", 2)


def _has_mains(name: str, desk: Desk) -> None:
    for above in desk.feeds.line[name][:1]:
        if desk.profile.devices[name].own_battery or desk.beliefs.surely_on(above):
            continue
        off = desk.beliefs.surely_off(above)
        why = "is off" if off else "is not known to be on"
        raise CannotTry(f"{above} feeds {name} and {why}: `try {above} on` first")


def _may_speak(name: str, desk: Desk) -> None:
    """What has no mains surely says nothing; where that is not sure it is worth asking."""
    for above in desk.feeds.line[name][:1]:
        if desk.beliefs.surely_off(above) and not desk.beliefs.of[name].device.own_battery:
            raise CannotTry(f"{above} feeds {name} and is off: `try {above} on` first")


def _told(name: str, wish: tuple[Point, Value] | None, desk: Desk) -> Step:
    """One step, as a run-up or a run-down would have it."""
    assert wish is not None
    point, value = wish
    belief = desk.beliefs.of[name]
    device = belief.device
    if point not in belief.tells:
        if point == "switch" and value is False and "level" in belief.tells:
            return _step(name, "fade out", desk)
        can = " and ".join(sorted(belief.tells - {"shut_down"})) or "nothing"
        raise CannotTry(f"{name} cannot be told its {point}; it can be told {can}", 2)
    if point == "switch":
        plug = name in desk.feeds.switches
        action: Action = ("power on" if value else "power off") if plug else "switch on"
        if not plug and not value:
            action = "switch off"
        return _step(name, action, desk)
    ranges = {"level": device.level_range, "cct": device.cct_range}
    within = ranges.get(point)
    if within is not None and not within[0] <= figure(value) <= within[1]:
        unit = "%" if point == "level" else "K"
        said = f"{figure(value):g} {unit}"
        raise CannotTry(
            f"{said} is not in what {name} does: {within[0]:g}..{within[1]:g} {unit}", 2
        )
    preset = Preset(
        level=figure(value) if point == "level" else None,
        cct=figure(value) if point == "cct" else None,
        colour=value if isinstance(value, Colour) else None,
    )
    return _step(name, "set", desk, preset)


def _step(name: str, action: Action, desk: Desk, preset: Preset | None = None) -> Step:
    device = desk.profile.devices[name]
    plug = name in desk.feeds.switches
    comes_on = action in ("power on", "switch on", "set") and not desk.beliefs.surely_on(name)
    straight = "switch" in device.tells and desk.feeds.above[name] is None
    turn = device.circuit if (plug or straight) and comes_on else None
    inrush = desk.feeds.inrush(desk.profile, name) if plug else device.inrush
    return Step(
        0,
        name,
        action,
        preset=preset,
        circuit=turn,
        inrush=inrush if turn else 0.0,
        takes=device.answers_in + (device.fade if action in ("set", "fade out") else 0.0),
        why="it is tried",
    )


# ---- which one is it ---------------------------------------------------------------------------


def why_never_cycled(name: str, desk: Desk) -> str | None:
    """Why this is not switched off and on to see what happens; None where it may be."""
    stays = staying_on(desk.profile, desk.feeds, False)
    for other in (name, *desk.feeds.below.get(name, ())):
        device = desk.profile.devices[other]
        is_it = "it" if other == name else f"it feeds {other}, which"
        if device.kind in NEVER_CYCLED:
            return f"{is_it} is {'an' if device.kind[0] in 'a' else 'a'} {device.kind}"
        if other in stays or device.stays_on:
            return f"{is_it} stays on"
        if device.boots_in > 0 and (other != name or device.kind != "plug"):
            return f"{is_it} has to boot"
        if device.cools_in > 0:
            return f"{is_it} has to cool down"
    return None


def _blink(name: str, desk: Desk, gates: Gates) -> list[Step]:
    belief = desk.beliefs.of[name]
    if belief.device.kind in NEVER_CYCLED or belief.device.stays_on:
        raise CannotTry(f"{name} is not made to blink: it is a {belief.device.kind}")
    if "level" in belief.tells:
        steps = _dips(name, desk)
    elif "switch" in belief.tells:
        why = why_never_cycled(name, desk)
        if why is not None:
            raise CannotTry(f"{name} is not made to blink: {why}")
        was = belief.said("is it so", "switch")
        if was is None:
            raise CannotTry(f"{name} has not said whether it is on: nothing to go back to")
        away = _told(name, ("switch", not was), desk)
        back = _told(name, ("switch", bool(was)), desk)
        if back.circuit is None and back.action in ("power on", "switch on"):
            # it is on now and will not be when its turn to come back is asked for
            back = replace(back, circuit=away.circuit or desk.profile.devices[name].circuit)
        steps = [away, back]
    else:
        raise CannotTry(f"{name} cannot be told on, off or a level: it cannot blink", 2)
    made: list[Step] = []
    for n in range(2 * BLINKS):
        # what comes next is told whether or not this was confirmed: it has to get back
        after = (n - 1,) if n else ()
        made.append(replace(steps[n % 2], n=n, after=after, rest=BLINK_RESTS if n else 0.0))
    return made


def _dips(name: str, desk: Desk) -> list[Step]:
    belief = desk.beliefs.of[name]
    mute = "level" in belief.device.mute
    stood = belief.told_now("level") if mute else belief.said("is it so", "level")
    off = "switch" in belief.hears and belief.said("is it so", "switch") is not True
    if stood is None:
        raise CannotTry(
            f"{name} has not said its level since it could be heard: nothing to go back to;"
            f" `try {name} '40 %'` first"
        )
    level = figure(stood)
    if off or level < LOWEST_DIP:
        raise CannotTry(f"{name} is not lit enough to dip: `try {name} '40 %'` first")
    dip = max(level * DIP, belief.lowest)
    return [_step(name, "set", desk, Preset(dip)), _step(name, "set", desk, Preset(level))]


# ---- the interlocks that a run keeps by its order ----------------------------------------------


def _allowed(step: Step, desk: Desk, gates: Gates) -> None:
    """Raises CannotTry where a gate is shut now, so that it is said before anything is intended.

    The gates are asked again when it is told. What the order of a run takes care of is asked here:
    amps after their sources, and what no order but that of a run-down may take off.
    """
    name, beliefs = step.device, desk.beliefs
    if beliefs.of[name].device.fixture and step.action in ("switch on", "set"):
        desk.trying[name] = _asks_of_circuit(step, desk)
    if step.action in ("power on", "switch on", "set", "wait for its report"):
        locked = gates.why_locked(name, energise=step.action in ("power on", "switch on", "set"))
    else:
        locked = (
            None if step.action in ("power off", "switch off") else gates.why_locked(name, False)
        )
    if locked is not None:
        raise CannotTry(locked)
    names = (name, *desk.feeds.below.get(name, ()))
    if step.action in ("power off", "switch off"):
        stays = staying_on(desk.profile, desk.feeds, False)
        for other in names:
            device = desk.profile.devices[other]
            if device.own_battery and other != name:
                continue
            if device.kind in NEVER_OFF or device.stays_on or other in stays:
                what = "stays on" if device.kind not in NEVER_OFF else f"is a {device.kind}"
                feeds = "" if other == name else f"{name} feeds {other}, which "
                said = f"{feeds}{what}" if feeds else f"{name} {what}"
                raise CannotTry(f"{said}: a try does not take it off; `down` knows how to")
    if step.action in ("power on", "switch on"):
        for other in names:
            _in_order(other, name, desk)
    refused = gates.why_refused(step.action, name, False)
    if refused is not None:
        raise CannotTry(refused)
    half = gates.why_half(name, _points(step, desk), beliefs.now) if step.preset else None
    if half is not None:
        raise CannotTry(half)


def _points(step: Step, desk: Desk) -> list[Point]:
    assert step.preset is not None
    return list(desk.beliefs.of[step.device].points_of(step.preset))


def _in_order(name: str, switched: str, desk: Desk) -> None:
    """Law 4: an amp comes on after all its sources, and no source under an amp that is on."""
    beliefs, devices = desk.beliefs, desk.profile.devices
    device = devices[name]
    sources = [d.name for d in devices.values() if d.kind == "audio"]
    if device.kind == "amp" and not device.stays_on:
        for source in dict.fromkeys([*sources, *device.after]):
            switch = desk.feeds.energiser(source)
            if switch == switched or (switch is not None and not beliefs.surely_on(switch)):
                raise CannotTry(
                    f"{name} comes on after {source}: `try {switch} on` first"
                    if switch != switched
                    else f"{name} and {source} would come on together, and that pops"
                )
    if device.kind == "audio":
        for amp in devices.values():
            switch = desk.feeds.energiser(amp.name)
            if amp.kind != "amp" or amp.stays_on or switch is None or switch == switched:
                continue
            if not beliefs.surely_off(switch) and not beliefs.surely_off(amp.name):
                raise CannotTry(
                    f"{amp.name} may be on, and switching {name} on under it pops:"
                    f" `try {switch} off` first"
                )


def _asks_of_circuit(step: Step, desk: Desk) -> Preset:
    """What its circuit is to bear for it: the level it is told, or all it may come back at."""
    if step.preset is not None and step.preset.level is not None:
        return step.preset
    said = desk.beliefs.of[step.device].said("is it there", "level")
    lit = said is not None and desk.beliefs.surely_on(step.device)
    return Preset(figure(said) if said is not None and lit else 100.0)


def wish_in_words(request: Request) -> str:
    """`key 40 %`, for the record."""
    words = "blink" if request.blink else "heard"
    if request.wish is not None:
        words = say(*request.wish)
    return f"{' '.join(request.targets)} {words}"


def too_soon(tried_at: dict[str, float], name: str, at: float) -> float:
    """How long (s) until this device may be told anew; 0 when it may."""
    return max(0.0, tried_at.get(name, NEVER) + TRY_EVERY - at)


# ---- what came of it ---------------------------------------------------------------------------


def outcome(run: Run, desk: Desk) -> tuple[int, str, dict[str, object]]:
    """The code, the sentence and the details with which a try is answered."""
    name, last = run.targets[0], run.steps[-1]
    phase, why = run.phase[last.n], run.text[last.n]
    bad = [run.text[s.n] for s in run.steps if run.phase[s.n] in ("failed", "skipped")]
    took = (run.ended_at or run.began) - run.began
    blinked = len(run.steps) > 1
    what = (
        f"blinked {BLINKS} times"
        if blinked
        else " ".join(part for part in (last.action, describe(last)) if part)
    )
    heard = last.action == "wait for its report"
    if bad:
        code, text = 1, bad[0] if bad[0].startswith(name) else f"{name}: {bad[0]}"
        if blinked and phase not in ("confirmed", "waited out"):
            text += f"; it may not be back at {describe(last) or last.action}: look at it"
    elif heard:
        code, text = 0, f"{name} speaks: heard in {took:.1f} s"
    elif phase == "confirmed" and why:
        code, text = 0, f"{name}: {what}, {why}; it has not said so itself"
    elif phase == "confirmed":
        code, text = 0, f"{name}: {what}, confirmed by its own report in {took:.1f} s"
    else:
        code, text = 0, f"{name}: {what}, told; nothing confirms it, for it never says so"
    if not heard:
        text += _left_as(name, desk)
    detail: dict[str, object] = {
        "run": run.number,
        "device": name,
        "outcome": "failed" if bad else "heard" if heard else phase,
        "why": bad[0] if bad else why,
        "took_s": round(took, 2),
    }
    return code, text, detail


def _left_as(name: str, desk: Desk) -> str:
    """What is to be known of it afterwards."""
    beliefs = desk.beliefs
    wanted = desk.wanted_of(name) if desk.look is not None else {}
    differs = [
        point
        for point, value in wanted.items()
        if (said := beliefs.of[name].said("is it so", point)) is not None
        and not beliefs.of[name].same(point, value, said)
    ]
    if differs:
        return f"; the look has its {' and '.join(differs)} otherwise: `restore` puts it back"
    on = name in desk.feeds.switches and beliefs.said_on(name) and desk.look is None
    return f"; {name} stays on until `try {name} off` or `down`" if on else ""
