"""The link: which protocol, what a cut leaves behind, what a broker does with what it had begun."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from studiobridge.bridge.link import CannotConnect, Link
from studiobridge.bridge.settings import BrokerSettings
from studiobridge.rehearsal.embedded import free_ports
from studiobridge.speech.message import Message
from tests.brokers import Aedes, Amqtt, Mosquitto, Proxy, Sub, broker_of, needs_mosquitto, pub

pytestmark = needs_mosquitto


class Heard:
    def __init__(self) -> None:
        self.messages: list[Message] = []
        self.acks: list[int] = []
        self.faults: list[str] = []
        self.downs: list[str] = []
        self.subscribed = asyncio.Event()


def link_to(port: int, heard: Heard, **more: Any) -> Link:
    return Link(
        BrokerSettings(host="127.0.0.1", port=port, keep_alive=5, **more),
        f"test-{port}-{id(heard)}",
        will=None,
        subscriptions=lambda: [("back/#", 1)],
        on_up=lambda: None,
        on_down=heard.downs.append,
        on_message=heard.messages.append,
        on_ack=heard.acks.append,
        on_subscribed=heard.subscribed.set,
        on_fault=heard.faults.append,
    )


async def until(test: Callable[[], bool], within: float = 10.0) -> None:
    async with asyncio.timeout(within):
        while not test():
            await asyncio.sleep(0.01)


# ---- which protocol --------------------------------------------------------------------------


@pytest.mark.parametrize("times", [1, 2])
def test_a_hang_up_at_connect_does_not_lower_the_protocol(times: int, tmp_path: Path) -> None:
    """A proxy in front of a broker that restarts accepts, and closes."""

    async def evening(port: int) -> None:
        heard = Heard()
        link = link_to(port, heard)
        proxy.hang_up_next = times
        await link.connect()
        assert link.protocol5
        await link.close()

    with Mosquitto(tmp_path) as broker, Proxy(broker.port) as proxy:
        asyncio.run(evening(proxy.port))


def test_every_reconnect_tries_5_first(tmp_path: Path) -> None:
    """Three hang-ups lower it for one connection; the next is in 5 again."""

    async def evening(port: int) -> None:
        heard = Heard()
        link = link_to(port, heard)
        proxy.hang_up_next = 3
        task = asyncio.create_task(link.run())
        await until(lambda: link.connected, 15)
        assert not link.protocol5
        link.cut("a test")
        await until(lambda: link.connected, 15)
        assert link.protocol5
        await link.close()
        task.cancel()

    with Mosquitto(tmp_path) as broker, Proxy(broker.port) as proxy:
        asyncio.run(evening(proxy.port))


@pytest.mark.parametrize("kind", [Amqtt, Aedes])
def test_a_broker_that_knows_only_3_1_1_is_reached(kind: Any, tmp_path: Path) -> None:
    """amqtt is silent on a CONNECT of MQTT 5, aedes refuses its version."""

    async def evening(port: int) -> None:
        heard = Heard()
        link = link_to(port, heard)
        await link.connect()
        assert not link.protocol5
        task = asyncio.create_task(link.stay())
        await asyncio.wait_for(heard.subscribed.wait(), 5)
        assert link.publish(Message("back/here", b"1", qos=1), token=7)
        await until(lambda: bool(heard.messages and heard.acks))
        assert (heard.messages[0].payload, heard.acks) == (b"1", [7])
        await link.close()
        task.cancel()

    with kind(tmp_path) as broker:
        asyncio.run(evening(broker.port))


def test_silence_is_no_broker_of_3_1_1(tmp_path: Path) -> None:
    """Nothing but silence: said, and the next try is in 5 again."""

    async def evening(port: int) -> None:
        heard = Heard()
        link = link_to(port, heard)
        proxy.hang_up_next = 100
        with pytest.raises(CannotConnect, match="hung up"):
            await link.connect()
        proxy.hang_up_next = 0
        await link.connect()
        assert link.protocol5
        await link.close()

    with Mosquitto(tmp_path) as broker, Proxy(broker.port) as proxy:
        asyncio.run(evening(proxy.port))


# ---- what a cut leaves behind ---------------------------------------------------------------


@contextlib.contextmanager
def deaf_broker() -> Any:
    """Says yes to a CONNECT, and then reads nothing more until it is told to."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        yield server


def test_a_cut_throws_away_what_was_not_sent_and_a_reconnect_sends_nothing_old() -> None:
    """What waits in paho and in the kernel when the link is cut never reaches anybody."""

    async def evening() -> None:
        loop = asyncio.get_running_loop()
        with deaf_broker() as server:
            server.setblocking(False)
            heard = Heard()
            link = link_to(server.getsockname()[1], heard, protocol="5")
            connecting = asyncio.create_task(link.connect())
            here, _ = await loop.sock_accept(server)
            await loop.sock_recv(here, 100)
            await loop.sock_sendall(here, bytes([0x20, 3, 0, 0, 0]))  # CONNACK, no properties
            await connecting
            for i in range(200):
                link.publish(Message(f"old/{i}", b"x" * 100_000, qos=1, expiry=2.0))
            started = time.monotonic()
            link.cut("a test")
            assert time.monotonic() - started < 0.5
            assert heard.downs == ["a test"]
            assert not link.publish(Message("late", b"1"))
            # a reset, and no goodbye: the other end sees its connection broken off
            await asyncio.sleep(0.2)
            got = b""
            with pytest.raises(ConnectionResetError):
                while part := here.recv(1 << 20):
                    got += part
            assert b"old/199" not in got
            here.close()
            connecting = asyncio.create_task(link.connect())
            again, _ = await loop.sock_accept(server)
            await loop.sock_recv(again, 100)
            await loop.sock_sendall(again, bytes([0x20, 3, 0, 0, 0]))
            await connecting
            await asyncio.sleep(0.3)
            assert b"old/" not in await loop.sock_recv(again, 1 << 20)
            link.cut("the end")
            again.close()

    asyncio.run(evening())


