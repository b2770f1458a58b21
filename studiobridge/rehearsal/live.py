"""The room over real MQTT: the same simulated gear, a real broker, a clock.

One thread serves all the gear. Each device that speaks is an MQTT client of its own, because
a last will belongs to a connection, and what a device says when its power fails is its will.
"""

from __future__ import annotations

import contextlib
import os
import queue
import selectors
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from sacn.messages.data_packet import DataPacket

from studiobridge.craft.chroma import Colour
from studiobridge.profile.model import SetProfile
from studiobridge.rehearsal.devices import GIVEN_UP_AFTER, Happening, Joined, Left, Vanished
from studiobridge.rehearsal.room import Room
from studiobridge.speech.message import Message

# How long (s) the thread sleeps at most: keep-alive and room are looked after this often.
LONGEST_SLEEP = 0.25
KEEP_ALIVE = 60
# How often (s) every client's keep-alive is looked after.
MISC_EVERY = 1.0
# Where fixtures on slots listen (ANSI E1.31), and the longest packet there.
FRAMES_PORT = 5568
LONGEST_FRAME = 2048


def _listen(profile: SetProfile) -> socket.socket:
    """A socket for frames, on an address of this machine's own where no rehearsal listens yet.

    Raises RuntimeError where there is none.
    """
    pid = os.getpid()
    said = [to for u in profile.universes.values() for to in u.to if to.startswith("127.")]
    others = ["127.0.0.1", f"127.{pid % 200 + 1}.{pid // 200 % 250}.2", "127.251.0.2"]
    for address in [*said[:1], *others]:
        made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            made.bind((address, FRAMES_PORT))
        except OSError:
            made.close()
            continue
        made.setblocking(False)
        return made
    raise RuntimeError(f"something on this machine has UDP port {FRAMES_PORT}: fixtures need it")


