"""Messages cut into frames by can-isotp, written by python-can and scapy, put together by us."""

import gzip
import logging
import random

import can
import zstd
from scapy.layers.can import CAN, CANFD
from scapy.utils import wrpcap

from program import Counts, candump, compare, decode, temporary, write
from traffic import MODE, MODES, Talk, exchange

# scapy warns of two classes of packets in one file; both have the link type that is asked for.
logging.getLogger("scapy").setLevel(logging.ERROR)

COUNTS = Counts("transport: can-isotp to us")
BASE_US = 1_700_000_000_000_000


def talks(seed, exchanges, can_fd=False, free=False):
    """Conversations of every addressing on two buses, going on at the same time."""
    chance = random.Random(seed)
    made = []
    for bus in (0, 1):
        for number, mode in enumerate(MODES):
            for copy in (0, 1):
                talk = Talk(mode, 4 + number + 8 * copy, bus, chance, can_fd)
                for turn in range(exchanges):
                    longest = 5200 if turn % 23 == 5 else 700
                    request, answer = exchange(chance, longest)
                    if turn == 17 and copy == 0:
                        answer = b"\x62\xf1\x90" + chance.randbytes(chance.choice([4092, 4093, 4500, 5000]))
                        request = b"\x22\xf1\x90"
                    if free:
                        request, answer = (chance.randbytes(chance.randrange(1, 300)) for _ in range(2))
                    talk.say(0, request)
                    talk.say(1, answer)
                made.append(talk)
    return made


def merged(made):
    """All frames in the order of time, each at a time of its own per bus."""
    frames = sorted((frame for talk in made for frame in talk.frames), key=lambda frame: frame.time_us)
    return frames, [item for talk in made for item in talk.wanted]


def profile_of(made):
    lines = sorted({talk.profile() for talk in made})
    return write(temporary(".yaml"), "profile: 1\nmodules:\n" + "".join(lines))


def shifted(frames):
    for frame in frames:
        frame.time_us += BASE_US
    return frames


def messages(frames):
    for frame in frames:
        yield can.Message(
            timestamp=frame.time_us / 1e6, arbitration_id=frame.id, is_extended_id=frame.extended,
            is_fd=frame.fd, bitrate_switch=frame.fd, data=frame.data, channel=frame.bus, is_rx=True,
        )


def packet_of(frame):
    flags = "extended" if frame.extended else ""
    made = (CANFD if frame.fd else CAN)(identifier=frame.id, flags=flags, length=len(frame.data), data=frame.data)
    if frame.fd:
        made.fd_flags = 0x05
    made.time = frame.time_us / 1e6
    return made


def containers(frames, wanted, name, *more):
    """The same traffic in every kind of capture that the libraries write."""
    text = candump(frames)
    path = write(temporary(".log"), text)
    compare(COUNTS, decode(path, *more), wanted, 0, f"{name}, candump", lambda bus: f"can{bus}")

    path = temporary(".log")
    with can.CanutilsLogWriter(path) as writer:
        for message in messages(frames):
            message.channel = f"can{message.channel}"
            writer.on_message_received(message)
    compare(COUNTS, decode(path, *more), wanted, 0, f"{name}, candump by python-can")

    if not any(frame.fd for frame in frames):
        path = write(temporary(".txt"), candump(frames, screen=True))
        compare(COUNTS, decode(path, *more), wanted, 0, f"{name}, candump as on the screen")

    path = temporary(".log.gz")
    with gzip.open(path, "wt") as file:
        file.write(text)
    compare(COUNTS, decode(path, *more), wanted, 0, f"{name}, gzip")
    path = temporary(".log.zst")
    with open(path, "wb") as file:
        file.write(zstd.compress(text.encode()))
    compare(COUNTS, decode(path, *more), wanted, 0, f"{name}, zstd")

    # A plain pcap has one interface: only the first bus.
    path = temporary(".pcap")
    wrpcap(path, [packet_of(frame) for frame in frames if frame.bus == 0], linktype=227)
    first = [item for item in wanted if item.bus == 0]
    compare(COUNTS, decode(path, *more), first, 0, f"{name}, pcap by scapy", str)

    path = temporary(".mf4")
    with can.MF4Writer(path) as writer:
        for message in messages(frames):
            writer.on_message_received(message)
    found = decode(path, *more)
    base = min(frame.time_us for frame in frames)
    offset = round(min(item["time_s"] for item in found) * 1e6) - (min(item.start_us for item in wanted) - base)
    compare(COUNTS, found, wanted, base - offset, f"{name}, MDF 4 by python-can", str)


def one(name, seed, exchanges, **options):
    made = talks(seed, exchanges, **options)
    frames, wanted = merged(made)
    shifted(frames)
    for item in wanted:
        item.start_us += BASE_US
        item.end_us += BASE_US
    profile = profile_of(made)
    containers(frames, wanted, f"{name} with profile", "--profile", profile)
    if not options.get("free"):
        path = write(temporary(".log"), candump(frames))
        compare(COUNTS, decode(path), wanted, 0, f"{name} without profile")
    return frames


def main():
    one("classic", 1, 36)
    one("CAN FD", 2, 24, can_fd=True)
    one("any bytes", 3, 12, free=True)
    COUNTS.finish()


if __name__ == "__main__":
    main()
