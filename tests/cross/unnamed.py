"""Traffic of many makers' habits without a profile: every message has to be recognised, and nothing beside it.

The identifiers are pairs that are in use on roads (common practice, no source), ISO 15765-4's, and those of ISO 15765-2's
addressing formats; around them broadcast traffic, SAE J1939 with its own transport, and protocols that are not ours."""

import os
import random

from program import Counts, Frame, Wanted, candump, compare, decode, temporary, write

COUNTS = Counts("identifiers that nobody named")

# name: request (id, address byte), answer (id, address byte), requests to all or None, 29-bit
HABITS = {
    "ISO 15765-4, 11 bit": ((0x7E0, None), (0x7E8, None), (0x7DF, None), False),
    "ISO 15765-4, 29 bit": ((0x18DA10F1, None), (0x18DAF110, None), (0x18DB33F1, None), True),
    "another tester, 29 bit": ((0x18DA28F9, None), (0x18DAF928, None), None, True),
    "17FC and 17FE": ((0x17FC0076, None), (0x17FE0076, None), (0x1BFD0000, None), True),
    "17FC and 17FE, low": ((0x17FC0013, None), (0x17FE0013, None), None, True),
    "29 bit without a form": ((0x1DD01635, None), (0x1EC6AE80, None), None, True),
    "29 bit, one apart": ((0x00000715, None), (0x00000795, None), None, True),
    "6A apart": ((0x710, None), (0x77A, None), (0x700, None), False),
    "8 apart": ((0x7B3, None), (0x7BB, None), None, False),
    "20 apart": ((0x745, None), (0x765, None), None, False),
    "1 apart": ((0x784, None), (0x785, None), None, False),
    "400 apart": ((0x241, None), (0x641, None), None, False),
    "low identifiers": ((0x4E0, None), (0x5E0, None), None, False),
    "extended": ((0x6F1, 0x12), (0x612, 0xF1), (0x6F1, 0xDF), False),
    "extended, same byte": ((0x750, 0x40), (0x758, 0x40), None, False),
    "mixed, 29 bit": ((0x18CE55F1, 0x99), (0x18CEF155, 0x99), None, True),
}


def cut(payload, extension, fill, size=8):
    """The data fields of a message (ISO 15765-2, 9.6)."""
    head = b"" if extension is None else bytes([extension])

    def field(data):
        data = head + data
        if len(data) > 8:
            length = next(length for length in (12, 16, 20, 24, 32, 48, 64) if length >= len(data))
            return data + bytes([fill or 0]) * (length - len(data))
        return data if fill is None else data + bytes([fill]) * (8 - len(data))

    room = size - len(head)
    if len(payload) < min(room, 8 - len(head)):
        return [field(bytes([len(payload)]) + payload)]
    if size > 8 and len(payload) <= room - 2:
        return [field(bytes([0, len(payload)]) + payload)]
    first = bytes([0x10 | len(payload) >> 8, len(payload) & 0xFF])
    if len(payload) > 4095:
        first = b"\x10\0" + len(payload).to_bytes(4, "big")
    at = room - len(first)
    fields, number = [field(first + payload[:at])], 1
    while at < len(payload):
        fields.append(field(bytes([0x20 | number]) + payload[at:at + room - 1]))
        at, number = at + room - 1, (number + 1) % 16
    return fields


