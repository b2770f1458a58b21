"""Evenings in which somebody looks at the camera's picture: and tells the truth, or lies.

Everything here has dice of its own, so that the evenings of old seeds stay what they were. Beside
the laws of every evening, whatever the witness says:

- Nothing is energised, and nothing put back more often than its profile allows, because of it
  (laws 8 and 12 watch what is told).
- `ready`, and a lamp shown as confirmed by the picture, only by a frame that was taken after that
  lamp was last told anything and after the link came, that says it is as asked, and that is not too
  old (laws 7 and 14). By the times the witness stamps: a stream that hangs is its to notice.
- No lamp drifts by the picture whose profile names another proof.
- By a witness that tells the truth nothing drifts that stands as it should (law 11), and nothing
  is confirmed that clearly does not.
"""

from __future__ import annotations

import json
import math
import random
from collections import deque
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace

from studiobridge.bridge.outs import Out, Publish, Write
from studiobridge.bridge.topics import device_topic, seen_topic, state_topic, witness_alive_topic
from studiobridge.control.effects import DriftNote
from studiobridge.craft.light import level_stops
from studiobridge.profile.model import Device, Preset, SetProfile, Tolerance, Witness
from studiobridge.profile.sighting import Band, SeenLight, Sighting
from studiobridge.speech.message import Message
from tests.simulate.evening import WALL, Evening

WITNESS = "the witness"
# How it looks: bands to either side of what it says, and how far it errs (stops), 95 in 100 within.
BAND, ERRS = 0.12, 0.055
NEAR, FAR = 0.15, 0.8
# What was seen holds for three looks and 5 s, a set that was ready for 25 s more, and showing takes
# its time.
DOUBT, SHOWN_IN = 25.0, 3.0
# A truthful picture has been looked at twice after so long (s), whatever the network lost.
KNOWN_AFTER = 40.0
LIES = (
    *("truth", "truth", "truth", "other lamp", "bands", "all is well", "all is off", "frozen"),
    *(
        "held",
        "held",
        "held, all well",
        "two",
        "another epoch",
        "flood",
        "nonsense",
        "no clock",
        "clock off",
        "gone",
    ),
)
GARBAGE = (
    *(b"", b"{}", b"NaN", b"\xff\xfe", b'{"run": 3}', b"[" * 3000, b" " * 70_000, b"null"),
    b'{"run":"x","frame":1,"taken":1e999,"age":0}',
    b'{"run":"x","frame":1,"taken":NaN,"age":-1,"lights":{"plug-0":{"amount":{}}}}',
)


def with_pictures(profile: SetProfile, dice: random.Random) -> SetProfile:
    """The same set with a witness, which some of its lamps that cannot speak are proven by."""
    devices: dict[str, Device] = {}
    for name, device in profile.devices.items():
        mute = device.fixture and "level" not in device.hears
        if mute and dice.random() < 0.7:
            device = replace(
                device,
                proof="picture",
                tolerance=Tolerance(0.3, 15.0),
                restores=dice.choice([0, 0, 2]) if device.tells else 0,
            )
        devices[name] = device
    witness = Witness("file", "still.jpg", dice.choice([0.5, 2.0, 5.0]))
    return replace(profile, devices=devices, witness=witness)


@dataclass(slots=True)
class Claim:
    """What one look said of one lamp, of when (s, virtual)."""

    taken: float
    low: float
    high: float