class LiveRoom:
    """Gear that lives. `pace` 2 makes all its waits half as long. A context manager."""

    def __init__(
        self,
        profile: SetProfile,
        host: str,
        port: int,
        seed: int = 0,
        pace: float = 1.0,
        admitted: Callable[[mqtt.Client, str], None] | None = None,
    ) -> None:
        """`admitted` gives a device's client what its broker wants of it: TLS, a password."""
        self._admitted = admitted
        # frames come to an address of this machine: nothing of a rehearsal leaves it
        self._frames = _listen(profile) if profile.universes else None
        self.profile = profile
        if self._frames is not None:
            to = (str(self._frames.getsockname()[0]),)
            universes = {n: replace(u, to=to) for n, u in profile.universes.items()}
            self.profile = replace(profile, universes=MappingProxyType(universes))
        self.room = Room(self.profile, seed)
        for device in self.room.devices.values():
            device.loss_after = GIVEN_UP_AFTER * max(1.0, pace)
        self.pace = pace
        self._host = host
        self._port = port
        self._began = time.monotonic()
        self._clients: dict[str, mqtt.Client] = {}
        self._sockets: dict[str, Any] = {}
        # what a device says before its subscriptions stand waits: it could not be told anything
        self._held: dict[str, list[Message]] = {}
        self._selector = selectors.DefaultSelector()
        self._todo: queue.SimpleQueue[Callable[[], list[tuple[str, Happening]]]] = (
            queue.SimpleQueue()
        )
        self._bell, self._button = socket.socketpair()
        self._bell.setblocking(False)
        self._selector.register(self._bell, selectors.EVENT_READ, None)
        if self._frames is not None:
            self._selector.register(self._frames, selectors.EVENT_READ, None)
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._work, name="room", daemon=True)
        self._topics: set[str] = set()
        # clients that may have something to send, in order
        self._to_write: dict[str, None] = {}
        self._misc_at = 0.0
        self.error: str | None = None
        # when (monotonic s) any of it was last told or asked something
        self.told_at = self._began

    def now(self) -> float:
        """The room's own time (s): real time at the room's pace."""
        return (time.monotonic() - self._began) * self.pace

    def __enter__(self) -> LiveRoom:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self, up: bool = False) -> None:
        """Everything that has mains connects."""
        self._thread.start()
        self.do(lambda: self.room.begin(self.now(), up))

    def stop(self) -> None:
        """Everything leaves; what it had left on the broker is taken back."""
        if not self._thread.is_alive():
            return
        self._ending.set()
        self._ring()
        self._thread.join(timeout=5.0)
        self._selector.close()
        if self._frames is not None:
            self._frames.close()
        self._bell.close()
        self._button.close()

    # ---- people's hands -----------------------------------------------------------------------

    def do(self, hand: Callable[[], list[tuple[str, Happening]]]) -> None:
        """Let a hand do something to the room, in the room's own thread."""
        self._todo.put(hand)
        self._ring()

    def touch(
        self,
        name: str,
        level: float | None = None,
        cct: float | None = None,
        colour: Colour | None = None,
    ) -> None:
        self.do(lambda: self.room.touch(name, self.now(), level, cct, None, colour))

    def press(self, name: str, on: bool) -> None:
        self.do(lambda: self.room.touch(name, self.now(), switch=on))

    def roll(self, name: str, rolling: bool) -> None:
        self.do(lambda: self.room.roll(name, self.now(), rolling))

    def _ring(self) -> None:
        with contextlib.suppress(OSError):
            self._button.send(b"!")

    # ---- the thread -----------------------------------------------------------------------------

    def _work(self) -> None:
        try:
            while not self._ending.is_set():
                self._turn()
        except Exception as error:  # said by whoever runs the room
            self.error = f"the simulated room failed: {type(error).__name__}: {error}"
        finally:
            self._leave()

    def _turn(self) -> None:
        due = self.room.next_wake()
        sleep = LONGEST_SLEEP
        if due is not None:
            sleep = min(sleep, max(0.0, (due - self.now()) / self.pace))
        for key, _ in self._selector.select(sleep):
            if key.fileobj is self._bell:
                with contextlib.suppress(OSError):
                    self._bell.recv(4096)
            elif key.fileobj is self._frames:
                self._take_frames()
            else:
                self._read(key.data)
        while True:
            try:
                hand = self._todo.get_nowait()
            except queue.Empty:
                break
            self._carry(hand())
        self._carry(self.room.tick(self.now()))
        self._write()
        if time.monotonic() >= self._misc_at:
            self._misc_at = time.monotonic() + MISC_EVERY
            for name, client in list(self._clients.items()):
                if client.loop_misc() != mqtt.MQTT_ERR_SUCCESS:
                    self._lost(name)
            self._write()

    def _take_frames(self) -> None:
        while self._frames is not None:
            try:
                raw = self._frames.recv(LONGEST_FRAME)
            except OSError:
                return
            try:
                packet = DataPacket.make_data_packet(raw)
            except Exception:
                continue  # what is no frame is nothing to a fixture
            self.told_at = time.monotonic()
            last = packet.option_StreamTerminated
            self._carry(self.room.frame(packet.universe, packet.dmxData, last, self.now()))

    def _write(self) -> None:
        """Send what waits. A thousand clients: only those that may have something are asked."""
        names, self._to_write = self._to_write, {}
        for name in names:
            client = self._clients.get(name)
            if client is None:
                continue
            while client.want_write():
                if client.loop_write() != mqtt.MQTT_ERR_SUCCESS:
                    break
            if client.want_write():
                self._to_write[name] = None

    def _read(self, name: str) -> None:
        client = self._clients.get(name)
        self._to_write[name] = None  # an acknowledgement, a subscription
        if client is not None and client.loop_read() != mqtt.MQTT_ERR_SUCCESS:
            self._lost(name)

    def _lost(self, name: str) -> None:
        if name in self._clients:
            self._close(name, politely=False)
            self._carry(self.room.dropped(name, self.now()))

    def _carry(self, happenings: list[tuple[str, Happening]]) -> None:
        for name, what in happenings:
            if isinstance(what, Joined):
                self._join(name, what)
            elif isinstance(what, Message):
                client = self._clients.get(name)
                if client is not None:
                    self._to_write[name] = None
                    if what.retain:
                        self._topics.add(what.topic)
                    if name in self._held:
                        self._held[name].append(what)
                    else:
                        client.publish(what.topic, what.payload, what.qos, what.retain)
            elif isinstance(what, Left):
                self._close(name, politely=True)
            elif isinstance(what, Vanished):
                self._close(name, politely=False)

    def _join(self, name: str, joined: Joined) -> None:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"gear-{self.profile.name}-{name}",
            protocol=mqtt.MQTTv5,
        )
        if joined.will is not None:
            will = joined.will
            self._topics.add(will.topic)
            client.will_set(will.topic, will.payload, will.qos, will.retain)
        client.on_message = lambda _c, _d, said: self._told(name, said)
        if self._admitted is not None:
            self._admitted(client, name)
        try:
            client.connect(self._host, self._port, KEEP_ALIVE)
        except OSError:
            self._carry(self.room.dropped(name, self.now()))
            return
        sock: Any = client.socket()
        if sock is None:
            return
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        filters = list(joined.subscriptions)
        if filters:
            client.on_connect = lambda c, _d, _f, _r, _p: c.subscribe(filters)
            client.on_subscribe = lambda c, _d, _m, _r, _p: self._subscribed(name, c)
        else:
            client.on_connect = lambda c, _d, _f, _r, _p: self._subscribed(name, c)
        self._held[name] = []
        self._to_write[name] = None
        self._clients[name] = client
        self._sockets[name] = sock
        self._selector.register(sock, selectors.EVENT_READ, name)

    def _told(self, name: str, said: mqtt.MQTTMessage) -> None:
        self.told_at = time.monotonic()
        message = Message(said.topic, bytes(said.payload), said.qos, said.retain)
        self._carry(self.room.handle(name, message, self.now()))

    def _subscribed(self, name: str, client: mqtt.Client) -> None:
        for message in self._held.pop(name, ()):
            client.publish(message.topic, message.payload, message.qos, message.retain)

    def _close(self, name: str, politely: bool) -> None:
        client = self._clients.pop(name, None)
        sock = self._sockets.pop(name, None)
        self._held.pop(name, None)
        if client is None:
            return
        if sock is not None:
            with contextlib.suppress(KeyError, ValueError):
                self._selector.unregister(sock)
        if politely:
            while client.want_write():
                if client.loop_write() != mqtt.MQTT_ERR_SUCCESS:
                    break
            client.disconnect()
            while client.want_write():
                if client.loop_write() != mqtt.MQTT_ERR_SUCCESS:
                    break
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.close()

    def _leave(self) -> None:
        for name in list(self._clients):
            self._close(name, politely=True)
        if not self._topics or self._admitted is not None:
            return  # a broker that wants names lets nobody clean up for others
        cleaner = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        with contextlib.suppress(OSError):
            cleaner.connect(self._host, self._port, KEEP_ALIVE)
            cleaner.loop_start()
            for topic in self._topics:
                cleaner.publish(topic, b"", 1, True).wait_for_publish(1.0)
            cleaner.disconnect()
            cleaner.loop_stop()