@pytest.mark.skipif(not hasattr(socket, "TCP_USER_TIMEOUT"), reason="Linux has it")
def test_the_kernel_gives_up_what_is_not_acknowledged(tmp_path: Path) -> None:
    async def evening(port: int) -> None:
        link = link_to(port, Heard())
        await link.connect()
        sock: Any = link._socket
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 10_000
        await link.close()

    with Mosquitto(tmp_path) as broker:
        asyncio.run(evening(broker.port))


# ---- what a broker does with what it had begun to deliver -----------------------------------


def device_with_a_session(port: int, got: list[tuple[float, bytes, bool]]) -> mqtt.Client:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "a-plug", protocol=mqtt.MQTTv5)
    client.on_message = lambda c, d, m: got.append((time.monotonic(), m.payload, bool(m.dup)))
    keeps = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    keeps.SessionExpiryInterval = 3600
    client.connect("127.0.0.1", port, 60, clean_start=False, properties=keeps)
    client.subscribe("plug/in", 1)
    client.loop_start()
    return client


@pytest.mark.parametrize("kind", ["mosquitto", "embedded"])
@pytest.mark.parametrize(("qos", "life"), [(1, 2), (0, 2), (1, None)])
def test_a_command_to_a_device_that_hangs_and_comes_back_with_its_session(
    kind: str, qos: int, life: int | None, tmp_path: Path
) -> None:
    """What a broker does when the life of a command ends while it is being delivered.

    The device keeps its session; its connection is half open when the command comes, and it
    connects anew after the command's life. The standard lets a broker deliver it then.
    """
    with broker_of(kind, tmp_path) as port, Proxy(port) as proxy:
        got: list[tuple[float, bytes, bool]] = []
        device = device_with_a_session(proxy.port, got)
        time.sleep(0.5)
        proxy.hold("up", "down")
        more = ["-D", "publish", "message-expiry-interval", str(life)] if life else []
        pub(port, "plug/in", "on", *more, "-q", str(qos))
        time.sleep(3.5)
        assert got == []
        device.loop_stop()
        device._sock.close()  # type: ignore[union-attr]
        late: list[tuple[float, bytes, bool]] = []
        again = device_with_a_session(port, late)
        time.sleep(1.5)
        again.disconnect()
        again.loop_stop()
        print(kind, qos, life, late)
        assert [payload for _, payload, _ in late] == ([] if life else [b"on"])


# ---- what is larger than the broker takes ----------------------------------------------------


def test_a_message_larger_than_the_broker_takes_is_refused_and_the_link_stays(
    tmp_path: Path,
) -> None:
    port = free_ports(1)[0]
    config = f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_packet_size 2000\nuser root\n"

    async def talk() -> None:
        heard = Heard()
        link = link_to(port, heard)
        await link.connect()
        staying = asyncio.create_task(link.stay())
        await asyncio.wait_for(heard.subscribed.wait(), 5)
        try:
            # exactly what the broker takes, byte by byte: one byte of type, two of length,
            # two and the topic, two of the id, one of properties
            fits = 2000 - 1 - 2 - 2 - len("back/a") - 2 - 1
            assert not link.publish(Message("back/a", b"x" * (fits + 1), qos=1))
            assert not link.publish(Message("back/a", b"x" * 50_000, qos=1))
            assert link.publish(Message("back/a", b"x" * fits, qos=1))
            more = Message("back/b", b"y" * fits, qos=1, expiry=2.0, correlation=b"id")
            assert not link.publish(more)
            assert link.publish(Message("back/c", b"z", qos=1))
            await until(lambda: [m.topic for m in heard.messages] == ["back/a", "back/c"])
            assert heard.downs == []
            # said once a topic, not with every announcement
            assert len(heard.faults) == 2
            assert "back/a" in heard.faults[0] and "2000" in heard.faults[0]
        finally:
            await link.close()
            staying.cancel()

    with Mosquitto(tmp_path, config, port):
        asyncio.run(talk())


# ---- written at once -------------------------------------------------------------------------


def test_what_is_flushed_is_with_the_broker_while_this_process_does_something_else(
    tmp_path: Path,
) -> None:
    async def talk(port: int) -> None:
        heard = Heard()
        link = link_to(port, heard)
        link.flush()  # without a connection there is nothing to hand over
        await link.connect()
        staying = asyncio.create_task(link.stay())
        await asyncio.wait_for(heard.subscribed.wait(), 5)
        assert link.publish(Message("out/now", b"on", qos=0, retain=True))
        link.flush()
        # the loop gets no turn: what the broker has now was written before
        assert [line.split()[-1] for line in Sub(port, "out/now").lines(1.0)] == ["on"]
        await link.close()
        staying.cancel()

    with Mosquitto(tmp_path) as broker:
        asyncio.run(talk(broker.port))
