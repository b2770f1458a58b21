"""What `check` says beyond the file itself: loads, gear that cannot say enough, the picture."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence

from studiobridge.control.people import coming_back
from studiobridge.craft.light import level_stops
from studiobridge.figures import calibration
from studiobridge.figures.backdrops import backdrop_of
from studiobridge.figures.depth import budget
from studiobridge.figures.framing import framing
from studiobridge.figures.light import LightReading, light_of
from studiobridge.figures.mains import mains_of
from studiobridge.figures.meters import Metered, metered, told_by_watts, will_do
from studiobridge.figures.stations import apart as apart_of
from studiobridge.profile.build import Reading
from studiobridge.profile.findings import near
from studiobridge.profile.items import PHRASES, item_id, says_battery
from studiobridge.profile.model import MARK, Device, Item, Preset, SetProfile, Wants
from studiobridge.profile.text import Problem
from studiobridge.shown.framing import face_words, fit_words
from studiobridge.shown.keying import doubt_words
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.shutters import safe as safe_shutters
from studiobridge.shown.shutters import source as banding_source

# How far a white may be off where it should be, across the locus: ANSI C78.377 allows a light
# 0.006 Duv to either side (from memory; about a middle that is the locus for warm white and up to
# 0.003 above it for cool white).
TINT_WITHIN = 0.006
# Two lights side by side: half of that. Common practice, no source.
TINTS_WITHIN = 0.003
# A sentence that is so much like one that is measured was meant to be: `everthing proven`.
NEARLY = 0.8


def about_mains(reading: Reading) -> tuple[list[Problem], list[Problem]]:
    """What is too much for a circuit, and what is near its limit, over all looks."""
    over: dict[tuple[str, str], Problem] = {}
    near: dict[tuple[str, str], Problem] = {}
    profile = reading.profile
    looks: list[tuple[str | None, Mapping[str, Preset]]] = [(None, {})]
    if profile.looks:
        looks = [(name, look.presets) for name, look in profile.looks.items()]
    for name, presets in looks:
        for finding in mains_of(profile, name, presets).findings:
            if finding.weight == "missing":
                continue
            found = over if finding.weight == "over" else near
            # one sentence a circuit or lead: the first look that has it
            key = (str(finding.where), finding.text.split(":")[-1][:12])
            found.setdefault(key, reading.problem(finding.where, finding.text, finding.todo))
    return list(over.values()), list(near.values())


def about_gear(reading: Reading) -> list[Problem]:
    """Cameras that cannot say that they roll, computers that cannot say that they are down.

    And lights that come back with their mains otherwise than a look wants them.
    """
    found: list[Problem] = []
    profile = reading.profile
    for device in profile.devices.values():
        where, cut_by = ("devices", device.name), _switch_of(profile, device)
        if device.kind == "camera" and device.rolls is None and "rolling" not in device.hears:
            means = "lights may be changed during a take"
            if cut_by is not None:
                means += f", and a run-down asks a person before '{cut_by}' is switched off"
            else:
                means += ", and a run-down asks a person before it begins"
            found.append(
                reading.problem(
                    where,
                    f"'{device.name}' cannot say that it rolls: {means}, unless somebody says so",
                    "say 'rolling on' and 'rolling off' with each take, 'down --not-rolling' where"
                    " nobody can be asked, or give it a dialect that hears 'rolling'; with"
                    " 'rolls: {by: watts, from: 8.5 W}' a plug that meters it alone says it",
                )
            )
        asked = cut_by is not None and not device.own_battery
        if device.kind == "computer" and asked and not _says_down(profile, device):
            found.append(
                reading.problem(
                    where,
                    f"'{device.name}' cannot say that it is down: a run-down stops before"
                    f" '{cut_by}'",
                    "give it a dialect that hears 'down', or 'idle_below' and a plug that meters;"
                    " a laptop says 'own_battery: yes'",
                )
            )
        preset = next(
            (k.presets[device.name] for k in profile.looks.values() if device.name in k.presets),
            None,
        )
        if device.comes_back in ("dark", "full") and (text := coming_back(device, preset)):
            todo = "the plan, the sheet and the readout say so each time"
            found.append(reading.problem((*where, "comes_back"), f"'{device.name}' {text}", todo))
    return found


def about_before(reading: Reading) -> list[Problem]:
    """Lines before a take that nothing can ever measure, and sentences that look measured."""
    found: list[Problem] = []
    profile = reading.profile
    root = reading.document.root.value() if reading.document is not None else {}
    asked = root.get("before") if isinstance(root, dict) else None
    for item in profile.before:
        where = ("before", _line_of(item, asked if isinstance(asked, list) else []))
        why = _never_measured(profile, item)
        if why is not None:
            found.append(reading.problem(where, *why))
    return found


def _line_of(item: Item, asked: Sequence[object]) -> int:
    """Which line of the file an item comes from."""
    for n, line in enumerate(asked):
        said = line if isinstance(line, dict) else {"tick": line}
        if isinstance(said.get("tick"), str | int | float):
            if item.id == item_id(str(said["tick"])):
                return n
            continue
        off = said.get("off")
        names = off if isinstance(off, list) else [off]
        ids = [f"even-{said.get('even')}", f"card-{said.get('card')}"]
        if item.id in [*ids, *(f"off-{name}" for name in names)]:
            return n
    return 0


def _never_measured(profile: SetProfile, item: Item) -> tuple[str, str] | None:
    """Why this line can never be known, or is a tick though it looks measured; and what to do."""
    devices = profile.devices
    text = " ".join(item.text.casefold().split())
    if item.kind == "tick" and item.device:
        what = f"'{item.device}' cannot say it: a person ticks '{item.id}'"
        return what, "give it a dialect that says it, or leave it to the tick"
    if item.kind == "tick" and text == "batteries":
        what = "no device here says how full its battery is: a person ticks it"
        return what, "give one a dialect that hears 'battery', or say which are charged"
    if item.kind == "tick":
        close = near(text, PHRASES)
        if close and difflib.SequenceMatcher(None, text, close[0]).ratio() >= NEARLY:
            what = f"'{item.text}' is ticked by a person"
            return what, f"write '{close[0]}' to have it measured"
    if item.kind == "batteries":
        return _batteries(profile)
    if item.kind == "warm" and not profile.warm_up:
        return "no 'warm_up' is given: it is warm as soon as it is ready", "add 'warm_up: 10 min'"
    if item.kind == "proven":
        told = [d.name for d in devices.values() if d.fixture and d.proof == "none"]
        if told:
            what = f"nothing ever proves {', '.join(told)}: in a look with them it is never good"
            return what, "give them a 'proof:', or leave this line out"
    if item.kind == "quiet" and all(
        d.quiet is None or d.quiet.when == "rolling" for d in devices.values()
    ):
        return (
            "all that is told quiet goes so when it rolls: before that nothing is",
            "leave it out",
        )
    if item.kind == "picture" and profile.witness is None:
        what = "nobody looks at the camera's picture here: it is never known to be as kept"
        return what, "add 'witness: {frames: …}', or leave this line out"
    if item.kind == "even":
        return _never_even(profile, item)
    return None


def _batteries(profile: SetProfile) -> tuple[str, str] | None:
    bare = [
        d.name
        for d in profile.devices.values()
        if "battery" in d.hears and "battery_low" not in d.hears and d.warn.battery is None
    ]
    if bare:
        what = f"from where {', '.join(bare)} is low is not said: it is never known"
        return what, "add 'warn: {battery: 30 %}' to it"
    mute = [d.name for d in profile.devices.values() if d.battery and not says_battery(d)]
    if mute:
        what = f"{', '.join(mute)} cannot say how full its battery is, and is not in this"
        return what, "add a sentence to tick for it"
    return None


def _never_even(profile: SetProfile, item: Item) -> tuple[str, str] | None:
    device = profile.devices[item.device]
    for name, look in profile.looks.items():
        missing: list[str] = []
        white = {n: p for n, p in look.presets.items() if p.colour is None}
        if len(white) != len(look.presets):
            return f"coloured light is not reckoned: in look {name} it is never known", ""
        made = backdrop_of(profile, device, white, None, missing)
        if made.spread is None:
            why = missing[0] if missing else f"nothing lights {item.device}"
            return f"in look {name} it is never known: {why}", "give the figures, or leave it out"
        if made.spread > item.limit:
            what = f"in look {name} the figures make it {made.spread:.1f} stops: it is never even"
            return what, f"allow more, like 'within: {math.ceil(made.spread * 10) / 10:g} stop'"
    return None


def about_watts(reading: Reading) -> list[Problem]:
    """Lights that watts are to prove and cannot: such a set comes up and never is ready."""
    found: list[Problem] = []
    profile = reading.profile
    for plug in metered(profile).values():
        proven = [name for name in plug.lamps if profile.devices[name].proof == "watts"]
        for name in proven:
            where = ("devices", name, "proof")
            others = [other for other in plug.lamps if other != name]
            if others:
                what = f"the watts of '{name}' and of {', '.join(others)} are one sum"
                todo = "give each lamp a plug of its own, or say once how all of them stand"
                found.append(reading.problem(where, f"{what} on '{plug.plug}'", todo))
                continue
            coarse = _too_coarse(profile, plug, name)
            if coarse is not None:
                found.append(reading.problem(where, *coarse))
    return found


# How wide a picture tells a light at best (stops, to either side): with a person in it.
SEEN_WITHIN = 0.15


def about_the_picture(reading: Reading) -> list[Problem]:
    """Lights that the picture is to prove and cannot: such a set comes up and never is ready."""
    found: list[Problem] = []
    profile = reading.profile
    seen = [d for d in profile.devices.values() if d.proof == "picture"]
    sensors = any(d.kind == "sensor" for d in profile.devices.values())
    for device in seen:
        where = ("devices", device.name, "proof")
        if profile.witness is None and not sensors:
            what = f"nothing looks at '{device.name}': no 'witness:' and no light sensor is given"
            todo = "add 'witness: {frames: …}', or say 'proof: hand'"
            found.append(reading.problem(where, what, todo))
        elif profile.witness is not None and device.tolerance.level < SEEN_WITHIN:
            what = (
                f"a picture tells '{device.name}' no nearer than about {SEEN_WITHIN:g} stop, and"
                f" its tolerance is {device.tolerance.level:g} stop: it may never be ready"
            )
            todo = "give it 'tolerance: {level: 0.3 stop}', or say 'proof: hand'"
            found.append(reading.problem(where, what, todo))
    return found


def _too_coarse(profile: SetProfile, plug: Metered, name: str) -> tuple[str, str] | None:
    """What the watts of a lamp leave open at a preset, where that is more than it may be off."""
    device = profile.devices[name]
    for look in profile.looks.values():
        level = look.presets[name].level if name in look.presets else None
        told = told_by_watts(plug, name, level) if level else None
        if level is None or told is None:
            continue
        fits = will_do(device, level)
        if fits.low <= told.low and told.high <= fits.high:
            continue
        what = (
            f"at {level:g} % the watts tell '{name}' no nearer than {told.low:.0f} to"
            f" {told.high:.0f} %, and its tolerance of {device.tolerance.level:g} stop is"
            f" {fits.low:.0f} to {fits.high:.0f} %: it would never be ready"
        )
        ends = [level_stops(device.dimmer, level, end) for end in (told.low, told.high)]
        if any(end is None for end in ends):
            return what, "read more of its 'draws_at' off the plug, or say 'proof: hand'"
        need = max(abs(end) for end in ends if end is not None)
        # up to the next tenth, and one more: a hand does not hit the middle
        enough = math.ceil(need * 10.0) / 10.0 + 0.1
        return what, f"give it 'tolerance: {{level: {enough:.1f} stop}}', or say 'proof: hand'"
    return None


def _switch_of(profile: SetProfile, device: Device) -> str | None:
    """What the bridge would switch off to take this device's power: the nearest there is."""
    for name in (device.name, *device.feeds):
        if "switch" in profile.devices[name].tells:
            return name
    return None


