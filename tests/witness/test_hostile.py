"""Sources that are slow, drip, never end, stand still, are overfull or are no file at all."""

from __future__ import annotations

import asyncio
import os
import socketserver
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from studiobridge.witness import written
from studiobridge.witness.frames import FramesError, now
from studiobridge.witness.pictures import Finder, NotAPicture, outline
from studiobridge.witness.written import Folder
from tests.witness.test_frames import Server, frames, grey, jpeg, put, refused, reply, run, served

STREAM = b"HTTP/1.0 200 OK\r\nContent-Type: multipart/x-mixed-replace\r\n\r\n"
Handler = socketserver.StreamRequestHandler


# ---- addresses -----------------------------------------------------------------------------------


def test_a_slow_still_and_a_slow_stream_come_in_the_end(tmp_path: Path) -> None:
    """Longer than anybody waits at once: it is asked on, and not begun anew each time."""

    def answer(server: Server, head: str, handler: Handler) -> None:
        if "/stream" not in head:
            time.sleep(1.5)
            handler.wfile.write(reply(jpeg(70)))
            return
        handler.wfile.write(STREAM)
        for value in range(40, 200, 30):
            if server.over.wait(2.3):
                return
            handler.wfile.write(b"--x\r\n\r\n" + jpeg(value, 64, 48))

    async def one(address: str) -> float:
        async with frames(address, tmp_path) as source:
            for _ in range(7):
                try:
                    frame = await source.next(0.5)
                    return now() - frame.taken
                except FramesError as error:
                    assert not error.final
            raise AssertionError(f"{address}: nothing")

    async def evening(port: int) -> None:
        here = f"http://127.0.0.1:{port}"
        still, stream = await asyncio.gather(one(f"{here}/still"), one(f"{here}/stream"))
        # each may have been taken as soon as it was asked for
        assert still > 1.4
        assert stream > 1.5

    with served(answer) as server:
        run(lambda: evening(server.port))
        assert len(server.heads) == 2


def test_who_drips_or_falls_silent_is_named_and_costs_no_process(tmp_path: Path) -> None:
    def answer(server: Server, head: str, handler: Handler) -> None:
        data = reply(jpeg(70)) if "/drip" in head else STREAM + jpeg(20)[:300]
        if "/drip" not in head:
            handler.wfile.write(data)
            server.over.wait(20)
        for at in range(len(data)):
            handler.wfile.write(data[at : at + 1])
            if server.over.wait(0.3):
                return

    async def one(address: str) -> None:
        async with frames(address, tmp_path) as source:
            await refused(source, 0.2)
            pid = source.pid
            for _ in range(2):
                began = now()
                error = await refused(source, 0.2)
                assert now() - began < 2
                assert "hangs" not in str(error)
                assert source.pid == pid

    async def evening(port: int) -> None:
        here = f"http://127.0.0.1:{port}"
        await asyncio.gather(*(one(f"{here}/{path}") for path in ("drip", "silent")))

    with served(answer) as server:
        run(lambda: evening(server.port))


def test_pictures_that_go_round_are_those_of_before(tmp_path: Path) -> None:
    """A stream that hangs may repeat its last second, not only its last picture."""

    def answer(server: Server, head: str, handler: Handler) -> None:
        handler.wfile.write(STREAM)
        turn = 0
        while not server.over.wait(0.05):
            handler.wfile.write(b"--x\r\n\r\n" + jpeg(20 + 20 * (turn % 4), 64, 48))
            turn += 1

    async def evening(port: int) -> None:
        async with frames(f"http://127.0.0.1:{port}/", tmp_path) as source:
            first = await source.next(3)
            for _ in range(4):
                await source.next(1)
            at = now()
            assert "stands still" in str(await refused(source, 0.5, after=at))
            again = await source.next(1)
            assert again.same > 0
            assert again.taken < first.taken + 1

    with served(answer) as server:
        run(lambda: evening(server.port))


def test_a_picture_is_as_old_as_its_sender_says_whatever_zone_it_names(tmp_path: Path) -> None:
    def answer(server: Server, head: str, handler: Handler) -> None:
        times = (
            "Date: Fri, 27 Nov 2026 10:10:00 -0000\r\n"
            "Last-Modified: Fri, 27 Nov 2026 10:00:00 GMT\r\n"
        )
        if "/round" in head:
            handler.wfile.write(reply(b"", more="Location: /round\r\n", code="302 X"))
        handler.wfile.write(reply(jpeg(80), more=times))

    async def evening(port: int) -> None:
        async with frames(f"http://127.0.0.1:{port}/", tmp_path) as source:
            frame = await source.next(3)
            assert 599 < now() - frame.taken < 605
        async with frames(f"http://127.0.0.1:{port}/round", tmp_path) as source:
            assert str(await refused(source, 2)).isprintable()

    with served(answer) as server:
        run(lambda: evening(server.port))


# ---- pictures ------------------------------------------------------------------------------------


