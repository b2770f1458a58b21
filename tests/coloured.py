"""A cloth and a lamp that can be coloured, in every way a dialect can spell it."""

from __future__ import annotations

from studiobridge.profile import read_profile_text
from studiobridge.profile.model import SetProfile

# name -> the colour and cct points of a dialect
WAYS = {
    "hue-in-bytes": """
    colour:
      tell: {topic: "{at}/do", json: {mode: dyed, h: "{hue}", s: "{saturation}"}, spans: {hue: 0..254, saturation: 0..254}}
      hear: {topic: "{at}/is", fields: {hue: dye.h, saturation: dye.s}, spans: {hue: 0..254, saturation: 0..254}, where: {mode: dyed}}
    cct:
      tell: {topic: "{at}/do", json: {mode: plain, k: "{value}"}, span: 2700..6500}
      hear: {topic: "{at}/is", field: k, span: 2700..6500, where: {mode: plain}}
""",
    "hue-in-degrees": """
    colour:
      tell: {topic: "{at}/hue/want", payload: "{hue} {saturation}"}
      hear: {topic: "{at}/hue/have", pattern: "{hue} {saturation}"}
""",
    "hue-in-fractions": """
    colour:
      tell: {topic: "{at}/do", json: {dye: ["{hue}", "{saturation}"]}, spans: {hue: 0..1, saturation: 0..1}}
      hear: {topic: "{at}/is", fields: {hue: dye.0, saturation: dye.1}, spans: {hue: 0..1, saturation: 0..1}}
""",
    "red-green-blue": """
    colour:
      tell: {topic: "{at}/rgb/want", payload: "{r},{g},{b}"}
      hear: {topic: "{at}/rgb/have", pattern: "{r},{g},{b}"}
""",
    "rgb-in-json": """
    colour:
      tell: {topic: "{at}/do", json: {mix: {r: "{r}", g: "{g}", b: "{b}"}}}
      hear: {topic: "{at}/is", fields: {r: mix.r, g: mix.g, b: mix.b}}
""",
    "x-and-y": """
    colour:
      tell: {topic: "{at}/do", json: {xy: ["{x}", "{y}"]}}
      hear: {topic: "{at}/is", fields: {x: xy.0, y: xy.1}}
""",
    "in-spans-of-its-own": """
    colour:
      tell: {topic: "{at}/dye", payload: "dye={hue}/{saturation};", spans: {hue: 1..255, saturation: -0.5..99.5}}
      hear: {topic: "{at}/dyed", pattern: "dye={hue}/{saturation};", spans: {hue: 1..255, saturation: -0.5..99.5}}
""",
    "x-and-y-in-words": """
    colour:
      tell: {topic: "{at}/do", json: {x: "{x}", y: "{y}"}, spans: {x: 0..65535, y: 0..65535}}
      hear: {topic: "{at}/is", fields: {x: x, y: y}, spans: {x: 0..65535, y: 0..65535}}
""",
}

GREEN = "{hue: 120 deg, saturation: 90 %}"


def text(way: str = "hue-in-bytes", preset: str = f"{{level: 75 %, colour: {GREEN}}}") -> str:
    if way == "homie5":
        speaks, dialect = "speaks: homie5, at: cloth/light", ""
    else:
        speaks = "speaks: dyer, at: wall/cloth"
        dialect = f"""  dyer:
    level:
      tell: {{topic: "{{at}}/do", json: {{dim: "{{value}}"}}, span: 0..255}}
      hear: {{topic: "{{at}}/is", field: dim, span: 0..255}}
    online: {{hear: {{topic: "{{at}}/link", words: {{yes: "1", no: "0"}}}}}}
    ask: {{topic: "{{at}}/ask"}}
{WAYS[way].strip(chr(10))}
"""
    return f"""\
format: 1
set: dye-works
mains: {{voltage: 230 V, circuits: {{wall: {{breaker: 10 A}}}}}}
dialects:
  relay:
    switch:
      tell: {{topic: "{{at}}/in", words: {{on: "1", off: "0"}}}}
      hear: {{topic: "{{at}}/out", words: {{on: "1", off: "0"}}}}
    ask: {{topic: "{{at}}/ask"}}
{dialect}devices:
  cloth-plug: {{kind: plug, fed_by: wall, speaks: relay, at: wall/p}}
  cloth: {{kind: backdrop, fed_by: cloth-plug, {speaks}, draws: 30 W, boots_in: 2 s, fade: 0 s}}
looks:
  green: {{cloth: {preset}}}
  white: {{cloth: {{level: 60 %, cct: 4300 K}}}}
"""


def profile(way: str = "hue-in-bytes", preset: str | None = None) -> SetProfile:
    whole = text(way) if preset is None else text(way, preset)
    if way not in ("hue-in-bytes", "homie5"):
        whole = whole.replace("  white: {cloth: {level: 60 %, cct: 4300 K}}\n", "")
    return read_profile_text(whole, "dye.yaml").profile
