"""ISO 13400 made by scapy: diagnostic messages cut and joined by TCP as it likes, decoded by us.

IPv4 and IPv6, with and without a VLAN tag, several messages in a segment and several segments a message, segments out of
order and sent again, a capture that begins in the middle of a connection, and one from which segments are missing."""

import logging
import os
import random

logging.getLogger("scapy").setLevel(logging.ERROR)

from scapy.contrib.automotive.doip import DoIP
from scapy.contrib.automotive.uds import UDS
from scapy.layers.inet import IP, TCP, UDP
from scapy.layers.inet6 import IPv6
from scapy.layers.l2 import Dot1Q, Ether
from scapy.utils import wrpcap, wrpcapng

from program import Counts, decode, temporary

COUNTS = Counts("ISO 13400: scapy to us")
BASE = 1_650_000_000.0


def below(chance, six, tagged, sport, dport):
    layers = Ether(src="02:00:00:00:00:01", dst="02:00:00:00:00:02")
    if tagged:
        layers = layers / Dot1Q(vlan=chance.randrange(1, 4095))
    pair = ("fd00::1", "fd00::2") if six else ("192.168.1.1", "192.168.1.2")
    pair = pair if dport == 13400 else pair[::-1]
    return layers / (IPv6 if six else IP)(src=pair[0], dst=pair[1])


def payloads(chance, count):
    """Messages of a connection: most are diagnostic, between them what else there is."""
    for _ in range(count):
        size = int(chance.choice([1, 3, 8, 60, 700, 5000]) * chance.uniform(0.4, 1.3)) + 1
        source, target = chance.randrange(0x10000), chance.randrange(0x10000)
        kind = chance.random()
        if kind < 0.7:
            uds = bytes(UDS(service=chance.choice([0x22, 0x2E, 0x62, 0x36, 0x59]))) + chance.randbytes(size)
            yield bytes(DoIP(payload_type=0x8001, source_address=source, target_address=target) / uds), (source, target, uds)
        elif kind < 0.8:
            yield bytes(DoIP(payload_type=0x8002, source_address=source, target_address=target, ack_code=0)), None
        elif kind < 0.9:
            yield bytes(DoIP(payload_type=0x0007)), None
        else:
            yield bytes(DoIP(payload_type=0x0008, source_address=source)), None


def direction(chance, layers, sport, dport, stream, late):
    """The segments of one direction."""
    at, number, segments = 0, chance.choice([0, 1000, 0xFFFFF000, chance.randrange(1 << 32)]), []
    while at < len(stream):
        length = chance.choice([1, 5, 60, 536, 1460])
        piece = stream[at:at + length]
        made = layers / TCP(sport=sport, dport=dport, seq=(number + at) % (1 << 32), ack=1, flags="PA") / piece
        segments.append((at, made))
        if chance.random() < 0.05:
            segments.append((at, made.copy()))
        at += length
    if late:
        # Without the beginning of the connection nobody knows what stood before its first segment.
        for place in range(1, len(segments) - 1):
            if chance.random() < 0.1:
                segments[place], segments[place + 1] = segments[place + 1], segments[place]
    return segments


def one(seed):
    chance = random.Random(seed)
    six, tagged = seed & 1, seed & 2
    wanted, packets, now = [], [], BASE
    mode = ("whole", "late", "middle", "lossy")[seed // 4 % 4]
    for connection in range(2):
        port = 50_000 + connection
        for dport, sport in ((13400, port), (port, 13400)):
            made = list(payloads(chance, 40))
            stream = b"".join(data for data, _ in made)
            layers = below(chance, six, tagged, sport, dport)
            segments = direction(chance, layers, sport, dport, stream, mode == "late")
            # Where each message lies in the stream, so that one can say what has to come out.
            places, at = [], 0
            for data, message in made:
                places.append((at, at + len(data), message))
                at += len(data)
            gone = set()
            if mode == "middle":
                gone = set(range(chance.randrange(len(segments) // 2)))
            if mode == "lossy":
                gone = {place for place in range(len(segments)) if chance.random() < 0.02}
            # A segment that was sent twice is only gone when both are.
            came = bytearray(len(stream))
            for place, (start, segment) in enumerate(segments):
                if place not in gone:
                    size = len(segment[TCP].payload)
                    came[start:start + size] = b"\1" * size
                    segment.time = now
                    now += chance.choice([0.0001, 0.001, 0.01])
                    packets.append(segment)
            for start, end, message in places:
                if message and all(came[start:end]):
                    source, target, uds = message
                    wanted.append((f"0x{source:04X}>0x{target:04X}", uds.hex().upper()))
            sent = {(f"0x{m[0]:04X}>0x{m[1]:04X}", m[2].hex().upper()) for _, _, m in places if m}
            one.sent = getattr(one, "sent", set()) | sent
    packets.insert(0, below(chance, six, tagged, 13400, 13400) / UDP(sport=13400, dport=13400) / DoIP(payload_type=0x0001))
    packets[0].time = BASE - 1
    path = temporary(".pcapng" if seed % 3 == 0 else ".pcap")
    (wrpcapng if seed % 3 == 0 else wrpcap)(path, packets)
    found = decode(path)
    got = [(item["extension"], item["payload"]) for item in found if item["complete"]]
    COUNTS.compared += len(got)
    lost = list(wanted)
    for item in got:
        if item in lost:
            lost.remove(item)
        elif item not in one.sent:
            COUNTS.wrong.append(f"{mode} {seed}: invented {item[0]} {item[1][:60]}")
        else:
            COUNTS.wrong.append(f"{mode} {seed}: whole, but not all of its segments came: {item[0]} {item[1][:60]}")
    # What is lost in the middle takes with it what stands before the next header that is certain.
    allowed = {"whole": 0, "late": 0, "middle": 4, "lossy": len(wanted) // 5}[mode]
    if len(lost) > allowed:
        COUNTS.wrong.append(f"{mode} {seed}: {len(lost)} of {len(wanted)} lost, such as {lost[0][0]} {lost[0][1][:60]}")
    for item in found:
        if item["transport"] != "iso13400" or item["id"] is not None:
            COUNTS.wrong.append(f"{mode} {seed}: {item}")


def main():
    for seed in range(int(os.environ.get("TURNS", "48"))):
        one(seed)
    COUNTS.finish()


if __name__ == "__main__":
    main()
