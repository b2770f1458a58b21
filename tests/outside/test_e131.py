"""What is sent, against the tables of ANSI E1.31-2018 (from memory) and an independent decoder."""

from __future__ import annotations

import shutil
import struct
import subprocess
import time
from pathlib import Path

import pytest

from tests.bridge.test_stream import SOURCE, Playing, a_set
from tests.receiving import Receiver

# the part of it for E1.31 is switched off as it comes
DECODE = ("tshark", "--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE", "-r")


@pytest.fixture(scope="module")
def packets() -> list[bytes]:
    """A light comes on, goes out, and its stream ends."""
    with Receiver(1) as receiver, Playing(a_set(to1=(receiver.address,))) as playing:
        playing.stream.tell("hair", {"level": 80.0}, 0.0)
        time.sleep(0.3)
        playing.stream.tell("hair", {"level": 0.0}, 0.0)
        playing.stream.end()
        assert receiver.until(lambda: "timeout" in receiver.available, 3)
        time.sleep(0.2)
        return [raw for _, raw in receiver.raw]


def test_a_packet_is_byte_for_byte_what_the_standard_says(packets: list[bytes]) -> None:
    # Table 4-1 and 4-2 (from memory): octets, field, value
    raw = packets[0]
    assert len(raw) == 638
    tables = [
        (0, 2, b"\x00\x10", "preamble size"),
        (2, 2, b"\x00\x00", "postamble size"),
        (4, 12, b"ASC-E1.17\0\0\0", "ACN packet identifier"),
        (16, 2, struct.pack(">H", 0x7000 | (638 - 16)), "flags 0x7 and length of the root layer"),
        (18, 4, b"\0\0\0\x04", "VECTOR_ROOT_E131_DATA"),
        (22, 16, SOURCE.bytes, "CID"),
        (38, 2, struct.pack(">H", 0x7000 | (638 - 38)), "flags and length of the framing layer"),
        (40, 4, b"\0\0\0\x02", "VECTOR_E131_DATA_PACKET"),
        (44, 64, b"studiobridge kiln-shelf".ljust(64, b"\0"), "source name"),
        (108, 1, bytes([90]), "priority"),
        (109, 2, b"\0\0", "synchronisation address: none"),
        (111, 1, b"\0", "sequence number"),
        (112, 1, b"\0", "options"),
        (113, 2, b"\0\x01", "universe"),
        (115, 2, struct.pack(">H", 0x7000 | (638 - 115)), "flags and length of the DMP layer"),
        (117, 1, b"\x02", "VECTOR_DMP_SET_PROPERTY"),
        (118, 1, b"\xa1", "address type and data type"),
        (119, 2, b"\0\0", "first property address"),
        (121, 2, b"\0\x01", "address increment"),
        (123, 2, b"\x02\x01", "property value count: 513"),
        (125, 1, b"\0", "start code"),
    ]
    for at, length, value, what in tables:
        assert raw[at : at + length] == value, what
    # 80 % of 65535 is 52428, 0xcccc; the fixture's first slot is 25
    assert raw[126:] == bytes(24) + b"\xcc\xcc" + bytes(486)


def test_the_universe_gives_the_group() -> None:
    # 9.3.1 (from memory): 239.255, then the universe with its higher byte first
    from sacn.messages.data_packet import calculate_multicast_addr

    assert calculate_multicast_addr(1) == "239.255.0.1"
    assert calculate_multicast_addr(258) == "239.255.1.2"
    assert calculate_multicast_addr(63999) == "239.255.249.255"


def capture(packets: list[bytes]) -> bytes:
    """The packets as a capture file of IP packets (libpcap's format, link type 101)."""
    out = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 101)
    for n, raw in enumerate(packets):
        udp = struct.pack(">HHHH", 49000, 5568, 8 + len(raw), 0) + raw
        head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(udp), n, 0, 64, 17, 0)
        packet = head + bytes([10, 0, 0, 1, 10, 0, 0, 7]) + udp
        out += struct.pack("<IIII", n, 0, len(packet), len(packet)) + packet
    return out


@pytest.mark.skipif(shutil.which("tshark") is None, reason="needs tshark")
def test_an_independent_decoder_reads_the_same(packets: list[bytes], tmp_path: Path) -> None:
    path = tmp_path / "sent.pcap"
    path.write_bytes(capture(packets))
    fields = ["cid", "dmx.source_name", "dmx.priority", "dmx.universe", "dmx.seq_number"]
    fields += ["dmx.option_s", "dmx.start_code2", "dmx.count", "dmp_vector"]
    found = subprocess.run(
        [*DECODE, str(path), "-T", "fields"]
        + [word for field in fields for word in ("-e", f"acn.{field}")],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    rows = [line.split("\t") for line in found.stdout.splitlines()]
    assert len(rows) == len(packets)
    for n, row in enumerate(rows):
        last = n >= len(rows) - 3
        assert row[:5] == [str(SOURCE), "studiobridge kiln-shelf", "90", "1", str(n)]
        assert row[5] in (("1", "True") if last else ("0", "False")), f"packet {n}"
        assert row[7:] == ["513", "2"]
    shown = subprocess.run(
        [*DECODE, str(path), "-V", "-c", "1"],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    (line,) = [line for line in shown.stdout.splitlines() if "020-040" in line]
    assert line.split(":")[1].split()[4:6] == ["CC", "CC"]
    assert "Malformed" not in shown.stdout