def _says_down(profile: SetProfile, device: Device) -> bool:
    """Can this computer be known to be down: by its word, or by watts that somebody meters?"""
    if "down" in device.hears:
        return True
    metered = any("watts" in profile.devices[n].hears for n in (device.name, *device.feeds))
    return device.idle_below is not None and metered


def about_readings(reading: Reading) -> list[Problem]:
    """A meter's reading that does not go with the others, a light far from its maker's figure."""
    made = calibration.of(reading.profile)
    found = [
        reading.problem(
            ("readings", judged.n - 1),
            f"reading {judged.n} ({judged.lux:.4g} lx at {judged.at}) {judged.why}",
            "take it again, or leave it out",
        )
        for judged in made.readings
        if judged.why
    ]
    for scale in made.scales:
        if 1.0 / calibration.LIKELY <= scale.scale <= calibration.LIKELY:
            continue
        found.append(
            reading.problem(
                ("devices", scale.device, "output"),
                f"by your meter '{scale.device}' gives {scale.scale:.2g} times what its 'output'"
                " says",
                "see whether that figure, its place and what was lit are right",
            )
        )
    found.extend(
        reading.problem(
            ("devices", text.split(":")[0]), text, "measure a table: dimmer: {50 %: 38 %, …}"
        )
        for text in made.dimmers
    )
    return found


