"""Packets on the wire against the tables of ANSI E1.31-2018 (from memory) and another decoder."""

from __future__ import annotations

import ipaddress
import shutil
import socket
import struct
import subprocess
import uuid
from pathlib import Path

import pytest
from sacn.messages.data_packet import calculate_multicast_addr

from studiobridge.bridge.stream import PORT, _Way
from studiobridge.bridge.universe import Frame
from studiobridge.profile.model import Universe
from tests.receiving import an_address

SOURCE = uuid.UUID("12345678-1234-5678-9abc-def012345678")
NAME = "studiobridge wheel-corner"
SLOTS = tuple(i % 256 for i in range(512))
UNIVERSE, PRIORITY = 63999, 150


def by_the_tables(sequence: int, last: bool) -> bytes:
    """Tables 4-1 to 4-3, each field in its order; a length counts from its own flags to the end."""
    root = struct.pack(">HH12sHI16s", 16, 0, b"ASC-E1.17\0\0\0", 0x7000 | 622, 4, SOURCE.bytes)
    options = 0x40 if last else 0
    framing = struct.pack(
        ">HI64sBHBBH", 0x7000 | 600, 2, NAME.encode(), PRIORITY, 0, sequence, options, UNIVERSE
    )
    dmp = struct.pack(">HBBHHHB", 0x7000 | 523, 2, 0xA1, 0, 1, 513, 0)
    return root + framing + dmp + bytes(SLOTS)


@pytest.fixture(scope="module")
def sent() -> list[bytes]:
    """257 frames and one that ends the stream."""
    address = an_address()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind((address, PORT))
        receiver.settimeout(2.0)
        way = _Way(Universe(UNIVERSE, (address,), PRIORITY), SOURCE, NAME, PORT)
        found = []
        for n in range(258):
            assert way.send(Frame(UNIVERSE, SLOTS, last=n == 257), 0.0, lambda: True) is None
            found.append(receiver.recv(2048))
        way.close()
    return found


def test_every_byte_stands_where_the_tables_have_it(sent: list[bytes]) -> None:
    """The sequence counts every packet and begins again after 255."""
    for n, packet in enumerate(sent):
        assert packet == by_the_tables(n % 256, last=n == 257)


@pytest.mark.skipif(shutil.which("tshark") is None, reason="tshark is not installed")
def test_another_decoder_reads_the_same(sent: list[bytes], tmp_path: Path) -> None:
    """tshark's own dissector of ACN, as DEVELOPERS.md calls it."""
    capture = tmp_path / "frames.pcap"
    with capture.open("wb") as file:
        file.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1))
        for n, packet in enumerate((sent[0], sent[255], sent[256], sent[257])):
            ip = struct.pack(">BBHHHBBH", 0x45, 0, 28 + len(packet), 1, 0, 8, 17, 0)
            ip += bytes((10, 0, 0, 1, 239, 255, 249, 255))
            udp = struct.pack(">HHHH", 40000, PORT, 8 + len(packet), 0)
            whole = bytes(12) + b"\x08\0" + ip + udp + packet
            file.write(struct.pack("<IIII", n, 0, len(whole), len(whole)) + whole)
    asked = ["tshark", "-r", str(capture), "-o", "acn.dmx_enable:TRUE", "--enable-heuristic", "acn"]
    said = subprocess.run([*asked, "-V"], capture_output=True, text=True, timeout=60, check=True)
    lines = [line.strip() for line in said.stdout.splitlines()]
    fields = (
        f"CID: {SOURCE}",
        f"Universe: {UNIVERSE}",
        f"Source: {NAME}",
        f"Priority: {PRIORITY}",
        "Start Code: 0 (0x00)",
        "Count: 513",
        "Increment: 1",
        "First Property Address: 0 (0x0000)",
    )
    assert {field: lines.count(field) for field in fields} == dict.fromkeys(fields, 4)
    numbers = [line.split()[-1] for line in lines if line.startswith("Seq No: ")]
    assert numbers == ["0", "255", "0", "1"]
    assert len([line for line in lines if line.endswith("Stream Terminated: True")]) == 1
    assert "Malformed" not in said.stdout


def test_the_group_of_every_universe() -> None:
    """9.3.1: 239.255. and the universe, its higher byte first."""
    first = int(ipaddress.ip_address("239.255.0.0"))
    for universe in range(1, 64000):
        assert calculate_multicast_addr(universe) == str(ipaddress.ip_address(first + universe))
