"""The universes of a set on the network: sockets, a thread, and whom else we hear there.

What a frame holds and when it is due is for universe.py; the packets are the library's (sacn), out
and in. Ours are the clock and the socket: the library's own loop sleeps between frames, its `flush`
sends a synchronisation packet to everybody on the network, and its socket waits.

- Frames leave only under the lease of the set (`lease`, by the clock that also counts suspends):
  whoever lost the set, stood still or stood down sends none. It does not say that the stream ends,
  for nothing ended it: a fixture keeps what it has for 2.5 s at least, and one that holds for ever.
- Sending never waits. What the network does not take is said for its universe, and tried again.
- Where a universe goes out by multicast we listen too, and say who else sends on it with a
  priority no lower than ours. Nothing is done about it: two sources that fight are worse.

`Stream` may be called from any thread.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import struct
import threading
import time
import uuid
from collections.abc import Callable, Collection, Mapping
from pathlib import Path

from sacn.messages.data_packet import DataPacket, calculate_multicast_addr

from studiobridge.bridge.rights import make_private_folder
from studiobridge.bridge.universe import GIVEN_UP_AFTER, GOES_ON_WITHIN, Frame, universes_of
from studiobridge.profile.model import Point, SetProfile, Universe

PORT = 5568
# A universe whose frames the network does not take is tried this often (s) even within a fade: a
# network that is away costs no processor time.
TRY_AGAIN = 0.5
# How often (s) the thread looks around when nothing is due.
LOOK = 1.0
# Who else sends is said anew so often (s) at most: a source may change its name in every packet.
SAID_EVERY = 1.0
# The longest packet of the protocol is 1144 bytes.
LONGEST = 2048
# Routers a frame may pass where a network routes multicast at all (the library's own figure).
HOPS = 8
CID_FILE = "e131-source"

# Says of a universe what is wrong with it, for a person, or that nothing is any more (None).
Told = Callable[[int, str | None], None]


def awake() -> float:
    """Seconds that also pass while this machine is suspended, where the system counts them."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


def source_of(data: Path) -> tuple[uuid.UUID, str | None]:
    """The number by which receivers know this bridge, kept in its data folder.

    Where it cannot be kept it is a new one each time; the second value then says why.
    """
    path = data / CID_FILE
    why = "there is no number in it"
    try:
        return uuid.UUID(path.read_text(encoding="ascii").strip()), None
    except FileNotFoundError:
        why = ""
    except (OSError, ValueError) as error:
        why = str(error)
    made = uuid.uuid4()
    try:
        make_private_folder(data)
        path.write_text(f"{made}\n", encoding="ascii")
    except OSError as error:
        return made, f"{path} cannot be kept: {error.strerror or error}"
    return made, f"{path} could not be read ({why}): a new number was made" if why else None


class _Way:
    """One universe on its way out: its packet, and where it goes. Never waits."""

    def __init__(self, universe: Universe, source: uuid.UUID, name: str, port: int) -> None:
        self._packet = DataPacket(
            cid=tuple(source.bytes),
            sourceName=name,
            universe=universe.number,
            priority=universe.priority,
        )
        self._to = universe.to or (calculate_multicast_addr(universe.number),)
        self._port = port
        self._socket: socket.socket | None = None
        self.try_at = float("-inf")  # not before then: it has just failed
        self.failing_since: float | None = None

    def send(self, frame: Frame, at: float, may: Callable[[], bool]) -> str | None:
        """Send it; returns what the network had against it. The other addresses get it then too.

        `may` is asked just before: this process may have been stopped since the frame was made.
        """
        packet = self._packet
        packet.dmxData = frame.slots
        packet.option_StreamTerminated = frame.last
        raw = bytes(packet.getBytes())
        packet.sequence_increase()
        why: str | None = None
        for address in self._to:
            try:
                way = self._open()
                if not may():
                    return None
                way.sendto(raw, (address, self._port))
            except ConnectionRefusedError:
                pass  # a host says that nobody listens there: nobody is asked to answer
            except BlockingIOError:
                why = why or f"{address}: the network takes no more just now"
            except OSError as error:
                why = why or f"{address}: {error.strerror or error}"
        if why is None:
            self.failing_since = None
        else:
            self.try_at = at + TRY_AGAIN
            self.failing_since = at if self.failing_since is None else self.failing_since
        return why

    def _open(self) -> socket.socket:
        if self._socket is None:
            made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            made.setblocking(False)
            made.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, HOPS)
            self._socket = made
        return self._socket

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None