def about_wants(reading: Reading) -> list[Problem]:
    """Looks that do not give what they say they are for."""
    profile = reading.profile
    found: list[Problem] = []
    for name, look in profile.looks.items():
        if look.wants == Wants():
            continue
        from studiobridge.figures.balance import stands
        from studiobridge.shown.balance import far_off

        todo = f"see what gives it: studiobridge balance --look {name}"
        found += [reading.problem(("looks", name), t, todo) for t in far_off(stands(profile, name))]
    return found


def about_picture(reading: Reading) -> list[Problem]:
    """Whites apart, a lens that does not show what is wanted, bands, a chain too deep."""
    profile = reading.profile
    lights = {
        name: light_of(profile, name, look.presets, weighed=False)
        for name, look in profile.looks.items()
    }
    return [*_about_light(reading, lights), *_about_hold(reading, lights), *_about_room(reading)]


def _about_light(reading: Reading, lights: Mapping[str, LightReading]) -> list[Problem]:
    """Whites apart, a key that will not be clean, bands."""
    profile = reading.profile
    picture = profile.picture
    found: list[Problem] = []
    bands: dict[str, str] = {}
    safe: dict[str, str] = {}
    for name, light in lights.items():
        look = profile.looks[name]
        apart = light.whites_apart
        if apart is not None and apart[0] > picture.whites_within and not look.whites_meant:
            found.append(
                reading.problem(
                    ("looks", name),
                    f"{apart[1]} and {apart[2]} are {apart[0]:.0f} mired apart, more than"
                    f" {picture.whites_within:g}",
                    "give them one white, or say 'whites: meant' in the look",
                )
            )
        for keying in light.keying:
            doubt = doubt_words(profile, keying)
            if doubt is not None:
                where = ("devices", keying.device, "keys")
                found.append(reading.problem(where, f"in the look '{name}' {doubt[0]}", doubt[1]))
        if not look.whites_meant:
            found.extend(_about_tint(reading, name, light))
        for band in light.banding:
            if band.bands:
                bands.setdefault(
                    band.source,
                    f"{banding_source(band.source)} at {band.frequency:g} Hz may show bands at"
                    " this shutter",
                )
                safe.setdefault(
                    band.source, safe_shutters(light.shutters, picture.frames, light.missing)
                )
    found.extend(
        reading.problem(
            ("picture", "shutter"), text, f"see 'studiobridge shutter' ({safe[source]})"
        )
        for source, text in bands.items()
    )
    return found


