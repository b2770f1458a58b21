"""Plain English words that gear speaks with, and what each of them is a sign of.

They are hints: a word never makes a guess sure by itself. Common practice of those who build
such things; no make's own list.
"""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.profile.model import Point

# Two words that belong together, yes first, by what they say. In small letters.
SWITCH_PAIRS = (
    ("on", "off"),
    ("1", "0"),
    ("true", "false"),
    ("yes", "no"),
    ("closed", "open"),
    ("active", "inactive"),
    ("enabled", "disabled"),
    ("lit", "dark"),
)
ONLINE_PAIRS = (
    ("online", "offline"),
    ("up", "down"),
    ("connected", "disconnected"),
    ("alive", "dead"),
    ("available", "unavailable"),
    ("here", "gone"),
    ("ready", "lost"),
    ("yes", "no"),
    ("1", "0"),
    ("true", "false"),
    ("on", "off"),
)
ROLLING_PAIRS = (
    ("rec", "standby"),
    ("recording", "standby"),
    ("rolling", "stopped"),
    ("record", "stop"),
    ("recording", "idle"),
    ("rec", "stby"),
    ("true", "false"),
    ("1", "0"),
    ("on", "off"),
    ("yes", "no"),
)
PAIRS: Mapping[str, tuple[tuple[str, str], ...]] = {
    "switch": SWITCH_PAIRS,
    "online": ONLINE_PAIRS,
    "rolling": ROLLING_PAIRS,
    "battery_low": (("true", "false"), ("1", "0"), ("yes", "no"), ("low", "ok"), ("on", "off")),
}
YES: Mapping[str, frozenset[str]] = {
    point: frozenset(yes for yes, _ in pairs) for point, pairs in PAIRS.items()
}
NO: Mapping[str, frozenset[str]] = {
    point: frozenset(no for _, no in pairs)
    | ({"lost", "gone", "dead"} if point == "online" else set())
    | ({"idle", "stopped", "playback", "preview"} if point == "rolling" else set())
    for point, pairs in PAIRS.items()
}
# Words that say anything's yes and no, a door's among them: a name or a press has to say whose.
WEAK = frozenset({"1", "0", "true", "false", "yes", "no", "open", "closed"})
# Words so much a last will's own that they need no name beside them.
WILLS = frozenset(
    {"online", "offline", "connected", "disconnected", "alive", "dead", "available"}
    | {"unavailable", "gone", "lost"}
)
RECORDS = frozenset({"rec", "recording", "record", "rolling", "standby", "stby"})
# What a computer says when it is down and its power may be cut.
HALTED = frozenset({"halted", "shutdown", "poweroff", "powered-off", "powered off"})
# What the parts of a colour are called.
COLOURS = (
    frozenset({"r", "g", "b"}),
    frozenset({"red", "green", "blue"}),
    frozenset({"hue", "saturation"}),
    frozenset({"hue", "sat"}),
)
# Words that may stand inside a text and vary there, "out 1 is on".
IN_TEXTS = frozenset(
    {"on", "off", "true", "false", "online", "offline", "up", "down", "gone", "rec", "standby"}
)

# What a name beside a value, or of its topic, hints at.
NAMES: Mapping[Point, frozenset[str]] = {
    "switch": frozenset(
        {"switch", "relay", "on", "state", "power", "out", "output", "lit", "onoff", "is", "socket"}
    ),
    "level": frozenset(
        {"level", "dim", "dimmer", "dimmed", "brightness", "bright", "intensity", "lit"}
        | {"luminance", "output", "fader"}
    ),
    "cct": frozenset(
        {"cct", "warm", "warmth", "warmed", "white", "kelvin", "mired", "mireds", "colortemp"}
        | {"colourtemp"}
    ),
    "watts": frozenset(
        {"watts", "watt", "w", "power", "mw", "kw", "draw", "draws", "consumption"}
        | {"milliwatt", "milliwatts", "meter", "metered"}
    ),
    "rolling": frozenset({"rolling", "rolls", "rec", "recording", "record", "tally"}),
    "online": frozenset(
        {"online", "alive", "available", "availability", "connected", "connection", "here"}
        | {"status", "will", "reachable", "presence", "up"}
    ),
    "lux": frozenset({"lux", "illuminance", "lx"}),
    "temperature": frozenset({"temperature", "temp", "celsius", "fahrenheit"}),
    "battery": frozenset({"battery", "batt", "accu"}),
    "battery_low": frozenset({"batterylow", "lowbattery", "low"}),
    "card": frozenset({"card", "minutesleft"}),
}
# What is a number on nearly every device and never one of a set's own points.
NOISE = frozenset(
    {"uptime", "rssi", "signal", "snr", "wifi", "heap", "free", "voltage", "volt", "volts", "v"}
    | {"current", "amp", "amps", "a", "ma", "energy", "wh", "kwh", "total", "count", "counter"}
    | {"time", "timestamp", "ts", "seconds", "secs", "version", "firmware", "ip", "mac", "port"}
    | {"frequency", "hz", "pf", "factor", "quality", "seq", "sequence", "id", "humidity", "epoch"}
    | {"channel", "memory", "boots", "errors", "age", "interval", "crc", "date", "loops", "tick"}
    | {"hue", "saturation", "sat", "red", "green", "blue"}
)
# A topic with one of these in it is where gear is told, not where it speaks.
COMMANDS = frozenset(
    {"set", "cmd", "command", "commands", "do", "put", "control", "in", "ask", "request", "get"}
    | {"action", "please", "tell", "want", "wanted", "target", "query"}
)
# Words a topic is made of beside the name of the device. The point names count as well.
ORDINARY = (
    frozenset(
        {"state", "status", "report", "reports", "meter", "info", "result", "event", "events"}
        | {"sensor", "sensors", "value", "button", "data", "msg", "message", "said", "says", "say"}
        | {"answer", "reply", "response", "config", "mode", "out", "is", "now", "health", "stats"}
    )
    | COMMANDS
    | NOISE - {"a", "v", "channel"}
    | frozenset(name for names in NAMES.values() for name in names) - {"w", "white", "here"}
)
# Keys of a document that say whose it is, where several devices share a topic.
IDS = frozenset(
    {"id", "addr", "address", "device", "dev", "name", "node", "who", "lamp", "unit", "outlet"}
    | {"channel", "ch", "n", "index", "serial", "mac", "fixture", "socket", "from", "source"}
)
