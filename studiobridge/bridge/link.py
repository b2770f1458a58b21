"""The link to the broker: one paho client inside the event loop, no thread of its own.

The rules:

- Nothing is queued while the link is down: `publish` says no, and an old command can not leave
  later (law 10). The session is clean, and every connection has a client of its own, so what an
  earlier one had not written yet is gone with it.
- `cut` resets the connection (SO_LINGER 0): what lies in the buffers of this machine is thrown
  away, not flushed. The same happens when the process is killed. Only a goodbye is flushed.
- After a cut it connects again under the same client id: the broker ends the old connection when
  it sees the new one, and with it what some box on the way still held of it.
- The kernel gives up what was sent and not acknowledged after `NETWORK_SILENT` (TCP_USER_TIMEOUT).
- Commands carry a message expiry on MQTT 5. On 3.1.1, which has none, they go at QoS 0, which
  a broker does not keep for a device that is away.
- Every connection is tried with MQTT 5 first. 3.1.1 is spoken when the broker refuses the
  version, or hung up or kept silent `LOWERED_AFTER` times in a row right after CONNECT: some
  that know only 3.1.1 do that. It is spoken on that one connection; the next tries 5 again, once.
- Subscriptions are made anew on every connect; what comes before the last SUBACK is still
  handed on.
- Connecting and the TLS handshake happen in a thread, reading and writing in the loop.
- A message larger than the broker says it takes is refused here, with a fault a topic: the
  broker would hang up on it, and at the next announcement again.
- An exception in a handler is reported and ends nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import random
import socket
import ssl
import struct
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from studiobridge.bridge.settings import BrokerSettings
from studiobridge.speech.message import Message

# How often (s) paho looks after keep-alive; a fifth of the shortest keep-alive allowed.
MISC_EVERY = 1.0
# Waits (s) between tries to connect: doubled each time, never longer than the last.
FIRST_WAIT = 0.5
LONGEST_WAIT = 30.0
# Give a broker that accepts and says nothing so long (s) to answer.
CONNACK_WITHIN = 10.0
# And this long where it may be silent because it knows no MQTT 5: over a slow link of 3 s there and
# back its answer still comes in time, and three of them are not too long to wait for.
SILENT_5 = 4.0
# So many hang-ups or silences in a row right after CONNECT mean a broker that knows no MQTT 5.
LOWERED_AFTER = 3
# Waits (s) between these tries: a proxy in front of a broker that restarts gets time for it.
BETWEEN_TRIES = 0.5
# What TCP sent and was not acknowledged in so long (s) ends the connection.
NETWORK_SILENT = 10.0
# Messages read in one go, before timers and others get their turn.
READ_AT_ONCE = 200


# A filter that nobody subscribes to: the answer to taking it back tells that a link is alive.
PROBED = "studiobridge/no-one/probe"
# Topics whose messages were too large are named once a connection, and no more of them than this.
REFUSALS_SAID = 50

# SO_LINGER as the kernel wants it: (on, seconds). On and 0 s: a close is a reset.
RESET = struct.pack("ii", 1, 0)
FLUSH = struct.pack("ii", 0, 0)


def packet_size(message: Message, qos: int, properties: Properties | None) -> int:
    """Bytes of the PUBLISH of MQTT 5 that carries this message (MQTT 5.0, 3.3)."""
    rest = 2 + len(message.topic.encode()) + (2 if qos > 0 else 0) + len(message.payload)
    rest += 1 if properties is None else len(properties.pack())  # type: ignore[no-untyped-call]
    # a byte for the kind of packet, and the length in groups of seven bits
    return 1 + max(1, math.ceil(rest.bit_length() / 7)) + rest


class CannotConnect(Exception):
    """The broker cannot be used as asked. `final`: trying again will not help."""

    def __init__(self, text: str, final: bool) -> None:
        super().__init__(text)
        self.final = final


class _RefusesVersion(CannotConnect):
    """Its CONNACK says that it does not speak this version."""


class _NotUnderstood(CannotConnect):
    """It hung up on a CONNECT of MQTT 5, or said nothing to it."""


class Link:
    """A connection to a broker that comes back by itself. Lives in one asyncio loop."""

    def __init__(
        self,
        broker: BrokerSettings,
        client_id: str,
        *,
        will: Message | None,
        subscriptions: Callable[[], list[tuple[str, int]]],
        on_up: Callable[[], None],
        on_down: Callable[[str], None],
        on_message: Callable[[Message], None],
        on_ack: Callable[[int], None] = lambda token: None,
        on_subscribed: Callable[[], None] = lambda: None,
        on_fault: Callable[[str], None] = lambda text: None,
    ) -> None:
        self.broker = broker
        self.client_id = client_id
        self.connected = False
        # filters the broker would not have on this connection
        self.refused = 0
        self.protocol5 = broker.protocol != "3.1.1"
        # hang-ups and silences right after a CONNECT of MQTT 5, in a row
        self._not_understood = 0
        self._will = will
        self._subscriptions = subscriptions
        self._on_up = on_up
        self._on_down = on_down
        self._on_message = on_message
        self._on_ack = on_ack
        self._on_subscribed = on_subscribed
        self._on_fault = on_fault
        self._loop = asyncio.get_running_loop()
        self._client: mqtt.Client | None = None
        self._tokens: dict[int, int] = {}
        self._probes: dict[int, Callable[[], None]] = {}
        # the largest packet (bytes) this broker takes, where it says so; what was refused for it
        self._largest: int | None = None
        self._too_large: set[str] = set()
        self._first_subscription: int | None = None
        self._connack: asyncio.Future[ReasonCode] | None = None
        self._lost: asyncio.Event = asyncio.Event()
        self._socket: Any = None
        self._closing = False

    # ---- connecting ----------------------------------------------------------------------

    async def run(self) -> None:
        """Connect, and connect again, until cancelled or closed. Raises CannotConnect if final."""
        wait = FIRST_WAIT
        while not self._closing:
            try:
                await self.connect()
            except CannotConnect as error:
                if error.final:
                    raise
                self._on_fault(f"{error}; trying again in {wait:.1f} s")
                await asyncio.sleep(wait * random.uniform(0.8, 1.2))
                wait = min(wait * 2, LONGEST_WAIT)
                continue
            wait = FIRST_WAIT
            await self.stay()
            if not self._closing and not self._was_cut:
                await asyncio.sleep(FIRST_WAIT * random.uniform(0.2, 1.0))

    async def connect(self) -> None:
        """Connect, with MQTT 5 first. Raises CannotConnect; afterwards the link is up."""
        if self.broker.protocol != "auto":
            await self._try()
            return
        # who was found to know only 3.1.1 by silence is tried with 5 once, not three times again
        tries = 1 if self._not_understood >= LOWERED_AFTER else LOWERED_AFTER
        self.protocol5 = True
        for _ in range(tries):
            try:
                await self._try()
            except _RefusesVersion as error:
                self._on_fault(f"{error}; speaking 3.1.1")
                break
            except _NotUnderstood as error:
                self._not_understood += 1
                if self._not_understood < LOWERED_AFTER:
                    self._on_fault(f"{error}; trying again")
                    await asyncio.sleep(BETWEEN_TRIES)
                    continue
                self._on_fault(f"{error}, {self._not_understood} times in a row; trying 3.1.1")
            except CannotConnect:
                if self._not_understood < LOWERED_AFTER:
                    self._not_understood = 0  # not reached at all: that is not in a row
                raise
            else:
                self._not_understood = 0
                return
        self.protocol5 = False
        try:
            await self._try()
        except CannotConnect:
            # not that either: it is no broker that knows only 3.1.1, it is one in trouble
            self._not_understood = 0
            raise

    async def _try(self) -> None:
        """One connection in the protocol chosen."""
        self._lost.clear()
        self._was_cut = False
        self.refused = 0
        self._first_subscription = None
        client = self._make()
        self._client = client
        self._connack = self._loop.create_future()
        host, port = self.broker.address
        properties = None
        if self.protocol5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 0
        # the socket is made in a thread, where names and handshakes may block
        client.on_socket_open = None
        try:
            await asyncio.to_thread(
                client.connect,
                host,
                port,
                self.broker.keep_alive,
                clean_start=True if self.protocol5 else mqtt.MQTT_CLEAN_START_FIRST_ONLY,
                properties=properties,
            )
        except ssl.SSLCertVerificationError as error:
            text = f"{self.broker.shown}: its certificate does not hold: {error.verify_message}"
            raise CannotConnect(text, final=True) from None
        except ssl.SSLError as error:
            text = f"{self.broker.shown}: TLS was not agreed on: {error.reason or error}"
            raise CannotConnect(text, final=False) from None
        except (OSError, ValueError) as error:
            said = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
            raise CannotConnect(f"{self.broker.shown} is not reached: {said}", False) from None
        self._watch(client)
        try:
            unsure = self.protocol5 and self.broker.protocol == "auto"
            async with asyncio.timeout(SILENT_5 if unsure else CONNACK_WITHIN):
                code = await self._connack
        except TimeoutError:
            self._drop(client)
            text = f"{self.broker.shown} accepts and says nothing"
            raise self._misunderstood(text) from None
        except ConnectionError as error:
            self._drop(client)
            raise self._misunderstood(f"{self.broker.shown}: {error}") from None
        except BaseException:
            self._drop(client)
            raise
        if code.is_failure:
            self._drop(client)
            name = str(code)
            if "protocol version" in name.lower() and self.broker.protocol == "auto":
                raise _RefusesVersion(f"{self.broker.shown} speaks no MQTT 5", False)
            words = name.lower()
            if "password" in words or "not authorized" in words or "banned" in words:
                who = f"user {self.broker.user}" if self.broker.user else "no user"
                raise CannotConnect(
                    f"{self.broker.shown} refuses {who}: {name}; check user and password file",
                    final=True,
                )
            raise CannotConnect(f"{self.broker.shown} refuses: {name}", final=False)
        self.connected = True
        self.subscribe(self._subscriptions())
        self._guard(self._on_up)

    def _misunderstood(self, text: str) -> CannotConnect:
        return (_NotUnderstood if self.protocol5 else CannotConnect)(text, False)

    def _make(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.client_id,
            protocol=mqtt.MQTTv5 if self.protocol5 else mqtt.MQTTv311,
            clean_session=None if self.protocol5 else True,
        )
        client.connect_timeout = CONNACK_WITHIN
        if self.broker.user is not None:
            password = self.broker.password
            client.username_pw_set(
                self.broker.user, password.get_secret_value() if password is not None else None
            )
        tls = self.broker.tls
        if tls is not None:
            context = ssl.create_default_context(cafile=str(tls.ca) if tls.ca else None)
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            if tls.cert is not None:
                try:
                    context.load_cert_chain(str(tls.cert), str(tls.key) if tls.key else None)
                except (OSError, ssl.SSLError) as error:
                    raise CannotConnect(
                        f"the client certificate is not usable: {error}", True
                    ) from None
            if not tls.verify:
                context.check_hostname = False
                context.verify_mode = ssl.CERT_NONE
            client.tls_set_context(context)
        if self._will is not None:
            client.will_set(self._will.topic, self._will.payload, self._will.qos, self._will.retain)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_message = self._received
        client.on_publish = self._published
        client.on_subscribe = self._subscribed
        client.on_unsubscribe = self._unsubscribed
        return client

    # ---- the socket in the loop ----------------------------------------------------------

    def _watch(self, client: mqtt.Client) -> None:
        sock: Any = client.socket()
        if sock is None:
            return
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            # however this ends, also by a kill: what was not sent yet is thrown away
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
            if hasattr(socket, "TCP_USER_TIMEOUT"):
                silent = int(NETWORK_SILENT * 1000)
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, silent)
        self._socket = sock
        self._loop.add_reader(sock, self._readable, client)
        client.on_socket_close = lambda _client, _data, s: self._unwatch(s)
        client.on_socket_register_write = lambda _c, _d, s: self._loop.add_writer(
            s, self._writable, client
        )
        client.on_socket_unregister_write = self._stop_writing
        if client.want_write():
            self._writable(client)

    def _stop_writing(self, client: mqtt.Client, data: object, sock: Any) -> None:
        self._loop.remove_writer(sock)

    def _unwatch(self, sock: Any) -> None:
        with contextlib.suppress(ValueError, OSError):
            self._loop.remove_reader(sock)
        with contextlib.suppress(ValueError, OSError):
            self._loop.remove_writer(sock)
        if sock is self._socket:
            self._socket = None

    def _readable(self, client: mqtt.Client) -> None:
        """Read until nothing is left: TLS may hold more than the socket shows."""
        for _ in range(READ_AT_ONCE):
            sock = client.socket()
            if sock is None:
                return
            before = self._reads
            code = client.loop_read()
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
            if self._reads == before and not self._more(sock):
                return

    _reads = 0

    def _more(self, sock: Any) -> bool:
        pending = getattr(sock, "pending", None)
        return bool(pending is not None and pending() > 0)

    def _writable(self, client: mqtt.Client) -> None:
        client.loop_write()

    async def stay(self) -> None:
        """Until the link is lost, look after keep-alive."""
        while not self._lost.is_set():
            client = self._client
            if client is None:
                return
            client.loop_misc()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(MISC_EVERY):
                    await self._lost.wait()

    def cut(self, why: str) -> None:
        """Reset the connection now: nothing that was not sent yet is sent any more."""
        client = self._client
        if client is None or not self.connected:
            return
        self._was_cut = True
        self._drop(client)
        self._went(why)

    def _drop(self, client: mqtt.Client) -> None:
        """Close its socket, as a reset, behind the back of paho, which would say goodbye first."""
        client.on_socket_register_write = None
        client.on_socket_unregister_write = None
        client.on_disconnect = None
        sock = client.socket()
        if sock is None:
            return
        self._unwatch(sock)
        with contextlib.suppress(OSError):
            sock.close()

    _was_cut = False

    # ---- paho's callbacks ----------------------------------------------------------------

    def _guard(self, call: Callable[..., None], *values: object) -> None:
        try:
            call(*values)
        except Exception as error:  # whatever it is, the link must outlive it
            self._on_fault(f"a fault of the bridge itself: {type(error).__name__}: {error}")

    def _connected(
        self, client: mqtt.Client, data: object, flags: object, code: ReasonCode, props: object
    ) -> None:
        self._reads += 1
        self._largest = getattr(props, "MaximumPacketSize", None)
        self._too_large.clear()
        if self._connack is not None and not self._connack.done():
            self._connack.set_result(code)

    def _disconnected(
        self, client: mqtt.Client, data: object, flags: object, code: ReasonCode, props: object
    ) -> None:
        self._reads += 1
        if self._connack is not None and not self._connack.done():
            self._connack.set_exception(ConnectionError(f"it hung up: {code}"))
        self._went(str(code))

    def _went(self, why: str) -> None:
        was = self.connected
        self.connected = False
        self._tokens.clear()
        self._probes.clear()
        self._lost.set()
        if was:
            self._guard(self._on_down, why)

    def subscribe(self, filters: list[tuple[str, int]]) -> None:
        """Subscribe to these filters now; again on each connect is the caller's to say."""
        client = self._client
        if client is None or not self.connected:
            return
        for start in range(0, len(filters), 100):
            part = filters[start : start + 100]
            options: Any = part
            if self.protocol5:
                options = [(f, SubscribeOptions(qos=q)) for f, q in part]
            result, mid = client.subscribe(options)
            if result == MQTTErrorCode.MQTT_ERR_SUCCESS and self._first_subscription is None:
                self._first_subscription = mid

    def _subscribed(
        self, client: mqtt.Client, data: object, mid: int, codes: list[ReasonCode], props: object
    ) -> None:
        self._reads += 1
        refused = [code for code in codes if code.is_failure]
        self.refused += len(refused)
        if refused:
            self._guard(
                self._on_fault,
                f"the broker refuses {len(refused)} subscriptions: {refused[0]};"
                " check the topic rights of this user",
            )
        if mid == self._first_subscription:
            self._guard(self._on_subscribed)

    def probe(self, answered: Callable[[], None]) -> bool:
        """Call back when the broker has had everything published so far, at QoS 0 too.

        An UNSUBSCRIBE of what nobody subscribed to: it changes nothing and is answered in order.
        """
        client = self._client
        if client is None or not self.connected:
            return False
        result, mid = client.unsubscribe(PROBED)
        if result != MQTTErrorCode.MQTT_ERR_SUCCESS or mid is None:
            return False
        self._probes[mid] = answered
        return True

    def _unsubscribed(
        self, client: mqtt.Client, data: object, mid: int, codes: object, props: object
    ) -> None:
        self._reads += 1
        answered = self._probes.pop(mid, None)
        if answered is not None:
            self._guard(answered)

    def _published(
        self, client: mqtt.Client, data: object, mid: int, code: ReasonCode, props: object
    ) -> None:
        self._reads += 1
        token = self._tokens.pop(mid, None)
        if token is not None:
            self._guard(self._on_ack, token)

    def _received(self, client: mqtt.Client, data: object, said: mqtt.MQTTMessage) -> None:
        self._reads += 1
        try:
            topic = said.topic
        except UnicodeDecodeError:
            return
        response = correlation = None
        if said.properties is not None:
            response = getattr(said.properties, "ResponseTopic", None)
            correlation = getattr(said.properties, "CorrelationData", None)
        self._guard(
            self._on_message,
            Message(
                topic,
                bytes(said.payload),
                said.qos,
                said.retain,
                None,
                response,
                correlation,
                said.dup,
            ),
        )

    # ---- publishing ----------------------------------------------------------------------

    def publish(self, message: Message, token: int | None = None) -> bool:
        """Send now, or not at all: False means it did not leave and never will."""
        client = self._client
        if client is None or not self.connected:
            return False
        properties = None
        qos = message.qos
        if self.protocol5:
            if message.expiry is not None or message.correlation or message.response_topic:
                properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
                if message.expiry is not None:
                    properties.MessageExpiryInterval = max(1, math.ceil(message.expiry))
                if message.correlation is not None:
                    properties.CorrelationData = message.correlation
                if message.response_topic is not None:
                    properties.ResponseTopic = message.response_topic
        elif message.expiry is not None:
            qos = 0
        if self._largest is not None:
            size = packet_size(message, qos, properties)
            if size > self._largest:
                self._refuse(message.topic, size)
                return False
        info = client.publish(message.topic, message.payload, qos, message.retain, properties)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return False
        if token is not None and qos > 0:
            self._tokens[info.mid] = token
        return True

    def _refuse(self, topic: str, size: int) -> None:
        if topic in self._too_large or len(self._too_large) >= REFUSALS_SAID:
            return
        self._too_large.add(topic)
        self._on_fault(
            f"not sent: {topic} takes {size} bytes, and {self.broker.shown} takes messages of"
            f" {self._largest} at most; raise its limit (max_packet_size in Mosquitto)"
        )

    def flush(self) -> None:
        """Hand what was published to the system before anything else runs in this process."""
        client = self._client
        if client is not None and self.connected:
            client.loop_write()

    async def drained(self, within: float = 1.0) -> None:
        """Wait until what was published has left this machine, or `within` s have passed."""
        client = self._client
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within):
                while client is not None and self.connected and client.want_write():
                    await asyncio.sleep(0.01)

    async def withdraw(self) -> None:
        """End without a word: neither what still waits here, nor the will."""
        client = self._client
        if client is not None and client.want_write():
            self._closing = True
            self.cut("withdrawn")
        else:
            await self.close()

    async def close(self) -> None:
        """Say goodbye and end. The will is not published: a goodbye is not a loss."""
        self._closing = True
        client = self._client
        if client is not None and self.connected:
            await self.drained()
            self.connected = False
            with contextlib.suppress(OSError, AttributeError):
                open_sock: Any = client.socket()
                open_sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, FLUSH)
            client.disconnect()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(1.0):
                    while client.want_write():
                        await asyncio.sleep(0.01)
            sock = client.socket()
            if sock is not None:
                self._unwatch(sock)
                with contextlib.suppress(OSError):
                    sock.close()
        self._lost.set()
