"""What each key of a set profile is for: one text for the editor's schema and for `explain`.

Units, ranges, examples and defaults are read off the shape itself, and for which kinds of
device a key is, off what `check` refuses: only the sentence is written here.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, get_args

from annotated_types import Ge, Le
from pydantic import BaseModel, WithJsonSchema
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from studiobridge.profile import shape
from studiobridge.profile.model import FIXTURES, KINDS
from studiobridge.profile.quantity import Kind
from studiobridge.profile.shape import DeviceShape
from studiobridge.profile.unused import USES


@dataclass(frozen=True, slots=True)
class Place:
    """Where keys stand: `of` is the model of that place, `where` how a person gets there."""

    of: type[BaseModel]
    where: str
    keys: Mapping[str, str]


_FROM_BACK = "How far out from the back wall"
_QOS = "The quality of service of MQTT: 0, 1 or 2."
_WORDS = (
    'How on and off (or yes and no) are spelt: {on: "1", off: "0"}. In a list the first is'
    " told, and all are heard."
)
_SPAN = "The numbers it uses from lowest to highest value, 0..255; 255..0 runs the other way."
_OF = "The whites at the two ends of the span, where its numbers are neither kelvin nor mired."
_UNIT = "What its numbers count in: percent, kelvin, mired, W, mW and the like."
_STEP = "The steps it takes: 5 % of a level, 50 K or 5 mired of a white. Left out: none."
_JSON = "The JSON document to publish, with {value} where the value goes. Instead of payload."
_PAYLOAD = "The text to publish, with {value} where the value goes; that alone where left out."
_TOPIC = "The topic, without wildcards; {at} stands for the device's own part of it."
_SPANS = "The numbers each part of the colour uses: {hue: 0..254, saturation: 0..254}."
_FADE_UNIT = "The unit of {fade} in the message, where the device fades by itself."
_RETAIN = (
    "Whether the broker keeps what is told. Leave it at no: what is kept is told again to a device"
    " that comes back, at any later time."
)
_PATTERN = (
    "The text around the value, with {value} in its place and {any} for what is of no interest."
)
_WHERE = "The message is about this only when these fields of it hold these values."

PLACES: Mapping[str, Place] = {
    "profile": Place(
        shape.ProfileShape,
        "at the top",
        {
            "format": "The version of this language: 1.",
            "homie": "Whether the set shows itself as a Homie 5 device, and is asked there too.",
            "set": "The name of the set, in topics and commands: a-z, 0-9 and hyphens.",
            "title": "What the set is called on the page and the sheet.",
            "mains": "The mains of the room: voltage, frequency and circuits.",
            "dialects": "How each make of device speaks: its topics, words and numbers.",
            "universes": "Where the frames of ANSI E1.31 go, by the number of the universe.",
            "devices": "Everything that is switched, dimmed or watched, by name.",
            "looks": "The presets of all fixtures together, by name.",
            "default_look": "The look of `up` where none is asked for. Left out: the first one.",
            "tolerance": "How far a device may be from its preset before it is drift.",
            "room": "The room: its size, the mark, and the chain of distances from the back wall.",
            "readings": "What a meter said with which lights on: it makes the figures yours.",
            "picture": "The camera's side: lens, exposure, white balance, what it has to show.",
            "switches": "Buttons and pedals that publish, and what a press asks for.",
            "call_times": "Times of day by which the set is to be ready.",
            "time_zone": "The zone of the call times, like Europe/Zurich. Left out: the machine's.",
            "warm_up": "How long the lamps take to be stable: `ready` says it until then.",
            "left_on": "What is done about a set that was forgotten.",
            "before": (
                "What has to be true before it rolls: everything proven, warm, no drift, batteries,"
                " record has room, quiet, a mapping, or any sentence that a person ticks."
            ),
            "after": "What a person ticks when all is over, a sentence each.",
            "timer": "What is counted besides, like breaks.",
            "witness": "The camera's picture as an instrument: where its frames come from.",
            "patience": "How long answers are waited for, and how often it is tried again.",
        },
    ),
    "mains": Place(
        shape.MainsShape,
        "mains:",
        {
            "voltage": "What comes out of the wall.",
            "frequency": "50 Hz or 60 Hz; for banding. Left out: flicker is not reckoned.",
            "price": "What energy costs, for `mains`.",
            "circuits": "The circuits by name, each with the breaker it hangs on.",
        },
    ),
    "circuit": Place(
        shape.CircuitShape,
        "mains: circuits: NAME:",
        {
            "breaker": "What the breaker is rated for. 80 % of it is used at most.",
            "curve": "How it trips on an inrush (IEC 60898-1): B, C or D. It is printed on it.",
            "gap": "The time between two switchings-on on this circuit, so that no inrushes meet.",
            "where": "Where its breaker is, for who has to find it in a hurry.",
        },
    ),
    "dialect": Place(
        shape.DialectShape,
        "dialects: NAME:",
        {
            "switch": "On and off.",
            "level": "How bright, 0 to 100 %.",
            "cct": "How warm or cool the white is, in kelvin.",
            "colour": "The colour: by hue and saturation, by r, g and b, or by x and y.",
            "watts": "What it draws now. Only heard.",
            "rolling": "Whether a camera records. Only heard.",
            "online": "Whether the device is there; usually its last will. Only heard.",
            "down": "Whether a computer has shut down. Only heard.",
            "shut_down": "Has a computer shut down. Only told.",
            "lux": "What a light sensor reads. Only heard.",
            "temperature": "How hot it is, °C. Only heard.",
            "battery": "How full its battery is, %. Only heard.",
            "battery_low": "Whether its battery is nearly empty. Only heard.",
            "card": "How many minutes its card still takes. Only heard.",
            "ask": "What to publish so that the device reports: one topic, or a list of them.",
            "together": "Points it takes only in one message: yes for all, or their names.",
        },
    ),
    "point": Place(
        shape.PointShape,
        "dialects: NAME: POINT:",
        {
            "tell": "What to publish.",
            "hear": "Where it says how it stands.",
        },
    ),
    "tell": Place(
        shape.TellShape,
        "dialects: NAME: POINT: tell:",
        {
            "topic": _TOPIC,
            "payload": _PAYLOAD,
            "json": _JSON,
            "words": _WORDS,
            "span": _SPAN,
            "of": _OF,
            "unit": _UNIT,
            "step": _STEP,
            "fade_unit": _FADE_UNIT,
            "qos": _QOS,
            "retain": _RETAIN,
        },
    ),
    "hear": Place(
        shape.HearShape,
        "dialects: NAME: POINT: hear:",
        {
            "topic": _TOPIC,
            "field": "Where it is in a JSON document: now.power, or a list of keys and places.",
            "pattern": _PATTERN,
            "where": _WHERE,
            "words": _WORDS,
            "span": _SPAN,
            "of": _OF,
            "unit": _UNIT,
            "scale": "What the number is multiplied by to come to the unit: 0.1 for tenths.",
            "step": _STEP,
            "qos": _QOS,
        },
    ),
    "colour-point": Place(
        shape.ColourPointShape,
        "dialects: NAME: colour:",
        {
            "tell": "What to publish.",
            "hear": "Where it says what colour it has.",
        },
    ),
    "colour-tell": Place(
        shape.ColourTellShape,
        "dialects: NAME: colour: tell:",
        {
            "topic": _TOPIC,
            "payload": "The text to publish, with {hue} and {saturation}, {r} {g} {b} or {x} {y}.",
            "json": "The JSON document to publish, with the parts of the colour in it.",
            "spans": _SPANS,
            "fade_unit": _FADE_UNIT,
            "qos": _QOS,
            "retain": _RETAIN,
        },
    ),
    "colour-hear": Place(
        shape.ColourHearShape,
        "dialects: NAME: colour: hear:",
        {
            "topic": _TOPIC,
            "pattern": "The text around the parts of the colour.",
            "fields": "Where each part is in a JSON document: {hue: now.h, saturation: now.s}.",
            "where": _WHERE,
            "spans": _SPANS,
            "qos": _QOS,
        },
    ),
    "ask": Place(
        shape.AskShape,
        "dialects: NAME: ask:",
        {
            "topic": _TOPIC,
            "payload": "The text to publish; none where left out.",
            "every": "Also ask by the clock, so often. Left out: only when there is a reason.",
            "qos": _QOS,
        },
    ),
    "universe": Place(
        shape.UniverseShape,
        "universes: NUMBER:",
        {
            "to": "multicast, or the IPv4 address of the node, or a list of them.",
            "priority": "Of several sources a receiver follows the highest, 0 to 200.",
        },
    ),
    "device": Place(
        DeviceShape,
        "devices: NAME:",
        {
            "kind": "What it is; its place in the order follows from that.",
            "title": "What it is called on the page and the sheet.",
            "fed_by": "The plug, strip or circuit that powers it, or battery. Needed.",
            "speaks": "The dialect it speaks, or homie5, or e131. Left out: a hand sets it.",
            "at": "Its own part of the topics; device/node of Homie 5; 1/25 of E1.31.",
            "blanks": "What fills other blanks of its dialect than {at}: {outlet: 2}.",
            "properties": "Which property of a Homie 5 node is which point, where names differ.",
            "slots": "Which slots of E1.31 it listens to, counted from 1 at its own first.",
            "after": "What has to be on before it. Sound sources, for an amp.",
            "essential": (
                "Whether `ready` waits for it. Left out: yes, but for sensors and chargers."
            ),
            "stays_on": (
                "Whether `down` leaves it on. Left out: only chargers and the network stay."
            ),
            "fixed": "Whether it hangs or stands in the room for good: `setup` packs the rest.",
            "proof": "What shows that it is as asked, where it cannot say so itself.",
            "meters": "Whether this plug says how many watts flow.",
            "rated": "What a plug or strip itself may carry, as it says on it.",
            "draws": "What it draws at full.",
            "standby": "What it draws while it is powered and dark.",
            "draws_at": "Watts at the plug by level, as metered, from 0 % to 100 %.",
            "meter_step": "The smallest change this meter shows.",
            "inrush": "The first surge when it is switched on. On the label, or from the maker.",
            "boots_in": "From power to when it can be told something.",
            "answers_in": "From a command to its report, at most.",
            "fade": "How long a change of level takes.",
            "cools_in": "How long its fan runs on after it went out, with its power kept.",
            "idle_below": "Below this draw a computer is taken to be down.",
            "idle_for": "How long it has to stay below.",
            "shuts_in": "How long a computer may take to shut down.",
            "closes_in": "How long a camera closes its file after it stopped.",
            "done_below": "Below this draw a charger is done.",
            "residual": "What may still flow through this plug when it is off.",
            "forgets_level": "Whether it comes back at full after its power was off.",
            "comes_back": "How it comes back with its power. A light: last, full, preset or dark;"
            " a plug: last or off.",
            "level": "The levels it can have. Left out: 0 to 100 %.",
            "cct": "The whites it can have.",
            "dimmer": "How its light follows its level: a name, or measured points.",
            "role": "What it does in the picture, for ratios.",
            "place": "Where it stands and what it is aimed at.",
            "output": "What it gives on its axis at full, at a distance.",
            "beam": "How wide it is: the angle at which it is half as bright.",
            "size": "How large the backdrop is, or the face of the light.",
            "duv": "How far the white is off the Planckian locus (Duv): above it is greenish.",
            "keys": "The colour that is keyed out of the picture, where it is a screen for that.",
            "dye": "The colour of its cloth or paint in white light, where it is keyed.",
            "power_factor": "The watts it takes over the volt-amperes. It is on the label.",
            "glow": "How bright a backdrop is that gives light itself, at full.",
            "reflects": "How much of the light on it a backdrop gives back.",
            "pwm": "How often its light pulses when it is dimmed.",
            "flicker": "How deep it pulses at that frequency.",
            "lead": "The cable it hangs on: its length and section.",
            "holds": "What its battery holds.",
            "own_battery": "Whether a laptop goes on when its plug is off.",
            "rolls": "How it is known that a camera records.",
            "tolerance": "How far this one may be from its preset before it is drift.",
            "poll": "How often it is asked how it stands. Left out: only when there is a reason.",
            "silent_after": (
                "Without a word for so long it is called silent. Left out: three times poll,"
                " where it is polled."
            ),
            "restores": "How often it is put back unasked before it is called contested.",
            "warn": "From where it is said that something runs out, or runs hot.",
            "receptor": "Whether a sensor looks straight ahead (flat) or all round (dome).",
            "quiet": "Whether it is off during takes only: yes, or when and for how long.",
        },
    ),
    "quiet": Place(
        shape.QuietShape,
        "devices: NAME: quiet:",
        {
            "when": "asked: only when somebody asks. rolling: also when a camera begins to roll.",
            "for": "How long it is off at most; then it comes back by itself. At most 4 h.",
            "rests": "How long it has been off, at least, before it has power again.",
        },
    ),
    "tolerance": Place(
        shape.ToleranceShape,
        "tolerance: (at the top, or of a device)",
        {
            "level": "How far a level may be off, in stops of light. Left out: 0.1 stop.",
            "cct": "How far a white may be off. Left out: 8 mired.",
            "colour": "How far a colour may be off, CIE 1976 Δu′v′. Left out: 0.005.",
            "settle": "How long it may be off before it is drift. Left out: 2 s.",
        },
    ),
    "place": Place(
        shape.PlaceShape,
        "devices: NAME: place:",
        {
            "from_back": f"{_FROM_BACK} it stands.",
            "across": "Left (-) or right of the middle, as the camera sees it.",
            "height": "How high above the floor.",
            "aim": "What it points at: mark, or a device.",
        },
    ),
    "mark": Place(
        shape.MarkShape,
        "room: mark:",
        {
            "from_back": f"{_FROM_BACK} the face is.",
            "across": "Left (-) or right of the middle, as the camera sees it.",
            "height": "How high above the floor the face is.",
        },
    ),
    "size": Place(
        shape.SizeShape,
        "devices: NAME: size:",
        {"width": "How wide it is.", "height": "How high it is."},
    ),
    "lead": Place(
        shape.LeadShape,
        "devices: NAME: lead:",
        {"length": "How long the cable is.", "section": "Its conductors: mm² or AWG."},
    ),
    "warn": Place(
        shape.WarnShape,
        "devices: NAME: warn:",
        {
            "battery": "At or below this charge.",
            "card": "At or below this much time left on the card.",
            "temperature": "At or above this heat.",
        },
    ),
    "slots": Place(
        shape.SlotsShape,
        "devices: NAME: slots:",
        {
            "level": "The slot of the level.",
            "level_fine": "The slot of its lower byte, where it takes 16 bits.",
            "cct": "The slot of the white, with the whites at its ends.",
            "keep": "Slots that always have the same value: {4: 0}.",
        },
    ),
    "cct-slot": Place(
        shape.CctSlotShape,
        "devices: NAME: slots: cct:",
        {
            "slot": "The slot of the white.",
            "fine": "The slot of its lower byte, where it takes 16 bits.",
            "span": "The whites at the slot's 0 and at its highest value.",
        },
    ),
    "rolls": Place(
        shape.RollsShape,
        "devices: NAME: rolls:",
        {
            "by": "report (it says so), watts (its plug shows it), or hand (you say so).",
            "from": "From this draw on it records, where it is known by its watts.",
        },
    ),
    "preset": Place(
        shape.PresetShape,
        "looks: NAME: DEVICE:",
        {
            "level": "The value set on the fixture.",
            "cct": "The white it is set to.",
            "colour": "The colour it is set to.",
        },
    ),
    "look": Place(
        shape.LookShape,
        "looks: NAME:",
        {
            "title": "What the look is called on the page and the sheet.",
            "from": "Another look this one starts from: only what differs is written.",
            "whites": "meant: the whites differ on purpose, and `check` says nothing of it.",
            "wants": "What the look is for, in the picture's terms: `balance` finds the levels.",
        },
    ),
    "wants": Place(
        shape.WantsShape,
        "looks: NAME: wants:",
        {
            "aperture": "The light on the face, as the aperture it asks for.",
            "lux": "The light on the face itself, instead of an aperture.",
            "ratio": "Key over fill, as they strike the face.",
            "backdrop": "What the camera sees of the backdrop, over a grey card in the same light.",
            "rim": "Each rim light on the head, as a meter turned to it reads it, over the key.",
            "white": "The white of the light on the face.",
        },
    ),
    "switch": Place(
        shape.SwitchShape,
        "switches: NAME:",
        {
            "topic": "The topic the button publishes on.",
            "field": "Where the word is, in a JSON document.",
            "words": "What each word asks for: {pressed: toggle}.",
            "look": "The look it brings up. Left out: the default one.",
            "debounce": "Presses nearer to each other than this are one.",
            "camera": "The camera that a rolling word is about.",
        },
    ),
    "call": Place(
        shape.CallTimeShape,
        "call_times:",
        {
            "ready_by": "The time of day by which it is to be ready; it begins early enough.",
            "days": "daily, weekdays, weekends, or a list: [mon, tue].",
            "look": "The look it brings up. Left out: the default one.",
            "grace": "So much later it is still begun; after that it is said and left.",
        },
    ),
    "left-on": Place(
        shape.LeftOnShape,
        "left_on:",
        {
            "after": "So long after somebody last asked the set for something.",
            "then": "say it, or take it down.",
        },
    ),
    "item": Place(
        shape.ItemShape,
        "before: NUMBER:",
        {
            "tick": "A sentence that a person ticks: lens wiped. It may stand there by itself.",
            "for": "How long its tick holds. Left out: for the session.",
            "even": "The backdrop that has to be even, as its look is set and its lights proven.",
            "within": "From its darkest to its brightest point, at most. Left out: 1 stop.",
            "card": "The camera whose card has to take more. One that cannot say it is ticked.",
            "lasts": "How long a take it has to hold at least. Needed with card.",
            "off": "The plug that has to be proven off, or a list of them.",
        },
    ),
    "timer": Place(
        shape.TimerShape,
        "timer:",
        {
            "break_every": "How often a break is due. It is said once, and never while it rolls.",
        },
    ),
    "patience": Place(
        shape.PatienceShape,
        "patience:",
        {
            "reply": "How long an answer is waited for, beyond the device's own time.",
            "tries": "How often a command is sent before the step is given up.",
            "listen": "How long a bridge that starts listens before it calls a device unheard.",
        },
    ),
    "room": Place(
        shape.RoomShape,
        "room:",
        {
            "depth": "From the back wall to the front one.",
            "width": "From side to side.",
            "height": "From the floor to the ceiling.",
            "mark": "Where the face is.",
            "chain": "What stands one before the other from the back wall, and how deep each is.",
            "variations": "Other depths of the chain, by name: what is saved if one does without.",
            "stations": "What stands at the end of which link: {mark: stool, camera: to-the-lens}.",
        },
    ),
    "variation": Place(
        shape.VariationShape,
        "room: variations: NAME:",
        {"title": "What the variation is, in a few words."},
    ),
    "reading": Place(
        shape.ReadingShape,
        "readings: NUMBER:",
        {
            "read": "What the meter said.",
            "at": "Where it was held: face, or the name of a backdrop (its middle).",
            "look": "The look the lights were in. Left out: the default one.",
            "on": "Which lights were lit, [key], or at which levels: {key: 100 %}. Left out: all.",
        },
    ),
    "hold": Place(
        shape.PictureHoldShape,
        "picture: hold:",
        {
            "face": "How far the light on the face may move, whatever each fixture may.",
            "ratio": "How far key to fill may move.",
            "white": "How far the white of the mix may move.",
            "duv": "How far it may move across the locus (Duv), to green or magenta.",
        },
    ),
    "witness": Place(
        shape.WitnessShape,
        "witness:",
        {
            "frames": (
                "Where frames come from: 'file PATH' that is written anew, 'folder PATH', an"
                " address (http:// or rtsp://), or 'device 0' for what is plugged in here."
            ),
            "every": "How often a frame is looked at while the set is up.",
            "face": "Where in the picture the face is: {across: 40..60 %, down: 20..50 %}.",
            "card": "Where in the picture a grey card stands, if one does.",
            "screen": "Where in the picture the backdrop is. Left out: all but face and clipped.",
        },
    ),
    "region": Place(
        shape.RegionShape,
        "witness: face:",
        {
            "across": "From its left to its right edge, from the left of the picture.",
            "down": "From its upper to its lower edge, from the top of the picture.",
        },
    ),
    "picture": Place(
        shape.PictureShape,
        "picture:",
        {
            "camera": "Which camera, where there are several.",
            "focal": "The focal length of the lens.",
            "sensor": "The sides of the sensor.",
            "aspect": "The sides of the picture, where it is not the whole sensor: 16:9.",
            "frames": "The frame rate.",
            "shutter": "The exposure time, or the angle of the shutter.",
            "iso": "The sensitivity.",
            "aperture": "The aperture wanted.",
            "transmission": "How much of the light the lens lets through: f/2.8 at 80 % is T3.1.",
            "white": "The white the camera is set to.",
            "duv": "The tint the camera is set to, as Duv: above the locus is greenish.",
            "meter": "The receptor of the incident meter: flat, or a dome.",
            "locus": "Which whites fixtures make: planckian, or daylight from 4000 to 5000 K on.",
            "whites_within": "How far apart two whites may be before `check` says so.",
            "fits": "What of the person has to be in the picture.",
            "hold": "How far the picture may move before it is drift.",
        },
    ),
}

# Kinds of device that a key is for, where that is not read off `unused.py`: each is refused on
# every other kind by the part of the reader that is named.
_KINDS: Mapping[str, tuple[str, ...]] = {
    # manners.py
    "own_battery": ("computer",),
    "comes_back": (*FIXTURES, "plug"),
    "rolls": ("camera",),
    # universes.py
    "slots": tuple(FIXTURES),
    # places.py
    "role": tuple(FIXTURES),
    "output": tuple(FIXTURES),
    "beam": tuple(FIXTURES),
    "pwm": (*FIXTURES, "display"),
    "flicker": (*FIXTURES, "display"),
    "size": tuple(FIXTURES),
    "duv": tuple(FIXTURES),
    "keys": ("backdrop",),
    "dye": ("backdrop",),
    "glow": ("backdrop",),
    "reflects": ("backdrop",),
    "receptor": ("sensor",),
}


@dataclass(frozen=True, slots=True)
class Explained:
    """One key of a profile. `default` is None where there is none to show."""

    key: str
    place: str
    where: str
    what: str
    needed: bool
    like: str | None = None
    least: str | None = None
    most: str | None = None
    units: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()
    default: str | None = None
    kinds: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """All of it in one line, for an editor."""
        return " ".join([self.what, *self.details()])

    def details(self) -> list[str]:
        """What it may be, from where to where, and for what, each a sentence."""
        said = []
        if self.one_of:
            said.append(f"One of {', '.join(self.one_of)}.")
        if self.like is not None:
            said.append(
                f"Like {self.like}."
                if self.least is None
                else f"Like {self.like}; {self.least} to {self.most}."
            )
        elif self.least is not None:
            said.append(f"From {self.least} to {self.most}.")
        if len(self.units) > 1:
            said.append(f"In {', '.join(self.units)}.")
        if self.default is not None:
            said.append(f"Left out: {self.default}.")
        if self.kinds:
            said.append(f"Only for: {', '.join(self.kinds)}.")
        if self.needed:
            said.append("Needed.")
        return said


def every_key() -> Iterator[Explained]:
    """Every key of a profile, in the order of the language."""
    for name, place in PLACES.items():
        for key, field in _fields(place.of):
            yield _explained(name, place, key, field)


def explained(asked: str) -> list[Explained]:
    """What is known under a name: `boots_in`, `tell.topic`, or a place like `tell`; [] if none.

    A name that is a key in several places gives all of them; one that has keys of its own, like
    `wants`, gives those too. A place may be spelt as it stands in a profile: `readings.read`.
    """
    path, _, key = asked.strip().strip(":").rpartition(".")
    place = path.rpartition(".")[2]
    keys = list(every_key())
    places = [place] if place in PLACES else _within(place)
    found = [k for k in keys if k.key == key and (not place or k.place in places)]
    if key in PLACES and not place and not found:
        return [k for k in keys if k.place == key]
    inside = _within(key) if found else []
    return found + [k for k in keys if k.place in inside and k not in found]


def _within(name: str) -> list[str]:
    """The places that stand directly under a key of this name: `reading` under `readings`."""
    return [
        made
        for made, place in PLACES.items()
        if name and [w for w in place.where.rstrip(":").split(": ") if not w.isupper()][-1] == name
    ]


def near(asked: str) -> list[str]:
    """Keys that are spelt nearly like this one, nearest first."""
    names = sorted({found.key for found in every_key()} | set(PLACES))
    return difflib.get_close_matches(asked.rpartition(".")[2], names, n=3, cutoff=0.5)


def describe(schema: dict[str, Any]) -> None:
    """Write the sentences into a JSON Schema of a profile, in place."""
    sentences: dict[str, dict[str, str]] = {}
    for found in every_key():
        of = PLACES[found.place].of.__name__
        sentences.setdefault(of, {})[found.key] = found.sentence
    for name, model in {"ProfileShape": schema, **schema.get("$defs", {})}.items():
        for key, rule in model.get("properties", {}).items():
            rule["description"] = sentences[name][key]


# ---- read off the shape --------------------------------------------------------------------


def _fields(of: type[BaseModel]) -> Iterator[tuple[str, FieldInfo]]:
    for name, field in of.model_fields.items():
        yield field.alias or name, field


def _explained(name: str, place: Place, key: str, field: FieldInfo) -> Explained:
    annotation = [*field.metadata, field.annotation]
    kind = next(_inside(annotation, Kind), None)
    span: dict[str, str] = {}
    if kind is None:
        for spelt in _inside(annotation, WithJsonSchema):
            if "examples" in spelt.json_schema:
                span["like"] = spelt.json_schema["examples"][0]
        for end, bound in (("least", Ge), ("most", Le)):
            for limit in _inside(annotation, bound):
                span[end] = f"{getattr(limit, 'ge', None) or getattr(limit, 'le', 0)}"
    else:
        unit = kind.example.split(" ")[-1]
        factor = float(kind.units[unit])
        span |= {
            "like": kind.example,
            "least": f"{kind.low / factor:g}",
            "most": f"{kind.high / factor:g} {unit}",
        }
    return Explained(
        key,
        name,
        place.where,
        place.keys[key],
        field.is_required(),
        **span,
        units=tuple(kind.units) if kind is not None else (),
        one_of=_choices(field.annotation),
        default=_default(field.default, kind),
        kinds=_kinds(key) if place.of is DeviceShape else (),
    )


def _inside(annotation: Any, wanted: type) -> Iterator[Any]:
    """Everything of one type that stands anywhere in an annotation."""
    parts = annotation if isinstance(annotation, list) else [annotation]
    for part in parts:
        if isinstance(part, wanted):
            yield part
        else:
            yield from _inside([*get_args(part)], wanted)


def _choices(annotation: Any) -> tuple[str, ...]:
    """The words of a `Literal`, where the key is one of them and nothing else."""
    args = [a for a in get_args(annotation) if a is not type(None)]
    if args and all(isinstance(a, str) for a in args):
        return tuple(args)
    return _choices(args[0]) if len(args) == 1 and get_args(args[0]) else ()


def _default(value: object, kind: Kind | None) -> str | None:
    if value is None or value is PydanticUndefined or isinstance(value, BaseModel):
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if kind is not None and isinstance(value, int | float):
        unit = kind.example.split(" ")[-1]
        return f"{value / float(kind.units[unit]):g} {unit}"
    if isinstance(value, str | int | float):
        return str(value) or None
    name = getattr(value, "kind", None)  # a dimmer
    return name if isinstance(name, str) else None


def _kinds(key: str) -> tuple[str, ...]:
    """The kinds of device a key is for; () where it is for all of them."""
    found = _KINDS.get(key)
    if found is None and key in USES:
        # everything is given, so that only the kind can be what makes it useless
        given: dict[str, Any] = {
            "speaks": "a-dialect",
            "fed_by": "a-circuit",
            "pwm": 1.0,
            "idle_below": 1.0,
        }
        found = tuple(
            k
            for k in KINDS
            if USES[key].used(DeviceShape.model_construct(kind=k, **given))
            or USES[key].used(DeviceShape.model_construct(kind=k, **{**given, "speaks": "homie5"}))
        )
    found = found or ()
    return tuple(k for k in KINDS if k in found) if len(found) < len(KINDS) else ()