def test_a_picture_that_is_made_to_keep_a_machine_busy_is_none() -> None:
    whole = cv2.imencode(
        ".jpg", np.full((2000, 3000, 3), 90, np.uint8), [cv2.IMWRITE_JPEG_PROGRESSIVE, 1]
    )[1].tobytes()
    # a scan more is decoded over the whole of it again
    last = whole[whole.rindex(b"\xff\xda") : -2]
    outline(whole)
    for data, said in (
        (whole[:-2] + last * 200 + b"\xff\xd9", "times over"),
        (b"\xff\xd8" + b"\xff\xe0\x00\x02" * 1_000_000, "parts"),
        (b"\xff\xd8" + b"\xff" * 10_000_000, "parts"),
    ):
        began = time.process_time()
        with pytest.raises(NotAPicture, match=said):
            outline(data)
        assert time.process_time() - began < 0.2


def test_a_stream_of_nonsense_takes_no_more_time_than_it_is_long() -> None:
    """Bytes of a coded picture that never ends, with what an end has in it all over."""
    noise = np.random.default_rng(3).integers(0, 255, 20_000_000).astype(np.uint8).tobytes()
    data = jpeg(50)[:-2] + noise.replace(b"\xff", b"\xd9")
    finder, began = Finder(), time.process_time()
    for at in range(0, len(data), 65_536):
        assert finder.feed(data[at : at + 65_536], 0.0) is None
    assert time.process_time() - began < 0.5


def test_a_picture_with_a_piece_missing_is_not_drawn_in_grey(tmp_path: Path) -> None:
    path = tmp_path / "now.jpg"
    whole = jpeg(90, 640, 480)
    middle = len(whole) // 2

    async def evening() -> None:
        async with frames("file now.jpg", tmp_path) as source:
            put(path, whole)
            await source.next(3)
            put(path, whole[:middle] + whole[middle + len(whole) // 4 :])
            assert "a piece of it is missing" in str(await refused(source))
            # a byte too many before its end is no piece too few: cheap cameras write such
            put(path, whole[:-2] + b"\x00" + whole[-2:])
            assert grey(await source.next(2)) == pytest.approx(94, abs=2)

    run(evening)


# ---- files and folders ---------------------------------------------------------------------------


def test_what_is_no_file_is_not_even_opened(tmp_path: Path) -> None:
    """To open a device may do something; to open a pipe lets go of who waits at its other end."""
    path = tmp_path / "now.jpg"
    os.mkfifo(path)

    async def evening() -> None:
        async with frames("file now.jpg", tmp_path) as source:
            error = await refused(source, 0.4)
            assert "it is no file" in str(error)
            # nobody reads there
            with pytest.raises(OSError, match="No such device or address"):
                os.open(path, os.O_WRONLY | os.O_NONBLOCK)

    reads: list[str] = []
    real = os.open

    def opened(name: str, flags: int) -> int:
        reads.append(str(name))
        return real(name, flags)

    run(evening)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "open", opened)
        with pytest.raises(NotAPicture):
            written.whole_file(str(path), follow=True)
    assert reads == []


def test_a_file_that_is_written_over_in_place_is_not_half_of_one_and_half_of_another(
    tmp_path: Path,
) -> None:
    path = tmp_path / "now.jpg"
    # two of one length, as who writes over in place has them
    dark, bright = jpeg(40, 320, 240), jpeg(200, 320, 240)
    one, two = (data.ljust(60_000, b"\0") for data in (dark, bright))
    path.write_bytes(one)
    time.sleep(0.1)

    async def evening() -> None:
        async with frames("file now.jpg", tmp_path) as source:
            assert grey(await source.next(3)) == pytest.approx(44, abs=2)
            asked = asyncio.create_task(source.next(5))
            with path.open("r+b") as file:
                # its beginning, and its end a moment later
                for at in range(0, len(two), 2000):
                    file.write(two[at : at + 2000])
                    file.flush()
                    await asyncio.sleep(0.02)
            assert grey(await asked) == pytest.approx(204, abs=2)

    run(evening)


def test_a_folder_with_more_in_it_than_is_looked_at_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(written, "MOST_FILES", 50)
    for n in range(60):
        (tmp_path / f"old{n:03}.jpg").write_bytes(b"")
    os.utime(tmp_path, (1e9, 1e9))
    folder = Folder(str(tmp_path))
    with pytest.raises(written.Nothing, match=r"more than 50 .*move"):
        folder.next(now(), -1e18)


def test_a_folder_that_is_slow_to_list_keeps_to_its_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is listed seldom then; who waits for it is answered all the same."""
    (tmp_path / "old.jpg").write_bytes(b"")
    os.utime(tmp_path / "old.jpg", (1e9, 1e9))
    real, listed = os.scandir, []

    def scandir(path: str) -> object:
        listed.append(now())
        time.sleep(0.2)
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    folder = Folder(str(tmp_path))
    for n in range(4):
        began = now()
        (tmp_path / f"{n}.txt").touch()  # the folder changes all the time
        with pytest.raises(written.Nothing):
            folder.next(began + 0.3, -1e18)
        assert now() - began < 1.0
    # a tenth of the time at most
    assert len(listed) == 1
