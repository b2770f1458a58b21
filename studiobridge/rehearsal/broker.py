"""A broker in memory, in virtual time, from a seed: for tests and the simulator.

It keeps to MQTT 5.0 (OASIS) where the bridge depends on it:

- a retained message goes to every new subscription with the retain flag set; a live one comes
  without it; a zero-length retained payload clears
- a will is published when a client is lost, not when it leaves; a lost client is noticed
  after one and a half times its keep-alive
- an expired message is not delivered, also not from among the retained
- sessions are clean: nothing is kept for a client that is away
- QoS 1 may come again, then with the dup flag; the messages of one sender to one receiver
  keep their order, unless trouble says otherwise

Trouble comes from the seed and can be turned off: loss, delay, duplicates, reordering, clients
dropped, stale retained state, restarts with or without what was kept.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from studiobridge.rehearsal.devices import Happening, Joined, Left, Vanished
from studiobridge.speech.message import Message

KEEP_ALIVE_FACTOR = 1.5


@dataclass(slots=True)
class Trouble:
    """How bad the network is. Rates are per message; delays in seconds."""

    delay: float = 0.005
    jitter: float = 0.0
    loss: float = 0.0  # QoS 0 is gone; QoS 1 comes again after `again`
    again: float = 1.0
    duplicate: float = 0.0
    reorder: float = 0.0
    slow: float = 0.0  # a message now and then that takes up to `slow_for`
    slow_for: float = 30.0

    def calm(self) -> None:
        """No more trouble from now on."""
        self.jitter = self.loss = self.duplicate = self.reorder = self.slow = 0.0


@dataclass(slots=True)
class _Client:
    will: Message | None
    keep_alive: float
    generation: int
    filters: dict[str, int] = field(default_factory=dict)
    last_at: float = 0.0


def matches(filter_: str, topic: str) -> bool:
    """Does a topic match a filter? `+` is one level, `#` the rest; neither matches a leading $."""
    if topic.startswith("$") and filter_[:1] in ("+", "#"):
        return False
    wanted, levels = filter_.split("/"), topic.split("/")
    for i, part in enumerate(wanted):
        if part == "#":
            return True
        if i >= len(levels) or part not in ("+", levels[i]):
            return False
    return len(wanted) == len(levels)


class MockBroker:
    """Takes messages and hands them out later. Deterministic: same calls, same deliveries."""

    def __init__(self, seed: int = 0, trouble: Trouble | None = None) -> None:
        self.trouble = trouble if trouble is not None else Trouble()
        self._dice = random.Random(f"broker {seed}")
        self._clients: dict[str, _Client] = {}
        self._exact: dict[str, dict[str, int]] = {}
        self._wild: list[tuple[str, str, int]] = []
        self._retained: dict[str, tuple[Message, float | None]] = {}
        self._queue: list[tuple[float, int, str, int, Message, float | None]] = []
        self._wills: list[tuple[float, int, str, int]] = []
        self._count = 0
        self._generation = 0
        self.delivered = 0

    # ---- clients --------------------------------------------------------------------------------

    def connect(self, client: str, now: float, will: Message | None, keep_alive: float) -> None:
        """A client connects with a clean session; an older connection of its name is taken over."""
        if client in self._clients:
            self._gone(client, now, publish_will=True)
        self._generation += 1
        self._clients[client] = _Client(will, keep_alive, self._generation, last_at=now)

    def subscribe(self, client: str, filters: list[tuple[str, int]], now: float) -> None:
        """Subscribe; what is retained follows with the retain flag set."""
        found = self._clients.get(client)
        if found is None:
            return
        for filter_, qos in filters:
            found.filters[filter_] = qos
            if "+" in filter_ or "#" in filter_:
                self._wild.append((filter_, client, qos))
                kept = [t for t in self._retained if matches(filter_, t)]
            else:
                self._exact.setdefault(filter_, {})[client] = qos
                kept = [filter_] if filter_ in self._retained else []
            for topic in kept:
                message, until = self._retained[topic]
                if until is None or now < until:
                    self._send(client, replace(message, retain=True), until, now)

    def disconnect(self, client: str, now: float) -> None:
        """It leaves as it should: its will is forgotten."""
        self._gone(client, now, publish_will=False)

    def vanish(self, client: str, now: float) -> None:
        """It is gone without a word: noticed, and its will published, after its keep-alive."""
        found = self._clients.get(client)
        if found is not None:
            self._count += 1
            at = now + KEEP_ALIVE_FACTOR * found.keep_alive
            heapq.heappush(self._wills, (at, self._count, client, found.generation))

    def connected(self, client: str) -> bool:
        return client in self._clients

    def drop(self, client: str, now: float) -> None:
        """The connection breaks in sight of the broker: the will is published at once."""
        self._gone(client, now, publish_will=True)

    def _gone(self, client: str, now: float, publish_will: bool) -> None:
        found = self._clients.pop(client, None)
        if found is None:
            return
        for filter_ in found.filters:
            if filter_ in self._exact:
                self._exact[filter_].pop(client, None)
        self._wild = [entry for entry in self._wild if entry[1] != client]
        if publish_will and found.will is not None:
            self.publish(None, found.will, now)

    def restart(self, now: float, memory: bool) -> list[str]:
        """The broker restarts; every client is dropped. Returns their names."""
        names = list(self._clients)
        self._clients.clear()
        self._exact.clear()
        self._wild.clear()
        self._queue.clear()
        self._wills.clear()
        if not memory:
            self._retained.clear()
        return names

    # ---- messages -------------------------------------------------------------------------------

    def carry(self, happenings: Iterable[tuple[str, Happening]], now: float) -> None:
        """What simulated gear does, each by its client: it joins, speaks, leaves or vanishes."""
        for client, what in happenings:
            if isinstance(what, Joined):
                self.connect(client, now, what.will, what.keep_alive)
                self.subscribe(client, list(what.subscriptions), now)
            elif isinstance(what, Left):
                self.disconnect(client, now)
            elif isinstance(what, Vanished):
                self.vanish(client, now)
            else:
                self.publish(client, what, now)

    def publish(self, client: str | None, message: Message, now: float) -> None:
        """A message comes in (client None: the broker's own, a will)."""
        if client is not None and client not in self._clients:
            return
        until = None if message.expiry is None else now + message.expiry
        if message.retain:
            if message.payload:
                self._retained[message.topic] = (message, until)
            else:
                self._retained.pop(message.topic, None)
        live = replace(message, retain=False, expiry=None) if message.retain else message
        receivers = dict(self._exact.get(message.topic, ()))
        for filter_, name, qos in self._wild:
            if matches(filter_, message.topic):
                receivers[name] = max(qos, receivers.get(name, 0))
        for name, qos in receivers.items():
            lowered = live if qos >= live.qos else replace(live, qos=qos)
            self._send(name, lowered, until, now)

    def forget_or_keep(self, topic: str, payload: bytes | None) -> None:
        """Trouble by hand: put a stale retained message there, or lose one (None)."""
        if payload is None:
            self._retained.pop(topic, None)
        else:
            self._retained[topic] = (Message(topic, payload, retain=True), None)

    @property
    def retained(self) -> dict[str, bytes]:
        return {topic: message.payload for topic, (message, _) in self._retained.items()}

    def _send(self, client: str, message: Message, until: float | None, now: float) -> None:
        found = self._clients[client]
        trouble, dice = self.trouble, self._dice
        at = now + trouble.delay
        if trouble.jitter:
            at += dice.random() * trouble.jitter
        if trouble.slow and dice.random() < trouble.slow:
            at += dice.random() * trouble.slow_for
        dup = False
        if trouble.loss and dice.random() < trouble.loss:
            if message.qos == 0:
                return
            at += trouble.again
            dup = True
        if not (trouble.reorder and dice.random() < trouble.reorder):
            at = max(at, found.last_at)
            found.last_at = at
        if dup:
            message = replace(message, dup=True)
        self._push(at, client, found.generation, message, until)
        if message.qos > 0 and trouble.duplicate and dice.random() < trouble.duplicate:
            later = at + dice.random() * trouble.again
            self._push(later, client, found.generation, replace(message, dup=True), until)

    def _push(
        self, at: float, client: str, generation: int, message: Message, until: float | None
    ) -> None:
        self._count += 1
        heapq.heappush(self._queue, (at, self._count, client, generation, message, until))

    def next_wake(self) -> float | None:
        """When something is to be delivered, or a lost client noticed."""
        times = [heap[0][0] for heap in (self._queue, self._wills) if heap]
        return min(times) if times else None

    def due(self, now: float) -> list[tuple[float, str, Message]]:
        """Everything delivered up to now, in order: (time, client, message)."""
        out: list[tuple[float, str, Message]] = []
        while True:
            at = self.next_wake()
            if at is None or at > now:
                return out
            if self._wills and self._wills[0][0] == at:
                _, _, client, generation = heapq.heappop(self._wills)
                found = self._clients.get(client)
                if found is not None and found.generation == generation:
                    self._gone(client, at, publish_will=True)
                continue
            at, _, client, generation, message, until = heapq.heappop(self._queue)
            found = self._clients.get(client)
            if found is None or found.generation != generation:
                continue
            if until is not None and at >= until:
                continue
            self.delivered += 1
            out.append((at, client, message))