class _Ear:
    """Hears who else sends on one universe. Bound to the group itself, it takes nobody's packets.

    `heard` gives what is to be said of it when that has changed.
    """

    def __init__(
        self, universe: int, priority: int, source: uuid.UUID, name: str, port: int
    ) -> None:
        self.universe = universe
        self._priority = priority
        # two sets of one bridge have one number and two names
        self._own = source.bytes, name.encode().ljust(64, b"\0")
        self._others: dict[bytes, tuple[float, str, int]] = {}
        group = calculate_multicast_addr(universe)
        made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            made.bind((group, port))
            member = struct.pack("4s4s", socket.inet_aton(group), socket.inet_aton("0.0.0.0"))
            made.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
            made.setblocking(False)
        except OSError:
            made.close()
            raise
        self.socket = made

    def read(self, at: float) -> None:
        """Take in what came. Most of it is our own, come back."""
        for _ in range(64):  # a flood must not keep our own frames from leaving
            try:
                raw = self.socket.recv(LONGEST)
            except OSError:
                return
            self._take(raw, at)

    def _take(self, raw: bytes, at: float) -> None:
        cid = raw[22:38]
        if (cid, raw[44:108]) == self._own or len(raw) < 126:
            return
        try:
            packet = DataPacket.make_data_packet(raw)
        except Exception:
            return  # whatever it is, it is no frame
        if packet.universe != self.universe or packet.option_PreviewData:
            return
        if packet.option_StreamTerminated or packet.priority < self._priority:
            self._others.pop(cid, None)
            return
        if len(self._others) < 16 or cid in self._others:
            name = "".join(c for c in packet.sourceName if c.isprintable())[:40]
            self._others[cid] = (at, name, packet.priority)

    def says(self, at: float) -> str | None:
        for cid in [c for c, (heard, *_) in self._others.items() if at - heard > GIVEN_UP_AFTER]:
            del self._others[cid]
        if not self._others:
            return None
        _, name, priority = min(self._others.values(), key=lambda other: (-other[2], other[1]))
        more = f" and {len(self._others) - 1} more" if len(self._others) > 1 else ""
        than = "the same priority" if priority == self._priority else "a higher priority"
        return (
            f"another source ('{name}'{more}) sends on universe {self.universe} with {than}"
            f" ({priority}; ours is {self._priority})"
        )


