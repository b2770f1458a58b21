"""Is it a picture, is it whole, how large is it, before anything is decoded; and then its codes.

Decoders draw what is left of half a picture in grey and say nothing, and make a gigabyte out of a
kilobyte. So a picture is walked through by its own marks first: JPEG (ITU-T T.81, annex B), PNG
(ISO/IEC 15948, clause 5). Other kinds are left out: who takes stills can write one of these.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import cv2
import numpy as np

from studiobridge.witness.learned import Codes

# The largest file (bytes) and picture (px) that is taken in: more than any camera's stills have.
# What a decoder has to hold whole (PNG, JPEG in many scans) is bound more narrowly.
MOST_BYTES = 40_000_000
MOST_PIXELS = 64_000_000
MOST_AT_ONCE = 26_000_000
# A JPEG has some dozen parts, hundreds where its maker keeps a diary in it. What is drawn over and
# over (each scan of a progressive one goes over all of it) may come to so many pixels together.
MOST_PARTS = 5000
MOST_DRAWN = 400_000_000

JPEG, PNG = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"
# A mark in what is coded: 0xff and something that is neither stuffing, restart nor filling.
_MARK = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]", re.S)
_ALONE = {0x01, *range(0xD0, 0xD8)}
_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}  # SOF: the size stands there
_EOI, _SOS = 0xD9, 0xDA


class NotWhole(Exception):
    """The picture ends too early: it may still be being written."""


class NotAPicture(Exception):
    """No picture that is taken in; the text says why."""


@dataclass(frozen=True, slots=True)
class Outline:
    """What a picture says of itself: columns and rows, and where in the bytes it ends."""

    wide: int
    high: int
    end: int
    reduces: bool  # can be decoded smaller than it is, without ever being whole in memory


def outline(data: bytes | bytearray, start: int = 0) -> Outline:
    """Walk through a picture. Raises NotWhole, NotAPicture."""
    head = bytes(data[start : start + 8])
    if head.startswith(JPEG):
        return _jpeg(data, start)
    if head == PNG:
        return _png(data, start)
    if len(head) < 8 and (JPEG.startswith(head[:3]) or PNG.startswith(head)):
        raise NotWhole("it has just begun")
    raise NotAPicture("it is neither a JPEG nor a PNG")


def _jpeg(data: bytes | bytearray, start: int) -> Outline:
    at, size, scans, many, left = start + 2, (0, 0), 0, False, MOST_PARTS
    while True:
        while data[at : at + 2] == b"\xff\xff" and left > 0:
            at, left = at + 1, left - 1
        left -= 1
        if left < 0:
            raise NotAPicture(f"it is in more than {MOST_PARTS} parts")
        if len(data) < at + 4 and data[at : at + 2] != b"\xff\xd9":
            raise NotWhole("it ends too early")
        if data[at] != 0xFF:
            raise NotAPicture("its parts do not follow each other")
        mark = data[at + 1]
        if mark == _EOI:
            if not scans:
                raise NotAPicture("it has no picture in it")
            return Outline(*size, at + 2, not many)
        if mark in _ALONE:
            at += 2
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if length < 2 or mark in (0x00, 0xD8):
            raise NotAPicture("its parts do not follow each other")
        if mark in _FRAMES:
            if len(data) < at + 9:
                raise NotWhole("it ends too early")
            high = int.from_bytes(data[at + 5 : at + 7], "big")
            wide = int.from_bytes(data[at + 7 : at + 9], "big")
            many = mark not in (0xC0, 0xC1)
            _bounded(wide, high, MOST_AT_ONCE if many else MOST_PIXELS)
            size = (wide, high)
        at += 2 + length
        if mark == _SOS:
            if size == (0, 0):
                raise NotAPicture("it does not say how large it is")
            scans += 1
            if scans > 1 and size[0] * size[1] * scans > MOST_DRAWN:
                raise NotAPicture(f"it is drawn {scans} times over, to keep a machine busy")
            found = _MARK.search(data, at)
            if found is None:
                raise NotWhole("it ends too early")
            at = found.start()


def _png(data: bytes | bytearray, start: int) -> Outline:
    at, size = start + 8, (0, 0)
    while True:
        if len(data) < at + 12:
            raise NotWhole("it ends too early")
        length = int.from_bytes(data[at : at + 4], "big")
        kind = bytes(data[at + 4 : at + 8])
        if length > MOST_BYTES:
            raise NotAPicture("a part of it is larger than the whole may be")
        if kind == b"IHDR" and len(data) >= at + 16:
            size = (
                int.from_bytes(data[at + 8 : at + 12], "big"),
                int.from_bytes(data[at + 12 : at + 16], "big"),
            )
            _bounded(*size, MOST_AT_ONCE)
        elif size == (0, 0):
            raise NotAPicture("it does not say how large it is")
        at += 12 + length
        if kind == b"IEND":
            if len(data) < at:
                raise NotWhole("it ends too early")
            return Outline(*size, at, False)


def _bounded(wide: int, high: int, most: int) -> None:
    if wide < 16 or high < 16:
        raise NotAPicture(f"{wide} × {high} px is too small to see anything in")
    if wide * high > most:
        raise NotAPicture(
            f"{wide} × {high} px is more than is taken in ({most // 1_000_000} million):"
            " have it written smaller"
        )


def decoded(data: bytes | bytearray, widest: int) -> tuple[Codes, tuple[int, int]]:
    """Codes with their longer side at most `widest`, and the size as it came.

    Upright as the camera says it was held. Raises NotWhole, NotAPicture.
    """
    if len(data) > MOST_BYTES:
        raise NotAPicture(f"it has more than {MOST_BYTES // 1_000_000} MB")
    found = outline(data)
    how = cv2.IMREAD_COLOR
    if found.reduces:
        # a JPEG can be decoded at a half, a quarter or an eighth of its size
        for part, reduced in (
            (8, cv2.IMREAD_REDUCED_COLOR_8),
            (4, cv2.IMREAD_REDUCED_COLOR_4),
            (2, cv2.IMREAD_REDUCED_COLOR_2),
        ):
            if max(found.wide, found.high) // part >= widest:
                how = reduced
                break
    try:
        codes = cv2.imdecode(np.frombuffer(data, np.uint8, found.end), how)
    except cv2.error:
        codes = None
    if codes is None:
        raise NotAPicture("it cannot be decoded")
    turned = (codes.shape[1] > codes.shape[0]) != (found.wide > found.high)
    size = (found.high, found.wide) if turned else (found.wide, found.high)
    return scaled(codes.astype(np.uint8, copy=False), widest), size


def scaled(codes: Codes, widest: int) -> Codes:
    """With its longer side at most so long (px), each of its own pixels counted."""
    rows, columns = codes.shape[:2]
    if max(rows, columns) <= widest:
        return codes
    part = widest / max(rows, columns)
    to = (max(1, round(columns * part)), max(1, round(rows * part)))
    return cv2.resize(codes, to, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)


class Finder:
    """Pictures in a stream, by their own beginning and end.

    The lengths and boundaries that cameras write between them are wrong so often that they are not
    looked at; what is no picture is passed over.
    """

    def __init__(self) -> None:
        self._data = bytearray()
        self._since = 0.0  # when the first byte of the one being read came
        self._tried = 0

    def feed(self, chunk: bytes, at: float) -> tuple[bytes, float] | None:
        """The last picture that is whole now, and when it began to come; None: none yet."""
        if not self._data:
            self._since = at
        ends = max(0, len(self._data) - 1)  # a mark may be split between two chunks
        self._data += chunk
        ended = self._data.find(b"\xff\xd9", ends) >= 0
        found = None
        while True:
            begin = self._data.find(JPEG)
            if begin < 0:
                # two bytes of a beginning may be there
                del self._data[:-2]
                return found
            if begin > 0:
                del self._data[:begin]
                self._tried = 0
                self._since = at
            # walked anew only when there is a good deal more of it, or an end in what came
            if self._tried and len(self._data) < 2 * self._tried and not ended:
                return found
            try:
                end = outline(self._data).end
            except NotWhole:
                self._tried = len(self._data)
                if len(self._data) > MOST_BYTES:
                    del self._data[:3]
                    self._tried = 0
                    continue
                return found
            except NotAPicture:
                del self._data[:3]
                self._tried = 0
                continue
            found = bytes(self._data[:end]), self._since
            del self._data[:end]
            self._tried, self._since = 0, at