def _about_hold(reading: Reading, lights: Mapping[str, LightReading]) -> list[Problem]:
    """A picture that is to be held, and is not known well enough for it."""
    hold = reading.profile.picture.hold
    found: list[Problem] = []
    if not hold.held:
        return found
    by_white = hold.white is not None or hold.duv is not None
    for name, light in lights.items():
        what, why = "picture", light.missing[0] if light.missing else ""
        if light.whole is not None:
            if light.whole.cct is not None or not by_white:
                continue
            what, why = "white", next((t for t in light.missing if "white" in t), "none is lit")
        found.append(
            reading.problem(
                ("picture", "hold"),
                f"the {what} of the look '{name}' cannot be held: {why}",
                "add the figure, or hold the fixtures only",
            )
        )
    return found


def _about_room(reading: Reading) -> list[Problem]:
    """A chain too deep, chain and place that say two things, a lens that shows something else."""
    profile = reading.profile
    picture = profile.picture
    lengths = Lengths(profile.feet)
    found: list[Problem] = []
    made = budget(profile)
    if made is not None and made.left is not None and made.left < 0:
        found.append(
            reading.problem(
                ("room", "chain"),
                f"the chain is {lengths.one(made.total)} deep, the room"
                f" {lengths.one(made.total + made.left)}",
                "see what the variations save: studiobridge room",
            )
        )
    for item in apart_of(profile):
        place = ("room", "mark") if item.name == MARK else ("devices", item.name, "place")
        found.append(
            reading.problem(
                (*place, "from_back"),
                lengths.two_truths(item.name, item.by_chain, item.by_place),
                f"change the one that is not so; 'room: stations:' says it stands where"
                f" '{item.link}' ends",
            )
        )
    shown = framing(profile, [])
    if shown is not None and picture.fits is not None:
        for fit in shown.fits:
            if fit.framing == picture.fits and fit.judged not in ("fits", "just fits"):
                todo = "a wider lens, or more room" if not fit.fits else "a longer lens, or nearer"
                found.append(
                    reading.problem(
                        ("picture", "fits"),
                        f"{fit_words(profile, fit)}; the camera is"
                        f" {lengths.one(shown.distance)} away",
                        todo,
                    )
                )
        if shown.face is not None and shown.face.cut:
            found.append(
                reading.problem(
                    ("picture", "fits"),
                    face_words(profile, shown.face),
                    "aim the camera higher, or a wider lens",
                )
            )
    return found


