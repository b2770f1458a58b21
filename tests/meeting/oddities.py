"""Twenty devices of the oddest shapes: each a dialect of its own, and manners."""

from __future__ import annotations

from studiobridge.speech.message import Message
from tests.meeting.gear import Gear, document

# name, what is odd about it
ODD: dict[str, str] = {
    "relay": "plain 1 and 0, heard on 'out', told on 'in'",
    "panel": "one document: on, level 0..255 and mired; told one field at a time",
    "pair": "level and white in one text",
    "whole": "takes a switch only with its level and its white",
    "outlet": "outlets that share a topic, told apart by a number in the document",
    "strip": "outlets that share a topic, told apart in a text",
    "diff": "says only what has changed",
    "segments": "lists in its documents",
    "drehlicht": "words in another language",
    "odd-dim": "a level of 1..254, switch on a topic of its own",
    "backwards": "a level that runs the other way round",
    "mireds": "a white in mired, level as a fraction",
    "parrot": "says every command again, where it was told",
    "slow": "answers 1.5 s late",
    "asked": "reports only when it is asked",
    "busy": "counters and uptime, each second, in the document of its state",
    "both": "a switch goes only with a level, in one text",
    "terse": "says only 'changed'",
    "stranger": "is told on a topic that has nothing to do with its own",
    "homely": "Homie 5",
}