class Stream:
    """All universes of a set, sent by a thread of its own."""

    def __init__(
        self,
        profile: SetProfile,
        source: uuid.UUID,
        on_fault: Told,
        on_other: Told,
        port: int = PORT,
    ) -> None:
        self.frames = universes_of(profile)
        self.of = {name: frames for frames in self.frames.values() for name in frames.devices}
        self._on_fault = on_fault
        self._on_other = on_other
        self._port = port
        self._until: float | None = None
        self._silent_since: float | None = None
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._said: dict[int, str | None] = {}
        self._others: dict[int, str | None] = {}
        self._say_again: dict[int, float] = {}
        self._ears: dict[int, _Ear] = {}
        self._selector = selectors.DefaultSelector()
        self._bell, self._button = socket.socketpair()
        self._bell.setblocking(False)
        self._button.setblocking(False)
        self._selector.register(self._bell, selectors.EVENT_READ, None)
        self._source = source
        # 64 bytes with the zero at their end
        self._name = f"studiobridge {profile.name}".encode()[:63].decode("utf-8", "ignore")
        self._ways = {n: _Way(u, source, self._name, port) for n, u in profile.universes.items()}
        self._thread = threading.Thread(target=self._work, name="universes", daemon=True)

    def start(self) -> None:
        """Listen, and send what falls due."""
        self._thread.start()

    def stop(self) -> None:
        """No frame leaves after this. It does not end the stream: fixtures hold."""
        self.lease(None)
        self._ending.set()
        self._ring()
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)

    # ---- what the set does -------------------------------------------------------------------

    def lease(self, until: float | None) -> None:
        """Frames may leave until then (`awake`); None: not at all."""
        with self._lock:
            now = awake()
            self._see_silence(now)
            if until is None and self._silent_since is None:
                self._silent_since = now
            self._until = until
        if until is not None:
            self._ring()

    def suppose(self, name: str, level: float, cct: float | None) -> None:
        with self._lock:
            self.of[name].suppose(name, level, cct)

    def tell(self, name: str, values: Mapping[Point, float], fade: float) -> bool:
        """A fixture is told something. False when it is locked out, and stays at 0."""
        with self._lock:
            self._see_silence(awake())
            self._look_for_silence(awake())
            told = self.of[name].tell(name, values, fade, awake())
        self._ring()
        return told

    def lock(self, names: Collection[str]) -> None:
        self._each("lock", names)

    def hold(self, held: bool) -> None:
        self._each("hold", held)

    def end(self) -> None:
        """End every stream that is dark, or when it is."""
        self._each("end")

    def _each(self, what: str, *values: object) -> None:
        with self._lock:
            for frames in self.frames.values():
                getattr(frames, what)(*values, awake())
        self._ring()

    def _ring(self) -> None:
        with contextlib.suppress(OSError):
            self._button.send(b"!")

    # ---- the thread --------------------------------------------------------------------------

    def _work(self) -> None:
        try:
            while not self._ending.is_set():
                self._turn()
        except Exception as error:
            # it costs the universes, and is said for each: the set goes on without them
            for number in self.frames:
                self._on_fault(number, f"the sender failed: {type(error).__name__}: {error}")
        finally:
            self._leave()

    def _leave(self) -> None:
        for way in self._ways.values():
            way.close()
        for ear in self._ears.values():
            ear.socket.close()
        self._selector.close()
        self._bell.close()

    def _turn(self) -> None:
        self._listen()
        for key, _ in self._selector.select(self._sleep(awake())):
            if key.data is None:
                with contextlib.suppress(OSError):
                    self._bell.recv(4096)
            else:
                key.data.read(awake())
        now = awake()
        for number, frame in self._due(now):
            self._send(number, frame, now)
        for number, ear in self._ears.items():
            said = ear.says(now)
            if said != self._others.get(number) and now >= self._say_again.get(number, now):
                self._others[number] = said
                self._say_again[number] = now + SAID_EVERY
                self._on_other(number, said)

    def _sleep(self, now: float) -> float:
        """How long (s) there is nothing to do."""
        with self._lock:
            if self._until is None or now > self._until:
                return LOOK
            dues = [
                max(due, self._ways[number].try_at)
                for number, frames in self.frames.items()
                if (due := frames.next_due()) is not None
            ]
        return min(LOOK, max(0.0, min(dues, default=now + LOOK) - now))

    def _due(self, now: float) -> list[tuple[int, Frame]]:
        """What is to be sent now, under the lease."""
        with self._lock:
            self._see_silence(now)
            if self._until is None or now > self._until:
                return []
            self._look_for_silence(now)
            self._silent_since = None
            found = []
            for number, frames in self.frames.items():
                way = self._ways[number]
                since = way.failing_since
                if since is not None and now - since > GOES_ON_WITHIN:
                    self._lose(number)
                    way.failing_since = None
                frame = frames.frame(now) if now >= way.try_at else None
                if frame is not None:
                    found.append((number, frame))
            return found

    def _may(self) -> bool:
        until = self._until
        return until is not None and awake() <= until

    def _see_silence(self, now: float) -> None:
        """It is silent from the end of the lease, whoever looks when: the process may have been
        stopped in between. Called with the lock."""
        if self._silent_since is None and (self._until is None or now > self._until):
            self._silent_since = now if self._until is None else self._until

    def _look_for_silence(self, now: float) -> None:
        """After too long a silence nothing goes on by itself. Called with the lock."""
        if self._silent_since is not None and now - self._silent_since > GOES_ON_WITHIN:
            self._silent_since = None
            for number in self.frames:
                self._lose(number)

    def _lose(self, number: int) -> None:
        if self.frames[number].sends:
            self.frames[number].lost()
            self._said[number] = (
                f"universe {number} fell silent for more than {GOES_ON_WITHIN:.0f} s: it does not"
                " go on by itself; ask for up"
            )
            self._on_fault(number, self._said[number])

    def _send(self, number: int, frame: Frame, now: float) -> None:
        why = self._ways[number].send(frame, now, self._may)
        if why is not None:
            why = f"universe {number} is not sent: {why}"
        if why != self._said.get(number):
            self._said[number] = why
            self._on_fault(number, why)

    def _listen(self) -> None:
        """Join the groups of the universes that go out by multicast; later, where it fails now."""
        for number, frames in self.frames.items():
            if number in self._ears or frames.universe.to:
                continue
            try:
                priority = frames.universe.priority
                ear = _Ear(number, priority, self._source, self._name, self._port)
            except OSError:
                continue  # no network yet: what is sent says so
            self._ears[number] = ear
            self._selector.register(ear.socket, selectors.EVENT_READ, ear)