def _about_tint(reading: Reading, look: str, light: LightReading) -> list[Problem]:
    """A mixed white that is too green or too magenta for the camera, and two lights that differ."""
    found = []
    where = ("looks", look)
    tint, whole = light.off_tint, light.whole
    if tint is None and whole is not None:
        tint = whole.duv  # no camera white is given: against the locus itself
    if tint is not None and abs(tint) > TINT_WITHIN:
        side = "green" if tint > 0 else "magenta"
        set_to = reading.profile.picture.duv
        than = "the camera is set to" if set_to else "the Planckian locus"
        found.append(
            reading.problem(
                where,
                f"its mixed white is Duv {abs(tint):.4f} to the {side} side of {than}, more than"
                f" the {TINT_WITHIN:g} that ANSI C78.377 allows a white light",
                "bring the whites of its lights nearer to each other, set the camera's tint and"
                " say it as 'duv:' in 'picture:', or say 'whites: meant' in the look",
            )
        )
    if light.tints_apart is not None and light.tints_apart[0] > TINTS_WITHIN:
        apart, magenta, green = light.tints_apart
        found.append(
            reading.problem(
                where,
                f"{magenta} and {green} are Duv {apart:.4f} apart, {green} the greener one: one"
                f" white balance does not fit both (more than {TINTS_WITHIN:g}, common practice)",
                f"a correcting filter on one of them (magenta on {green}), or say 'whites: meant'"
                " in the look",
            )
        )
    return found