def twenty() -> dict[str, Gear]:
    """All of them, fresh."""
    light = {"switch": True, "level": 60.0, "cct": 4000.0}
    made = [
        Gear(
            "relay",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/relay/in", words: {on: "1", off: "0"}}, hear: {topic: "{at}/relay/out", words: {on: "1", off: "0"}}}
devices:
  relay: {kind: plug, fed_by: wall, speaks: d, at: bench/relay}
""",
        ),
        Gear(
            "panel",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/do", json: {lit: "{value}"}}, hear: {topic: "{at}/is", field: lit}}
    level: {tell: {topic: "{at}/do", json: {light: {dim: "{value}"}}, span: 0..255}, hear: {topic: "{at}/is", field: light.dim, span: 0..255}}
    cct: {tell: {topic: "{at}/do", json: {light: {warmth: "{value}"}}, unit: mired}, hear: {topic: "{at}/is", field: light.warmth, unit: mired}}
devices:
  panel: {kind: light, fed_by: wall, speaks: d, at: corner/panel}
""",
            dict(light),
        ),
        Gear(
            "pair",
            """\
dialects:
  d:
    level: {tell: {topic: "{at}/do", payload: "{level},{cct}"}, hear: {topic: "{at}/is", pattern: "{level},{cct}"}}
    cct: {tell: {topic: "{at}/do", payload: "{level},{cct}"}, hear: {topic: "{at}/is", pattern: "{level},{cct}"}}
devices:
  pair: {kind: light, fed_by: wall, speaks: d, at: corner/pair}
""",
            {"level": 60.0, "cct": 4000.0},
        ),
        Gear(
            "whole",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/set", json: {power: "{value}"}, words: {on: "ON", off: "OFF"}}, hear: {topic: "{at}", field: power, words: {on: "ON", off: "OFF"}}}
    level: {tell: {topic: "{at}/set", json: {dim: "{value}"}}, hear: {topic: "{at}", field: dim}}
    cct: {tell: {topic: "{at}/set", json: {kelvin: "{value}"}}, hear: {topic: "{at}", field: kelvin}}
    together: yes
devices:
  whole: {kind: light, fed_by: wall, speaks: d, at: lamps/whole}
""",
            dict(light),
        ),
        Gear(
            "outlet",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/command", json: {id: "{n}", on: "{value}"}}, hear: {topic: "{at}/status", field: on, where: {id: "{n}"}}}
devices:
  other: {kind: plug, fed_by: wall, speaks: d, at: box, blanks: {n: 1}}
  outlet: {kind: plug, fed_by: wall, speaks: d, at: box, blanks: {n: 2}}
""",
        ),
        Gear(
            "strip",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/in", payload: "{n}={value}", words: {on: "1", off: "0"}}, hear: {topic: "{at}/out", pattern: "{n}={value}", words: {on: "1", off: "0"}}}
devices:
  strip: {kind: plug, fed_by: wall, speaks: d, at: rail, blanks: {n: 3}}
""",
        ),
        Gear(
            "diff",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/cmd", json: {on: "{value}"}}, hear: {topic: "{at}/state", field: on}}
    level: {tell: {topic: "{at}/cmd", json: {strength: "{value}"}, span: 0..1000}, hear: {topic: "{at}/state", field: strength, span: 0..1000}}
devices:
  diff: {kind: light, fed_by: wall, speaks: d, at: hall/diff}
""",
            {"switch": True, "level": 60.0},
            diff=True,
        ),
        Gear(
            "segments",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/set", json: {ch: [{on: "{value}"}]}}, hear: {topic: "{at}/state", field: [ch, 0, "on"]}}
    level: {tell: {topic: "{at}/set", json: {ch: [{b: "{value}"}]}, span: 0..255}, hear: {topic: "{at}/state", field: [ch, 0, b], span: 0..255}}
devices:
  segments: {kind: light, fed_by: wall, speaks: d, at: ring/segments}
""",
            {"switch": True, "level": 60.0},
        ),
        Gear(
            "drehlicht",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/soll", words: {on: "an", off: "aus"}}, hear: {topic: "{at}/ist", words: {on: "an", off: "aus"}}}
devices:
  drehlicht: {kind: plug, fed_by: wall, speaks: d, at: ecke/drehlicht}
""",
        ),
        Gear(
            "odd-dim",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/power/set", words: {on: "on", off: "off"}}, hear: {topic: "{at}/power", words: {on: "on", off: "off"}}}
    level: {tell: {topic: "{at}/dim/set", span: 1..254}, hear: {topic: "{at}/dim", span: 1..254}}
devices:
  odd-dim: {kind: light, fed_by: wall, speaks: d, at: shelf/odd-dim}
""",
            {"switch": True, "level": 60.0},
        ),
        Gear(
            "backwards",
            """\
dialects:
  d:
    level: {tell: {topic: "say/{at}/shade", span: 255..0}, hear: {topic: "{at}/shade", span: 255..0}}
devices:
  backwards: {kind: light, fed_by: wall, speaks: d, at: window/backwards}
""".replace('"say/{at}/shade"', '"set/{at}/shade"'),
            {"level": 60.0},
        ),
        Gear(
            "mireds",
            """\
dialects:
  d:
    level: {tell: {topic: "{at}/bright/command", unit: fraction}, hear: {topic: "{at}/bright/state", unit: fraction}}
    cct: {tell: {topic: "{at}/white/command", unit: mired}, hear: {topic: "{at}/white/state", unit: mired}}
devices:
  mireds: {kind: light, fed_by: wall, speaks: d, at: desk/mireds}
""",
            {"level": 60.0, "cct": 4000.0},
        ),
        Gear(
            "parrot",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/cmd", words: {on: "1", off: "0"}}, hear: {topic: "{at}/state", words: {on: "1", off: "0"}}}
devices:
  parrot: {kind: plug, fed_by: wall, speaks: d, at: attic/parrot}
""",
            echoes="attic/parrot/cmd/echo",
        ),
        Gear(
            "slow",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/set", words: {on: "ON", off: "OFF"}}, hear: {topic: "{at}/state", words: {on: "ON", off: "OFF"}}}
devices:
  slow: {kind: plug, fed_by: wall, speaks: d, at: cellar/slow}
""",
            late=1.5,
        ),
        Gear(
            "asked",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/set", words: {on: "1", off: "0"}}, hear: {topic: "{at}/is", words: {on: "1", off: "0"}}}
    ask: {topic: "{at}/get"}
devices:
  asked: {kind: plug, fed_by: wall, speaks: d, at: porch/asked}
""",
            mute=True,
        ),
        Gear(
            "busy",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/put", json: {relay: "{value}"}}, hear: {topic: "{at}/all", field: relay}}
devices:
  busy: {kind: plug, fed_by: wall, speaks: d, at: yard/busy}
""",
        ),
        Gear(
            "both",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/in", payload: "{switch} {level}", words: {on: "on", off: "off"}}, hear: {topic: "{at}/out", pattern: "{switch} {level}", words: {on: "on", off: "off"}}}
    level: {tell: {topic: "{at}/in", payload: "{switch} {level}"}, hear: {topic: "{at}/out", pattern: "{switch} {level}"}}
devices:
  both: {kind: light, fed_by: wall, speaks: d, at: stair/both}
""",
            {"switch": True, "level": 60.0},
        ),
        Gear(
            "terse",
            """\
dialects:
  d:
    switch: {tell: {topic: "{at}/set", words: {on: "1", off: "0"}}, hear: {topic: "{at}/never", words: {on: "1", off: "0"}}}
devices:
  terse: {kind: plug, fed_by: wall, speaks: d, at: barn/terse}
""",
            only_changed="barn/terse/note",
        ),
        Gear(
            "stranger",
            """\
dialects:
  d:
    switch: {tell: {topic: "hub7/q", json: {dev: 41, act: "{value}"}, words: {on: "start", off: "halt"}}, hear: {topic: "{at}/running", words: {on: "yes", off: "no"}}}
devices:
  stranger: {kind: plug, fed_by: wall, speaks: d, at: kiln/stranger}
""",
            by_app=True,
        ),
        Gear(
            "homely",
            """\
devices:
  homely: {kind: light, fed_by: wall, speaks: homie5, at: homely/lamp, properties: {switch: power, level: level, cct: white}}
""",
            dict(light),
        ),
    ]
    found = {gear.name: gear for gear in made}
    busy = found["busy"]

    def status(now: float) -> Message:
        return Message(
            "yard/busy/all",
            document(
                relay=busy.shows["switch"],
                uptime=int(now),
                sent=int(now * 3),
                rssi=-60 - int(now) % 7,
            ),
        )

    busy.noise = status
    return found


def sisters() -> list[Gear]:
    """The other outlets of the two that share a topic, which speak there too."""
    found = twenty()
    text = found["outlet"].text
    other = Gear("other", text)
    strip = found["strip"].text.replace("  strip:", "  left:").replace("{n: 3}", "{n: 1}")
    return [other, Gear("left", strip)]