def talk(chance, kwp):
    """Requests and answers as a workshop's session has them."""
    yield (b"\x10\x81", b"\x50\x81") if kwp else (b"\x10\x03", b"\x50\x03\x00\x32\x01\xf4")
    for _ in range(chance.randrange(2, 60)):
        did = bytes([chance.choice([0xF1, 0x20, 0x01, 0xB0, 0xDD]), chance.randrange(256)])
        data = chance.randbytes(int(chance.choice([1, 2, 4, 8, 17, 30, 61, 200]) * chance.uniform(0.7, 1.5)) + 1)
        codes = b"".join(chance.randbytes(3) + bytes([chance.choice([0x08, 0x09, 0x2F, 0x50])]) for _ in range(chance.choice([0, 1, 2, 7, 64, 65])))
        yield chance.choice([
            lambda: (b"\x21" + did[1:], b"\x61" + did[1:] + data),
            lambda: (b"\x1a\x9b", b"\x5a\x9b" + data),
            lambda: (b"\x18\x00\xff\x00", b"\x58" + bytes([len(codes) // 4 % 85]) + b"".join(codes[at:at + 3] for at in range(0, len(codes) // 4 % 85 * 4, 4))),
            lambda: (b"\x3e", b"\x7e"),
            lambda: (b"\x21" + did[1:], b"\x7f\x21\x12"),
        ] if kwp else [
            lambda: (b"\x22" + did, b"\x62" + did + data),
            lambda: (b"\x22" + did, b"\x62" + did + data),
            lambda: (b"\x22" + did, b"\x7f\x22\x31"),
            lambda: (b"\x19\x02\xff", b"\x59\x02\xff" + codes),
            lambda: (b"\x3e\x00", b"\x7e\x00"),
            lambda: (b"\x2e" + did + data, b"\x6e" + did),
            lambda: (b"\x14\xff\xff\xff", b"\x54"),
            lambda: (b"\x31\x01" + did + data, b"\x71\x01" + did + b"\x00"),
            lambda: (b"\x27\x01", b"\x67\x01" + chance.randbytes(4)),
            lambda: (b"\x36" + did[1:] + data, b"\x76" + did[1:]),
        ])()


class Bus:
    """One bus: frames and the messages that must come out of them."""

    def __init__(self, number=0):
        self.number, self.frames, self.wanted = number, [], []

    def send(self, now, party, payload, extended, fill, gap, size=8, flow_from=None, flow=None):
        """A message with its flow control; gives the time of its last frame."""
        number, extension = party
        fields, start = cut(payload, extension, fill, size), now
        for place, data in enumerate(fields):
            if place == 1 and flow_from is not None:
                other, byte = flow_from
                head = b"" if byte is None else bytes([byte])
                answer = head + bytes([0x30, 0, 0])
                self.frames.append(Frame(now, self.number, other, extended, answer if fill is None else answer + bytes([fill]) * (8 - len(answer))))
                now += gap
            self.frames.append(Frame(now, self.number, number, extended, data, size > 8))
            end, now = now, now + gap
        self.wanted.append(Wanted(start, end, self.number, number, extended, extension, len(fields), payload))
        return now

    def conversation(self, chance, habit, now, kwp=False, size=8, step=20_000):
        request, answer, to_all, extended = habit
        fill = chance.choice([None, 0x00, 0x55, 0xAA, 0xCC, 0xFF])
        gap = chance.randrange(300, 3_000)
        if to_all and not kwp:
            for payload in (b"\x3e\x80", b"\x10\x83", b"\x85\x82"):
                now = self.send(now, to_all, payload, extended, fill, gap, size) + 30_000
        for asked, answered in talk(chance, kwp):
            now = self.send(now, request, asked, extended, fill, gap, size, answer) + chance.randrange(1_000, 30_000)
            if chance.random() < 0.05 and answered[0] != 0x7F:
                now = self.send(now, answer, bytes([0x7F, asked[0], 0x78]), extended, fill, gap, size) + 100_000
            now = self.send(now, answer, answered, extended, fill, gap, size, request) + chance.randrange(step // 10, step * 3)
            if to_all and not kwp and chance.random() < 0.1:
                now = self.send(now, to_all, b"\x3e\x80", extended, fill, gap, size) + 10_000
        return now

    def broadcast(self, chance, until, taken, count=40):
        """Cyclic messages as a vehicle's bus has them: constants, counters, checksums, signals that wander."""
        for _ in range(count):
            extended = chance.random() < 0.2
            number = chance.choice([chance.randrange(0x010, 0x6A0), chance.randrange(0x400, 0x700)])
            if extended:
                number = chance.choice([0x0CF00400, 0x18FEF100, 0x18FEF200, 0x10000000, 0x0C000000]) | chance.randrange(0x100)
            if number in taken:
                continue
            taken.add(number)
            period, length = chance.choice([10, 20, 50, 100, 200, 500, 1000]) * 1000, chance.choice([8, 8, 8, 8, 7, 6, 5, 4, 2])
            still = bytearray(chance.randbytes(length))
            # Many bytes are zero, and first bytes are often small: the hard case.
            for place in range(length):
                if chance.random() < 0.5:
                    still[place] = 0
            if chance.random() < 0.4:
                still[0] = chance.randrange(0x40)
            moving = [place for place in range(length) if chance.random() < 0.4]
            style = chance.choice(["count", "noise", "still", "nibble"])
            now, turn = chance.randrange(period), 0
            while now < until:
                data = bytearray(still)
                for place in moving:
                    data[place] = {"count": turn, "noise": chance.randrange(256), "still": still[place], "nibble": still[place] & 0xF0 | turn & 15}[style] & 0xFF
                self.frames.append(Frame(now, self.number, number, extended, bytes(data)))
                now, turn = now + period + chance.randrange(-period // 20, period // 20 + 1), turn + 1

    def truck(self, chance, until):
        """SAE J1939: groups, requests, acknowledgements, and messages of its own transport (BAM and RTS/CTS)."""
        now = 5_000
        while now < until:
            source = chance.choice([0x00, 0x0B, 0x21, 0xF9])
            size = chance.randrange(9, 60)
            packets = (size + 6) // 7
            group = chance.choice([0xFECA, 0xFEE3, 0xFEEC]).to_bytes(3, "little")
            to_all = chance.random() < 0.6
            target = 0xFF if to_all else 0xF9
            cm, dt = 0x1CEC0000 | target << 8 | source, 0x1CEB0000 | target << 8 | source
            control = 0x20 if to_all else 0x10
            sent = [(cm, bytes([control]) + size.to_bytes(2, "little") + bytes([packets, 0xFF]) + group)]
            if not to_all:
                sent.append((0x1CEC0000 | source << 8 | target, bytes([0x11, packets, 1, 0xFF, 0xFF]) + group))
            sent += [(dt, bytes([number + 1]) + chance.randbytes(7)) for number in range(packets)]
            if not to_all:
                sent.append((0x1CEC0000 | source << 8 | target, bytes([0x13]) + size.to_bytes(2, "little") + bytes([packets, 0xFF]) + group))
            sent.append((0x18EAFFF9, group))
            sent.append((0x18E8FFF9, bytes([0, 0xFF, 0xFF, 0xFF, 0xF9]) + group))
            sent.append((0x18EEFF00 | source, chance.randbytes(8)))
            for number, data in sent:
                self.frames.append(Frame(now, self.number, number, True, data))
                now += 10_000
            now += chance.randrange(200_000)

    def older_transport(self, chance, until):
        """A connection-oriented transport of the K-line's successors that is not ISO 15765-2 (channel set-up on 0x200, then
        opcodes 0x1x, 0x2x, 0xAx and 0xBx)."""
        now, tick = 10_000, 0
        self.frames.append(Frame(now, self.number, 0x200, False, bytes([1, 0xC0, 0, 0x10, 0, 3, 1])))
        self.frames.append(Frame(now + 5_000, self.number, 0x201, False, bytes([0, 0xD0, 0, 3, 0x40, 7, 1])))
        self.frames.append(Frame(now + 8_000, self.number, 0x740, False, bytes([0xA0, 0x0F, 0x8A, 0xFF, 0x32, 0xFF])))
        self.frames.append(Frame(now + 9_000, self.number, 0x300, False, bytes([0xA1, 0x0F, 0x8A, 0xFF, 0x4A, 0xFF])))
        while now < until:
            now += 50_000
            for asker, answerer, payload in ((0x740, 0x300, b"\x00\x02\x21" + bytes([tick & 0xFF])), (0x300, 0x740, b"\x00\x0a\x61" + chance.randbytes(9))):
                while payload:
                    last = len(payload) <= 7
                    self.frames.append(Frame(now, self.number, asker, False, bytes([(0x10 if last else 0x20) | tick & 15]) + payload[:7]))
                    payload, tick, now = payload[7:], tick + 1, now + 2_000
                self.frames.append(Frame(now, self.number, answerer, False, bytes([0xB0 | tick & 15])))
                now += 3_000
            if chance.random() < 0.2:
                self.frames.append(Frame(now, self.number, 0x740, False, b"\xa3"))
                self.frames.append(Frame(now + 1_000, self.number, 0x300, False, bytes([0xA1, 0x0F, 0x8A, 0xFF, 0x4A, 0xFF])))


def check(buses, where):
    frames = sorted((frame for bus in buses for frame in bus.frames), key=lambda frame: frame.time_us)
    wanted = [item for bus in buses for item in bus.wanted]
    if not frames:
        return
    found = decode(write(temporary(".log"), candump(frames)))
    before = len(COUNTS.wrong)
    compare(COUNTS, found, wanted, 0, where)
    COUNTS.compared += not wanted
    if len(COUNTS.wrong) > before and os.environ.get("KEEP"):
        write(os.path.join(os.environ["KEEP"], where.replace(" ", "-") + ".log"), candump(frames))


def habits(turns):
    for seed in range(turns):
        for name, habit in HABITS.items():
            chance = random.Random(f"{name} {seed}")
            kwp = seed % 4 == 3 and habit[0][1] is None
            bus = Bus()
            size = 64 if seed % 5 == 4 else 8
            end = bus.conversation(chance, habit, 100_000 * seed, kwp, size)
            taken = {party[0] for party in habit[:3] if party}
            bus.broadcast(chance, end, taken, chance.choice([0, 40, 80]))
            check([bus], f"{name}, {'KWP' if kwp else 'UDS'}, {size} bytes, {seed}")


def many(turns):
    """All of them at once, on two buses with the same identifiers, a truck beside them."""
    for seed in range(turns):
        chance = random.Random(seed)
        buses = [Bus(0), Bus(1)]
        end = 0
        for bus in buses:
            for habit in HABITS.values():
                end = max(end, bus.conversation(chance, habit, chance.randrange(3_000_000)))
            if seed % 2:
                bus.truck(chance, end)
        check(buses, f"all together {seed}")


def testers(turns):
    """Two testers ask the same modules; one module answers both."""
    for seed in range(turns):
        chance = random.Random(seed)
        bus = Bus()
        for module in (0x10, 0x28, 0x40):
            for tester in (0xF1, 0xF9):
                habit = ((0x18DA0000 | module << 8 | tester, None), (0x18DA0000 | tester << 8 | module, None), None, True)
                bus.conversation(chance, habit, chance.randrange(1_000_000))
            for tester in (0xF1, 0xF4):
                habit = ((0x600 | tester, module), (0x600 | module, tester), None, False)
                bus.conversation(chance, habit, chance.randrange(1_000_000))
        check([bus], f"two testers {seed}")


def silence(turns):
    """Nothing of ours: not a single message may come out."""
    for seed in range(turns):
        chance = random.Random(f"silence {seed}")
        bus = Bus()
        end = chance.choice([2_000_000, 20_000_000])
        if seed % 3 == 0:
            bus.truck(chance, end)
        if seed % 3 == 1:
            bus.older_transport(chance, end)
        bus.broadcast(chance, end, {0x200, 0x201, 0x300, 0x740}, 80)
        check([bus], f"nothing of ours {seed}")


def main():
    turns = int(os.environ.get("TURNS", "6"))
    habits(turns)
    many(turns)
    testers(turns)
    silence(turns * 6)
    COUNTS.finish()


if __name__ == "__main__":
    main()
