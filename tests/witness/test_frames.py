"""Frames from everywhere, and from what is broken, stands still, lies about its time or hangs."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import os
import signal
import socketserver
import struct
import threading
import time
import zlib
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
import pytest

from studiobridge.bridge.settings import CameraSettings, Settings
from studiobridge.profile.model import Witness
from studiobridge.profile.witnessing import frames_from
from studiobridge.witness.frames import Frame, Frames, FramesError, now, open_frames
from studiobridge.witness.given import GAP, Nothing
from studiobridge.witness.pictures import Finder, NotAPicture, NotWhole, decoded
from studiobridge.witness.streams import WARM, Stream

NONE = Settings()
T = TypeVar("T")


def jpeg(value: int, wide: int = 320, high: int = 180) -> bytes:
    """A picture that is never all black: grey with a grain."""
    grain = np.random.default_rng(value).integers(0, 9, (high, wide, 3))
    done, data = cv2.imencode(".jpg", (grain + value).astype(np.uint8))
    assert done
    return data.tobytes()


def put(path: Path, data: bytes) -> None:
    """As a careful writer does: whole, or not at all."""
    new = path.with_suffix(".new")
    new.write_bytes(data)
    new.replace(path)


def frames(text: str, near: Path, settings: Settings = NONE) -> Frames:
    kind, where = frames_from(text)
    return open_frames(Witness(kind, where), settings, near)


def run(use: Callable[[], Awaitable[T]]) -> T:
    async def bounded() -> T:
        async with asyncio.timeout(30):
            return await use()

    return asyncio.run(bounded())


async def refused(source: Frames, within: float = 0.3, after: float | None = None) -> FramesError:
    with pytest.raises(FramesError) as caught:
        await source.next(within, after)
    return caught.value


def grey(frame: Frame) -> float:
    return float(frame.codes.mean())


# ---- a file --------------------------------------------------------------------------------------


def test_a_file_that_is_written_anew_in_every_way_there_is(tmp_path: Path) -> None:
    path = tmp_path / "now.jpg"

    async def evening() -> None:
        async with frames("file now.jpg", tmp_path) as source:
            error = await refused(source)
            assert "now.jpg: No such file" in str(error)
            assert not error.final

            put(path, jpeg(40, 1920, 1080))
            first = await source.next(2)
            assert first.size == (1920, 1080)
            assert first.codes.shape == (540, 960, 3)
            assert grey(first) == pytest.approx(44, abs=2)
            assert 0 <= now() - first.taken < 2

            # nothing new is nothing, however long it is looked at
            assert "was not written anew for" in str(await refused(source))

            # half of it is waited for
            whole = jpeg(90)
            path.write_bytes(whole[: len(whole) // 2])
            assert "is not whole" in str(await refused(source))
            path.write_bytes(whole)
            assert grey(await source.next(2)) == pytest.approx(94, abs=2)

            # the same bytes again are the same picture, of that time
            second = now()
            put(path, whole)
            again = await source.next(2)
            assert again.same == 1
            assert again.taken < second
            put(path, whole)
            assert "stands still" in str(await refused(source, after=second))

            # a link to another
            put(tmp_path / "one.jpg", jpeg(140))
            path.unlink()
            path.symlink_to("one.jpg")
            assert grey(await source.next(2)) == pytest.approx(144, abs=2)

            # an all but black picture may come the same twice
            black = jpeg(0)
            put(path, cv2.imencode(".png", np.zeros((90, 160, 3), np.uint8))[1].tobytes())
            dark = await source.next(2)
            put(path, cv2.imencode(".png", np.zeros((90, 160, 3), np.uint8))[1].tobytes())
            darker = await source.next(2)
            assert (darker.same, darker.taken > dark.taken) == (0, True)
            assert black

    run(evening)


def test_a_picture_is_as_old_as_its_time_says_and_none_is_of_the_future(tmp_path: Path) -> None:
    path = tmp_path / "now.jpg"
    path.write_bytes(jpeg(50))
    os.utime(path, (time.time() - 600, time.time() - 600))

    async def evening() -> None:
        async with frames("file now.jpg", tmp_path) as source:
            frame = await source.next(2)
            assert 599 < now() - frame.taken < 605
        async with frames("file now.jpg", tmp_path) as source:
            assert "for 10 min" in str(await refused(source, after=now()))
        # the clock of what writes it is an hour ahead (or ours was put back)
        os.utime(path, (time.time() + 3600, time.time() + 3600))
        async with frames("file now.jpg", tmp_path) as source:
            assert "60 min in the future" in str(await refused(source))
            before = now()
            path.write_bytes(jpeg(60))
            os.utime(path, (time.time() + 3700, time.time() + 3700))
            frame = await source.next(2)
            # it was seen to change: it is no older than the look before
            assert before - 1 < frame.taken <= before + 0.2

    run(evening)


def bomb(wide: int, high: int) -> bytes:
    def part(kind: bytes, data: bytes) -> bytes:
        whole = kind + data
        return struct.pack(">I", len(data)) + whole + struct.pack(">I", zlib.crc32(whole))

    head = struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0)
    pressed = zlib.compress(bytes(50_000_000), 9)
    return b"\x89PNG\r\n\x1a\n" + part(b"IHDR", head) + part(b"IDAT", pressed) + part(b"IEND", b"")


def test_what_is_too_much_or_no_picture_is_said_and_costs_nothing(tmp_path: Path) -> None:
    path = tmp_path / "now.jpg"
    big = bytearray(jpeg(50))
    at = big.index(b"\xff\xc0")
    big[at + 5 : at + 9] = b"\xff\xff\xff\xff"

    async def evening() -> None:
        async with frames("file now.jpg", tmp_path) as source:
            for data, said in (
                (bomb(50_000, 50_000), "50000 × 50000 px is more than is taken in"),
                (bytes(big), "65535 × 65535 px is more"),
                (b"<html>not found</html>", "neither a JPEG nor a PNG"),
                (b"", "it has just begun"),
                (b"\xff\xd8\xff\xd9" + bytes(40), "it has no picture in it"),
                (b"\xff\xd8\xff\xe0\x00\x01" + bytes(40), "follow each other"),
            ):
                put(path, data)
                assert said in str(await refused(source))
            with path.open("wb") as file:
                file.truncate(10**10)
            assert "more than 40 MB" in str(await refused(source))
            path.unlink()
            os.mkfifo(path)
            assert "it is no file" in str(await refused(source))
            path.unlink()
            put(path, jpeg(70))
            assert grey(await source.next(2)) == pytest.approx(74, abs=2)

    run(evening)


def test_whatever_is_cut_off_or_flipped_ends_in_a_word() -> None:
    """Every beginning of a picture is not whole; and no bytes at all raise anything else."""
    data = jpeg(50, 64, 48)
    for end in range(3, len(data) - 1, 7):
        with pytest.raises(NotWhole):
            decoded(data[:end], 960)
    dice = np.random.default_rng(1)
    for _ in range(400):
        turned = bytearray(data)
        for at in dice.integers(0, len(data), 6):
            turned[at] = int(dice.integers(0, 256))
        with contextlib.suppress(NotWhole, NotAPicture):
            codes, _ = decoded(turned, 960)
            assert codes.shape[0] <= 960


# ---- a folder ------------------------------------------------------------------------------------


def test_a_folder_that_is_written_into(tmp_path: Path) -> None:
    folder = tmp_path / "incoming"
    folder.mkdir()
    for count in range(3000):
        (folder / f"old{count:05}.jpg").touch()
        os.utime(folder / f"old{count:05}.jpg", (1e9, 1e9))

    async def evening() -> None:
        async with frames("folder incoming", tmp_path) as source:
            assert "old" in str(await refused(source))
            (folder / "a.jpg").write_bytes(jpeg(40))
            (folder / "notes.txt").write_text("no picture")
            (folder / ".b.jpg").write_bytes(jpeg(200))
            (folder / "link.jpg").symlink_to(tmp_path / "elsewhere.jpg")
            assert grey(await source.next(3)) == pytest.approx(44, abs=2)
            # the newest is half written: nothing, and certainly not an older one again
            whole = jpeg(100)
            (folder / "b.jpg").write_bytes(whole[:-400])
            # a folder of thousands is listed as seldom as listing it takes long
            until = time.monotonic() + 10.0
            while "b.jpg is not whole" not in (why := str(await refused(source))):
                assert time.monotonic() < until, why
            (folder / "b.jpg").write_bytes(whole)
            assert grey(await source.next(3)) == pytest.approx(104, abs=2)
            # two at once: the later by name, and then nothing
            at = time.time()
            for name, value in (("d.jpg", 180), ("c.jpg", 140)):
                (folder / name).write_bytes(jpeg(value))
                os.utime(folder / name, (at, at))
            assert grey(await source.next(3)) == pytest.approx(184, abs=2)
            assert "nothing new for" in str(await refused(source))
            # a card whose clock is ahead: what was seen to come is of now
            (folder / "e.jpg").write_bytes(jpeg(60))
            os.utime(folder / "e.jpg", (time.time() + 9e6, time.time() + 9e6))
            ahead = await source.next(3)
            assert grey(ahead) == pytest.approx(64, abs=2)
            assert now() - ahead.taken < 5

    before = 3000
    run(evening)
    assert len(list(folder.iterdir())) == before + 8
    assert "No such file" in str(run(lambda: refused(frames("folder nowhere", tmp_path))))


# ---- an address ----------------------------------------------------------------------------------


class Server(socketserver.ThreadingTCPServer):
    """Answers with what it is told to, byte for byte; and remembers what it was asked."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, answer: Callable[[Server, str, socketserver.StreamRequestHandler], None]):
        self.heads: list[str] = []
        self.over = threading.Event()
        outer = self

        class Handler(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                head = ""
                while (line := self.rfile.readline().decode("latin-1")).strip():
                    head += line
                outer.heads.append(head)
                with contextlib.suppress(OSError):
                    answer(outer, head, self)

        super().__init__(("127.0.0.1", 0), Handler)

    @property
    def port(self) -> int:
        return int(self.server_address[1])


@contextlib.contextmanager
def served(
    answer: Callable[[Server, str, socketserver.StreamRequestHandler], None],
) -> Iterator[Server]:
    with Server(answer) as server:
        threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
        yield server
        server.over.set()
        server.shutdown()


def reply(data: bytes, kind: str = "image/jpeg", more: str = "", code: str = "200 OK") -> bytes:
    head = f"HTTP/1.1 {code}\r\nContent-Type: {kind}\r\nContent-Length: {len(data)}\r\n{more}"
    return head.encode() + b"Connection: close\r\n\r\n" + data


def test_an_address_with_one_picture_and_its_password(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("kiln fire/9\n")

    def answer(server: Server, head: str, handler: socketserver.StreamRequestHandler) -> None:
        path = head.split(" ")[1]
        if path == "/away":
            handler.wfile.write(
                reply(b"", more=f"Location: http://localhost:{server.port}/\r\n", code="302 X")
            )
        elif path == "/on":
            handler.wfile.write(reply(b"", more="Location: /still\r\n", code="302 X"))
        elif path == "/page":
            handler.wfile.write(reply(b"<html>", "text/html"))
        elif path == "/old":
            times = "Date: Fri, 27 Nov 2026 10:10:00 GMT\r\nLast-Modified: Fri, 27 Nov 2026 10:00:00 GMT\r\n"
            handler.wfile.write(reply(jpeg(80), more=times))
        elif "Authorization" not in head:
            handler.wfile.write(
                reply(b"", more='WWW-Authenticate: Basic realm="kiln"\r\n', code="401 No")
            )
        else:
            handler.wfile.write(reply(jpeg(70)))

    async def evening(port: int) -> None:
        here = f"http://127.0.0.1:{port}"
        me = Settings(frames={"127.0.0.1": CameraSettings(user="ana", password_file=secret)})
        async with frames(f"{here}/on", tmp_path, me) as source:
            assert grey(await source.next(3)) == pytest.approx(74, abs=2)
            assert source.pid is not None
            for file in ("cmdline", "environ"):
                assert b"kiln" not in Path(f"/proc/{source.pid}/{file}").read_bytes()
        async with frames(f"{here}/on", tmp_path) as source:
            error = await refused(source, 2)
            assert "refuses nobody in particular (401)" in str(error)
            assert error.final
        async with frames(f"{here}/away", tmp_path, me) as source:
            error = await refused(source, 2)
            assert "another host (localhost)" in str(error)
            assert "kiln" not in str(error)
        async with frames(f"{here}/page", tmp_path) as source:
            assert "text/html, no picture" in str(await refused(source, 2))
        async with frames(f"{here}/old", tmp_path) as source:
            frame = await source.next(3)
            assert 599 < now() - frame.taken < 605

    with served(answer) as server:
        run(lambda: evening(server.port))
        basic = base64.b64encode(b"ana:kiln fire/9").decode()
        assert f"Authorization: Basic {basic}" in "".join(server.heads)


def test_half_a_picture_and_then_silence(tmp_path: Path) -> None:
    def answer(server: Server, head: str, handler: socketserver.StreamRequestHandler) -> None:
        handler.wfile.write(reply(jpeg(70))[:-300])
        server.over.wait(20)

    async def evening(port: int) -> None:
        async with frames(f"http://127.0.0.1:{port}/", tmp_path) as source:
            began = now()
            error = await refused(source, 1.0)
            assert now() - began < 5
            assert "nothing whole came yet" in str(error)

    with served(answer) as server:
        run(lambda: evening(server.port))


def test_mjpeg_with_nonsense_between_and_a_stall(tmp_path: Path) -> None:
    stalled = threading.Event()

    def answer(server: Server, head: str, handler: socketserver.StreamRequestHandler) -> None:
        out = handler.wfile
        out.write(
            b"HTTP/1.0 200 OK\r\nContent-Type: multipart/x-mixed-replace; boundary=--x\r\n\r\n"
        )
        parts = (
            b"--x\r\nContent-Type: text/plain\r\nContent-Length: -5\r\n\r\nnonsense \xff\xd8\xff\xff\r\n",
            b"----x\r\nContent-Length: 999999999\r\n\r\n" + jpeg(200)[:500],
        )
        for part in parts:
            out.write(part)
        for value in range(20, 220):
            if server.over.is_set():
                return
            out.write(
                b"--x\r\nContent-Type: image/jpeg\r\nContent-Length: 7\r\n\r\n"
                # the same scene, and never the same picture
                + jpeg(value, 64, 48 + 2 * len(server.heads))
            )
            time.sleep(0.03)
            if value == 60 and not stalled.is_set():
                stalled.set()
                time.sleep(GAP + 1)

    async def evening(port: int) -> None:
        async with frames(f"http://127.0.0.1:{port}/", tmp_path) as source:
            first = await source.next(3)
            await asyncio.sleep(0.5)
            later = await source.next(3)
            # nothing waits in a buffer: it is of now, not the one that follows
            assert grey(later) - grey(first) > 5
            assert now() - later.taken < 0.5
            while not stalled.is_set():
                with contextlib.suppress(FramesError):
                    await source.next(1)
            await asyncio.sleep(GAP + 1.5)
            # after the gap it was opened anew, where it begins anew
            fresh = await source.next(5, after=now())
            assert grey(fresh) < 60
            assert len(server.heads) == 2

    with served(answer) as server:
        run(lambda: evening(server.port))


def test_pictures_are_found_wherever_the_bytes_are_split() -> None:
    whole = b"".join(b"--x\r\n\r\n" + jpeg(v, 64, 48) + b"\r\n" for v in (20, 60, 100))
    for size in (1, 7, 1000, 10**6):
        finder, found = Finder(), []
        for at in range(0, len(whole), size):
            got = finder.feed(whole[at : at + size], float(at))
            if got is not None:
                found.append(got)
        assert decoded(found[-1][0], 960)[0].mean() == pytest.approx(104, abs=2)
        if size == 7:
            assert [round(decoded(data, 960)[0].mean(), -1) for data, _ in found] == [20, 60, 100]
            # when it began to come, not when it ended
            assert found[2][1] <= whole.rindex(b"--x") + 16


# ---- processes that are stopped, killed, and cameras ----------------------------------------------


def test_what_reads_is_stopped_or_killed(tmp_path: Path) -> None:
    path = tmp_path / "now.jpg"
    put(path, jpeg(40))

    async def evening() -> None:
        async with frames("file now.jpg", tmp_path) as source:
            await source.next(2)
            assert source.pid is not None
            os.kill(source.pid, signal.SIGKILL)
            put(path, jpeg(60))
            with contextlib.suppress(FramesError):  # it may be in the middle of dying
                await source.next(2)
            put(path, jpeg(80))
            assert grey(await source.next(2)) == pytest.approx(84, abs=2)

            pid = source.pid
            os.kill(pid, signal.SIGSTOP)
            began = now()
            error = await refused(source, 0.2)
            assert "hangs" in str(error)
            assert now() - began < 5
            assert not Path(f"/proc/{pid}").exists()
            # what lay there is as old as it is
            assert now() - (await source.next(2)).taken > 3

    run(evening)


class Fake:
    """A camera that holds old frames in its buffer when nobody reads for a while."""

    def __init__(self, script: list[float]) -> None:
        self.script = script
        self.count = 0

    def isOpened(self) -> bool:
        return True

    def grab(self) -> bool:
        time.sleep(self.script.pop(0) if self.script else 0.01)
        self.count += 1
        return True

    def retrieve(self) -> tuple[bool, object]:
        return True, np.full((48, 64, 3), min(self.count, 255), np.uint8)

    def release(self) -> None: ...


def test_a_stream_is_drained_and_opened_anew_after_a_gap() -> None:
    made: list[Fake] = []

    def opened() -> tuple[Fake, list[str]]:
        made.append(Fake([0.01] * 30 + [GAP + 0.2] if not made else []))
        return made[-1], ["its focus cannot be fixed from here"]

    stream = Stream("device 0", opened)
    got = stream.next(now() + 5, -1e18)
    assert made[0].count > WARM
    time.sleep(0.15)
    later = stream.next(now() + 5, -1e18)
    assert later.taken - got.taken > 0.1
    with pytest.raises(Nothing, match=r"stood still|in time"):
        while len(made) == 1:
            stream.next(now() + 0.5, now())
    fresh = stream.next(now() + 5, now())
    assert len(made) == 2
    assert isinstance(fresh.picture, np.ndarray)
    assert stream.notes == ["its focus cannot be fixed from here"]


def test_no_camera_and_a_network_camera_that_says_nothing(tmp_path: Path) -> None:
    def silent(server: Server, head: str, handler: socketserver.StreamRequestHandler) -> None:
        server.over.wait(20)

    async def evening(port: int) -> None:
        async with frames("device 97", tmp_path) as source:
            assert "there is no /dev/video97" in str(await refused(source, 0.5))
        secret = tmp_path / "secret"
        secret.write_text("kiln-fire-9")
        me = Settings(frames={"127.0.0.1": CameraSettings(user="ana", password_file=secret)})
        async with frames(f"rtsp://127.0.0.1:{port}/live", tmp_path, me) as source:
            error = await refused(source, 1)
            assert "rtsp://127.0.0.1" in str(error)
            assert "kiln" not in str(error)
        async with frames("rtsp://127.0.0.1:1/live", tmp_path) as source:
            assert "not reached" in str(await refused(source, 0.5))

    with served(silent) as server:
        run(lambda: evening(server.port))
