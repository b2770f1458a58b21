"""A set stands, nobody touches anything, and its bridge is killed and started: what is said of it then.

- What answers is asked, and proves anew how it stands, within seconds. Nothing is told anything.
- The set is ready again, or each thing that cannot be proven is named with what is so now: what
  nobody can ask, what the watts leave open, what frames have to be sent to.
- Nothing that stands as it stood is drift, nor called silent (law 11 watches the first).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from studiobridge.bridge.topics import state_topic

if TYPE_CHECKING:
    from tests.simulate.evening import Evening

# So long (s) after its start every report has come that is asked for: listening, an answer, a lost
# one. And so long after it every meter has said all it can: two samples of a slow one that rest.
HEARD_WITHIN, METERED_WITHIN = 10.0, 60.0


def the_bridge_starts_anew(evening: Evening) -> None:
    laws = evening.laws
    if laws.breaches:
        return
    told = evening.outcome.told
    evening.kill_bridge()
    evening.run(1.0)
    evening.start_bridge()
    evening.run(HEARD_WITHIN)
    _judge(evening, "is not confirmed")  # a slow meter has its time
    evening.run(METERED_WITHIN - HEARD_WITHIN)
    _judge(evening)
    if evening.outcome.told != told:
        laws.breach(8, evening.now, "something was told after a start, and nobody asked")


def _judge(evening: Evening, *not_yet: str) -> None:
    shown = json.loads(evening.broker.retained[state_topic(evening.profile.name)])
    devices, laws = evening.profile.devices, evening.laws
    lacks = [text for text in shown["why"].split("; ") if text]
    if shown["state"] not in ("ready", "adrift") or (shown["state"] == "ready") != (not lacks):
        laws.breach(7, evening.now, f"{shown['state']} after a start, lacking {lacks}")
    for device in devices.values():
        answers = device.can_ask and device.hears and device.proof == "report"
        for text in lacks:
            if answers and not device.slots and text.startswith(f"{device.name} "):
                laws.breach(7, evening.now, f"after a start it answers, and is lacking: {text}")
    if "is not confirmed" not in not_yet and any("is not confirmed" in text for text in lacks):
        laws.breach(7, evening.now, f"what its meter says by now is not said: {lacks}")
    if shown["silent"]:
        laws.breach(14, evening.now, f"called silent after a start: {shown['silent']}")
