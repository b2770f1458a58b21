"""Gear for the first day: a plug and a panel that speak as their maker thought fit, and nobody told.

The profile here is the gear's own, and only the gear reads it: whoever meets it has a broker and a
button to press, and nothing else.
"""

from __future__ import annotations

PLUG_AT, PANEL_AT = "shed/box-7", "shed/slab-2"
SECRET = f"""\
format: 1
set: nobody-knows
mains: {{voltage: 230 V, circuits: {{wall: {{breaker: 10 A, curve: B}}}}}}
dialects:
  box:
    switch:
      tell: {{topic: "{{at}}/do", json: {{relay: "{{value}}"}}, words: {{on: shut, off: open}}}}
      hear: {{topic: "{{at}}/says", field: relay, words: {{on: shut, off: open}}}}
    watts: {{hear: {{topic: "{{at}}/says", field: load.now}}}}
    online: {{hear: {{topic: "{{at}}/there", words: {{yes: here, no: lost}}}}}}
  slab:
    level:
      tell: {{topic: "{{at}}/do", json: {{dim: "{{value}}"}}, span: 0..255}}
      hear: {{topic: "{{at}}/is", field: dim, span: 0..255}}
    cct:
      tell: {{topic: "{{at}}/do", json: {{warm: "{{value}}"}}, unit: mired, span: 154..370}}
      hear: {{topic: "{{at}}/is", field: warm, unit: mired, span: 154..370}}
    online: {{hear: {{topic: "{{at}}/there", words: {{yes: here, no: lost}}}}}}
devices:
  box:  {{kind: plug, fed_by: wall, speaks: box, at: {PLUG_AT}, meters: yes}}
  slab: {{kind: light, fed_by: box, speaks: slab, at: {PANEL_AT}, draws: 60 W, inrush: 9 A, boots_in: 1 s, fade: 0.4 s}}
looks: {{day: {{slab: {{level: 50 %, cct: 4000 K}}}}}}
"""