class Watched(Evening):
    """An evening with a witness on the same broker, in virtual time."""

    def __init__(self, profile: SetProfile, seed: int, *more: object) -> None:
        super().__init__(profile, seed, *more)  # type: ignore[arg-type]
        self.eye = random.Random(f"witness {seed}")
        assert profile.witness is not None
        self.every = profile.witness.every
        self.holds = 3.0 * self.every + 5.0
        self.lie = "truth"
        self.frames = 0
        self.next_look = 1.0
        self.next_lie = self.eye.uniform(20.0, 60.0)
        self.run_name = "w0"
        self.honest_since = 0.0
        self.always_honest = False
        self.stale: Sighting | None = None
        # when each goes out, what it is, whether as one that was kept, and what it claims
        self.waiting: deque[tuple[float, bytes, bool, Sighting | None]] = deque()
        self.claims: dict[str, deque[Claim]] = {}
        self.told_at: dict[str, float] = {}
        self.linked_at = 0.0
        self.moved_at = dict.fromkeys(profile.devices, 0.0)
        self.otherwise_at: dict[str, float] = {}  # when something else last proved it
        self.stood: dict[str, float] = {}
        self.looked = 0
        self.by_picture = 0
        told, link_up = self.laws.told, self.laws.link_up

        def hears(at: float, name: str, values: list, expiry: float | None) -> None:  # type: ignore[type-arg]
            self.told_at[name] = at
            told(at, name, values, expiry)

        def links(at: float) -> None:
            self.linked_at = at
            link_up(at)

        self.laws.told = hears  # type: ignore[method-assign]
        self.laws.link_up = links  # type: ignore[method-assign]

    # ---- it looks --------------------------------------------------------------------------

    def run(self, seconds: float) -> None:
        end = self.now + seconds
        while True:
            due = min(self.next_look, self.waiting[0][0] if self.waiting else math.inf)
            if due >= end:
                super().run(max(0.0, end - self.now))
                return
            super().run(max(0.0, due - self.now))
            self._tick()

    def everything_back(self) -> None:
        self.always_honest, self.lie, self.honest_since = True, "truth", self.now
        self._says_hello()
        super().everything_back()

    def _tick(self) -> None:
        if not self.broker.connected(WITNESS):
            self.broker.connect(WITNESS, self.now, None, 60.0)
            self._says_hello()
        if self.now >= self.next_lie and not self.always_honest:
            self.next_lie = self.now + self.eye.uniform(10.0, 80.0)
            before, self.lie = self.lie, self.eye.choice(LIES)
            self.note(f"the witness: {self.lie}")
            self.outcome.kinds.add(f"witness: {self.lie}")
            if self.lie == "truth" and before != "truth":
                self.honest_since = self.now
                self._begins_anew()
            elif self.lie == "gone":
                self._publish(witness_alive_topic(self.profile.name), b'{"alive": false}', True)
        self._send()
        if self.now >= self.next_look:
            self.next_look = self.now + self.every
            self._who_moved()
            self._look()

    def _who_moved(self) -> None:
        for name in self.profile.devices:
            stands = self._amount(name) if self.profile.devices[name].fixture else 0.0
            if self.stood.get(name) != stands:
                self.stood[name], self.moved_at[name] = stands, self.now

    def _begins_anew(self) -> None:
        """Another process from here on: what the one before said of frames does not count up."""
        self.run_name, self.frames = f"w{self.now:.0f}", 0
        self._says_hello()

    def _says_hello(self) -> None:
        body = {"alive": True, "run": self.run_name, "what": "looking", "why": ""}
        topic = witness_alive_topic(self.profile.name)
        self._publish(topic, json.dumps(body).encode(), True)

    def _publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        if not self.broker.connected(WITNESS):
            self.broker.connect(WITNESS, self.now, None, 60.0)
        self.broker.publish(WITNESS, Message(topic, payload, qos=0, retain=retain), self.now)

    def _amount(self, name: str) -> float:
        device = self.room.devices[name]
        level = device.level if device.lit and device.energised else 0.0
        return device.device.dimmer.output(min(100.0, max(0.0, level)))

    def _light(self, name: str, level: float, wide: float = BAND, errs: float = ERRS) -> SeenLight:
        """How a lamp at this level looks: what it says errs, and its band says how far."""
        device = self.room.devices[name].device
        dimmer = device.dimmer
        off = self.eye.gauss(0.0, errs / 2.0)
        full = dimmer.output(min(100.0, max(0.0, level)))
        low, value, high = (full * 2.0**by for by in (off - wide, off, off + wide))

        def back(amount: float) -> float:
            least, most = 0.0, 100.0
            for _ in range(40):
                middle = (least + most) / 2.0
                if dimmer.output(middle) < amount:
                    least = middle
                else:
                    most = middle
            return most if amount > 0.0 else 0.0

        levels = Band(*sorted((back(low), back(value), back(high))))
        kept = self.profile.looks["day"].presets.get(name)
        against = None
        if kept is not None and kept.level and level > 0.0:
            stops = level_stops(dimmer, kept.level, max(0.01, level))
            against = None if stops is None else Band(*(stops + off + b for b in (-wide, 0, wide)))
        white = self.room.devices[name].cct
        cct = None
        if white and white > 500.0 and level > 0.0 and "cct" in device.tells | device.hears:
            cct = Band(white * 0.985, white, white * 1.015)
        return SeenLight(Band(low, value, high), levels, against, cct)

    def _truly(self) -> dict[str, SeenLight]:
        found = {}
        for name, device in self.profile.devices.items():
            if device.fixture:
                stands = self.room.devices[name]
                level = stands.level if stands.lit and stands.energised else 0.0
                found[name] = self._light(name, level)
        return found

    def _lights(self) -> dict[str, SeenLight]:
        """What it says of the lamps, as it lies now."""
        eye, truth = self.eye, self._truly()
        if self.lie == "other lamp":
            names = list(truth)
            other = names[:]
            eye.shuffle(other)
            return {name: truth[o] for name, o in zip(names, other, strict=True)}
        if self.lie == "bands":
            return {
                name: self._light(name, eye.uniform(0, 100), eye.choice([0.0, 0.05, 1.0, 4.0]))
                for name in truth
                if eye.random() < 0.8
            }
        if self.lie in ("all is well", "held, all well", "all is off"):
            look = self.core.controller.look
            presets = self.laws.profile.looks[look].presets if look is not None else {}
            none = Preset(0.0)
            well = self.lie != "all is off"
            return {
                name: self._light(name, (presets.get(name, none).level or 0.0) if well else 0.0)
                for name in truth
            }
        return truth

    def _look(self) -> None:
        if self.lie == "gone":
            return
        eye = self.eye
        self.frames += 1
        taken = self.now - eye.uniform(0.05, 0.4)
        wall = WALL + taken + self.jumped
        hinders = ("auto exposure",) if eye.random() < 0.02 else ()
        sighting = self.with_more(
            Sighting(
                self.run_name,
                self.frames,
                wall,
                0.0,
                kept="day",
                lights=self._lights(),
                hinders=hinders,  # type: ignore[arg-type]
            )
        )
        if self.lie == "frozen" and self.stale is not None:
            # the same picture with a new stamp, or the very same message
            lights = self.stale.lights
            sighting = replace(sighting, lights=lights) if eye.random() < 0.5 else self.stale
        if self.lie == "no clock":
            sighting = replace(sighting, taken=None)
        elif self.lie == "clock off":
            off = eye.choice([-3600.0, -30.0, 3.0, 600.0])
            sighting = replace(sighting, taken=wall + off)
        elif self.lie == "two" and eye.random() < 0.5:
            lie, self.lie = self.lie, "bands"
            sighting = replace(sighting, run="another", lights=self._lights())
            self.lie = lie
        if self.lie != "frozen":
            self.stale = sighting
        payload = _as_json(sighting)
        if self.lie == "nonsense":
            payload = eye.choice([*GARBAGE, payload.replace(b"0.", b"NaN", 1), payload[:-9]])
        later = eye.choice([0.3, 3.0, 20.0, 90.0]) if self.lie == "held" else 0.0
        if self.lie == "held, all well":
            # late, but not so late that it is refused: what counts is when it was taken
            later = eye.uniform(4.0, 9.0)
        claims = None if self.lie == "nonsense" or hinders else sighting
        kept = self.lie == "another epoch"
        times = 60 if self.lie == "flood" and eye.random() < 0.2 else 1
        self.looked += 1
        for n in range(times):
            self.waiting.append((self.now + later + 0.001 * n, payload, kept, claims))
        self.waiting = deque(sorted(self.waiting, key=lambda one: one[0]))
        self._send()

    def with_more(self, sighting: Sighting) -> Sighting:
        """What else a look may say, for evenings that ask for it."""
        return sighting

    def _send(self) -> None:
        """What is due goes out; only then has it claimed anything."""
        while self.waiting and self.waiting[0][0] <= self.now:
            _, payload, retain, claims = self.waiting.popleft()
            if claims is not None and claims.taken is not None:
                stamped = claims.taken - WALL - self.jumped
                for name, light in claims.lights.items():
                    self._claims(name, light, stamped)
            self._publish(seen_topic(self.profile.name), payload, retain)

    def _claims(self, name: str, light: SeenLight, taken: float) -> None:
        if light.level is not None and light.tells:
            kept = self.claims.setdefault(name, deque(maxlen=400))
            kept.append(Claim(taken, light.level.low, light.level.high))

    # ---- what is so, against what is shown -------------------------------------------------

    def outs(self, outs: list[Out]) -> None:
        for out in outs:
            if isinstance(out, Write) and isinstance(out.note, DriftNote):
                self._drifted(out.note)
        super().outs(outs)
        for out in outs:
            if not isinstance(out, Publish) or not self.linked or not out.message.payload:
                continue
            if out.message.topic.startswith(device_topic(self.profile.name, "")):
                view = json.loads(out.message.payload)
                if view["by"] == "picture" and view["confirmed"] is True:
                    self.by_picture += 1
                    self._must_be_seen(14, view["device"], "is shown as confirmed by the picture")
            elif out.message.topic == state_topic(self.profile.name):
                self._shown(json.loads(out.message.payload))

    def _shown(self, state: Mapping[str, object]) -> None:
        if state["state"] != "ready":
            return
        presets = self.laws.profile.looks.get(str(state["look"]))
        for name in presets.presets if presets is not None else ():
            device = self.profile.devices[name]
            belief = self.core.controller.beliefs.of[name]
            # a person's word, or the watts of its plug, may say it too, or did a doubt ago
            if belief.ticked is not None or any(b.by != "picture" for b in belief.gauged.values()):
                self.otherwise_at[name] = self.now
            other = self.now - self.otherwise_at.get(name, -math.inf) <= DOUBT
            if device.proof == "picture" and device.essential and not other:
                self._must_be_seen(7, name, "the set is ready", DOUBT)

    def _must_be_seen(self, law: int, name: str, what: str, more: float = 0.0) -> None:
        """Has a look said so, of a frame from after it was told and from after the link?"""
        look = self.core.controller.look
        preset = self.laws.profile.looks[look].presets.get(name) if look is not None else None
        if preset is None or preset.level is None:
            return
        after = max(self.told_at.get(name, -math.inf), self.linked_at)
        if after >= self.now:
            return  # told with the same event: which of the two left first is not watched
        oldest = self.now - self.holds - SHOWN_IN - more
        belief = self.core.controller.beliefs.of[name]
        for claim in reversed(self.claims.get(name, ())):
            if claim.taken <= after or claim.taken < oldest:
                continue
            if belief.same("level", preset.level, claim.low) and belief.same(
                "level", preset.level, claim.high
            ):
                return
        self.laws.breach(law, self.now, f"{what}, and no look since it was told says so of {name}")

    def _drifted(self, note: DriftNote) -> None:
        by = str(note.reported).endswith("by the picture")
        if note.phase != "opened" or not by:
            return
        device = self.profile.devices[note.device]
        if device.proof != "picture":
            text = f"{note.device}, proven by {device.proof}, drifts by the picture"
            self.laws.breach(14, note.at, text)
        truthful = self.lie == "truth" and self.now >= self.honest_since + KNOWN_AFTER
        still = self.now >= self.moved_at[note.device] + KNOWN_AFTER
        preset = self.laws.looks.get(str(self.core.controller.look), {}).get(note.device)
        if not truthful or not still or preset is None or note.point != "level":
            return
        stops = level_stops(
            device.dimmer, preset.level or 0.0, self.room.devices[note.device].level
        )
        lit = self.room.devices[note.device].lit and self.room.devices[note.device].energised
        if lit and stops is not None and abs(stops) <= NEAR:
            self.laws.breach(11, note.at, f"{note.device} stands as it should, and drifts")

    def look_at_what_is_shown(self) -> None:
        super().look_at_what_is_shown()
        self._who_moved()  # also since the last look
        truthful = self.lie == "truth" and self.now >= self.honest_since + KNOWN_AFTER
        if not truthful or not self.linked:
            return
        look = self.core.controller.look
        presets = self.laws.profile.looks[look].presets if look is not None else {}
        for name, preset in presets.items():
            view = self.laws.mutes.views.get(name)
            if view is None or preset.level is None or view["by"] != "picture":
                continue
            if view["confirmed"] is not True or self.now < self.moved_at[name] + KNOWN_AFTER:
                continue
            stands = self.room.devices[name]
            level = stands.level if stands.lit and stands.energised else 0.0
            stops = level_stops(stands.device.dimmer, preset.level, level)
            if stops is None or abs(stops) > FAR:
                text = f"{name} stands at {level:.0f} %, and is confirmed by the picture"
                self.laws.breach(14, self.now, text)


def _as_json(sighting: Sighting) -> bytes:
    return json.dumps(asdict(sighting)).encode()
