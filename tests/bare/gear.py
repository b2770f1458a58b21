"""A plug and a light outside of the machine, each with its own user, and somebody who watches."""

from __future__ import annotations

import ssl
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt

PROFILE = """\
format: 1
set: throwing-corner
title: Throwing corner
mains:
  voltage: 230 V
  circuits:
    wall: {breaker: 10 A, curve: B}
dialects:
  relay:
    switch:
      tell: {topic: "{at}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}
    ask: {topic: "{at}/report"}
  dimmer:
    level:
      tell: {topic: "{at}/in", span: 0..100}
      hear: {topic: "{at}/out", span: 0..100}
    ask: {topic: "{at}/report"}
devices:
  bench-plug: {kind: plug, fed_by: wall, speaks: relay, at: corner/plug}
  bench-light: {kind: light, fed_by: bench-plug, speaks: dimmer, at: corner/light, draws: 20 W, boots_in: 6 s, fade: 0.5 s}
patience: {listen: 1 s}
looks:
  throw: {bench-light: {level: 60 %}}
"""
SET = "throwing-corner"
DEVICES = {"bench-plug": "corner/plug", "bench-light": "corner/light"}


class Client:
    """Somebody on the broker, over TLS, who comes back by himself."""

    def __init__(self, port: int, authority: Path, user: str, password: str) -> None:
        self.user = user
        self.refused: str | None = None
        self.acknowledged: list[str] = []
        self._up = threading.Event()
        self._topics: list[str] = []
        self.client = mqtt.Client(
            mqtt.CallbackAPIVersion.VERSION2, client_id=f"bare-{user}", protocol=mqtt.MQTTv5
        )
        self.client.username_pw_set(user, password)
        self.client.tls_set_context(ssl.create_default_context(cafile=authority))
        self.client.reconnect_delay_set(1, 2)
        self.client.on_connect = self._connected
        self.client.on_message = lambda c, u, message: self.heard(message)
        self.client.on_publish = lambda c, u, mid, reason, p: self.acknowledged.append(str(reason))
        self._where = "localhost", port

    def start(self, *topics: str) -> Client:
        self._topics = list(topics)
        self.client.connect_async(*self._where, keepalive=5)
        self.client.loop_start()
        return self

    def up(self, within: float = 15.0) -> bool:
        return self._up.wait(within)

    def _connected(
        self, client: mqtt.Client, _u: object, _f: object, reason: object, _p: object
    ) -> None:
        if str(reason) != "Success":
            self.refused = str(reason)
            return
        for topic in self._topics:
            client.subscribe(topic, 1)
        self.began()
        self._up.set()

    def began(self) -> None: ...

    def heard(self, message: mqtt.MQTTMessage) -> None: ...

    def stop(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Gear(Client):
    """What was told it takes, and says so; it keeps its state whatever happens to the machine."""

    def __init__(self, port: int, authority: Path, user: str, password: str) -> None:
        super().__init__(port, authority, user, password)
        self.at = DEVICES[user]
        self.value = "0"

    def join(self) -> Gear:
        self.start(f"{self.at}/in", f"{self.at}/report")
        return self

    def began(self) -> None:
        self._say()

    def heard(self, message: mqtt.MQTTMessage) -> None:
        if message.topic.endswith("/in"):
            self.value = message.payload.decode()
        self._say()

    def _say(self) -> None:
        self.client.publish(f"{self.at}/out", self.value, 1, retain=True)


@dataclass(slots=True)
class Told:
    at: float
    topic: str
    value: str


@dataclass
class Watch:
    """Everything the gear is told, seen with the bridge's own rights."""

    port: int
    authority: Path
    password: str
    told: list[Told] = field(default_factory=list)

    def __enter__(self) -> Watch:
        self._client = Client(self.port, self.authority, "bridge", self.password)
        self._client.heard = self._heard  # type: ignore[method-assign]
        self._client.start("corner/#")
        assert self._client.up(), f"the watcher is not let in: {self._client.refused}"
        return self

    def __exit__(self, *_: object) -> None:
        self._client.stop()

    def _heard(self, message: mqtt.MQTTMessage) -> None:
        if message.topic.endswith("/in"):
            self.told.append(Told(time.monotonic(), message.topic, message.payload.decode()))

    def energised(self) -> list[Told]:
        return [told for told in self.told if told.value not in ("0", "0.0")]
