"""Conversations of can-isotp with a clock of their own, and the frames and messages they make."""

import random

import isotp
import isotp.tools

from program import Frame, Wanted


class Clock:
    """Stands in for the library's clock, so that separation times cost no time."""

    now_us = 0

    def perf_counter_ns(self):
        return self.now_us * 1000


CLOCK = Clock()
isotp.tools.time = CLOCK

MODE = isotp.AddressingMode
MODES = [
    MODE.Normal_11bits,
    MODE.Normal_29bits,
    MODE.NormalFixed_29bits,
    MODE.Extended_11bits,
    MODE.Extended_29bits,
    MODE.Mixed_11bits,
    MODE.Mixed_29bits,
]


def addresses(mode, index):
    """Tester's address, and what a profile says of the conversation; `index` keeps identifiers apart."""
    if mode in (MODE.Normal_11bits, MODE.Normal_29bits):
        request = 0x700 + index if mode == MODE.Normal_11bits else 0x14DA0100 + 0x1000 * index
        keys = {"txid": request, "rxid": request ^ 0x80}
        return keys, swapped(keys, "txid", "rxid"), "normal"
    if mode == MODE.NormalFixed_29bits:
        keys = {"target_address": 0x20 + index, "source_address": 0xF1}
        return keys, swapped(keys, "target_address", "source_address"), "normal-fixed"
    if mode in (MODE.Extended_11bits, MODE.Extended_29bits):
        request = 0x600 + index if mode == MODE.Extended_11bits else 0x15000600 + 0x1000 * index
        keys = {"txid": request, "rxid": request ^ 0x80, "target_address": 0x40 + index, "source_address": 0xF0 - index}
        other = swapped(swapped(keys, "txid", "rxid"), "target_address", "source_address")
        return keys, other, "extended"
    if mode == MODE.Mixed_11bits:
        keys = {"txid": 0x680 + index - 0x20, "rxid": (0x680 + index - 0x20) ^ 0x08, "address_extension": 0x90 + index}
        return keys, swapped(keys, "txid", "rxid"), "mixed"
    keys = {"target_address": 0x60 + index, "source_address": 0xF1, "address_extension": 0xA0 + index}
    return keys, swapped(keys, "target_address", "source_address"), "mixed"


def swapped(keys, one, other):
    return {**keys, one: keys[other], other: keys[one]}


class Side:
    """One end of a conversation."""

    def __init__(self, talk, mode, keys, parameters):
        self.address = isotp.Address(mode, **keys)
        self.inbox = []
        self.sent = []
        self.logic = isotp.TransportLayerLogic(self.receive, self.send, self.address, params=parameters, error_handler=self.fail)
        self.talk = talk

    def fail(self, error):
        raise error

    def receive(self, _timeout):
        return self.inbox.pop(0) if self.inbox else None

    def send(self, message):
        self.sent.append((CLOCK.now_us, message))
        self.talk.carry(self, message)

    @property
    def prefix(self):
        return len(self.address.get_tx_extension_byte().to_bytes(1, "big")) if self.address.get_tx_extension_byte() is not None else 0


class Talk:
    """A tester and a module on one bus."""

    def __init__(self, mode, index, bus, chance, can_fd=False):
        self.mode, self.bus, self.chance, self.can_fd = mode, bus, chance, can_fd
        tester, module, self.addressing = addresses(mode, index)
        self.sides = [
            Side(self, mode, keys, self.parameters()) for keys in (tester, module)
        ]
        self.frames, self.wanted = [], []
        self.now_us = chance.randrange(1, 400_000)

    def parameters(self):
        chance = self.chance
        separation = chance.choice([0, 0, 1, 2, 5, 0xF1, 0xF5, 0xF9])
        parameters = {
            "stmin": separation,
            "blocksize": chance.choice([0, 0, 1, 2, 8, 15, 255]),
            "tx_padding": chance.choice([None, 0x00, 0x55, 0xAA, 0xCC, 0xFF]),
            "max_frame_size": 70_000,
        }
        if self.can_fd:
            parameters.update(can_fd=True, tx_data_length=chance.choice([8, 16, 32, 64]))
            parameters["tx_padding"] = parameters["tx_padding"] or 0xCC
        return parameters

    def carry(self, side, message):
        other = self.sides[1] if side is self.sides[0] else self.sides[0]
        other.inbox.append(message)
        self.frames.append(Frame(CLOCK.now_us, self.bus, message.arbitration_id, message.is_extended_id, bytes(message.data), message.is_fd))
        CLOCK.now_us += self.chance.randrange(130, 400)

    def say(self, side_index, payload, functional=False):
        """Carries one message over and notes what must come out."""
        CLOCK.now_us = self.now_us
        sender, other = self.sides[side_index], self.sides[1 - side_index]
        sender.sent.clear()
        kind = isotp.TargetAddressType.Functional if functional else isotp.TargetAddressType.Physical
        sender.logic.send(payload, kind)
        idle = 0
        while idle < 3:
            before = len(self.frames)
            sender.logic.process()
            other.logic.process()
            CLOCK.now_us += 50
            busy = len(self.frames) != before or sender.logic.transmitting()
            idle = 0 if busy else idle + 1
        if not functional:
            got = other.logic.recv()
            assert got == payload, "the library does not understand itself"
        else:
            other.logic.recv()
        data = [(time, message) for time, message in sender.sent]
        self.wanted.append(Wanted(
            data[0][0], data[-1][0], self.bus, data[0][1].arbitration_id, data[0][1].is_extended_id,
            sender.address.get_tx_extension_byte(), len(data), bytes(payload),
        ))
        self.now_us = CLOCK.now_us + self.chance.randrange(500, 20_000)

    def profile(self):
        """This conversation as an entry of a vehicle profile."""
        ids = [side.address.get_tx_arbitration_id() for side in self.sides]
        lines = [f"  - {{ name: m{ids[0]:x}-{self.sides[0].address.get_tx_extension_byte()}, role: other, request: 0x{ids[0]:X}, response: 0x{ids[1]:X}, addressing: {self.addressing}, protocol: uds"]
        if self.addressing in ("extended", "mixed"):
            bytes_ = [side.address.get_tx_extension_byte() for side in self.sides]
            lines.append(f", request_extension: 0x{bytes_[0]:02X}, response_extension: 0x{bytes_[1]:02X}")
        return "".join(lines) + " }\n"


def exchange(chance, longest):
    """A request and its answer as ISO 14229 has them, of random content; the longer of the two has `longest` bytes at most."""
    size = min(longest, int(chance.choice([3, 5, 8, 20, 60, 200, 600]) * chance.uniform(0.5, 1.5)) + 3)
    did = chance.randrange(0x10000).to_bytes(2, "big")
    data = chance.randbytes(max(1, size - 3))
    return chance.choice([
        lambda: (b"\x22" + did, b"\x62" + did + data),
        lambda: (b"\x2e" + did + data, b"\x6e" + did),
        lambda: (b"\x22" + did, b"\x7f\x22\x31"),
        lambda: (b"\x31\x01" + did + data, b"\x71\x01" + did + data[:4]),
        lambda: (b"\x19\x02\xff", b"\x59\x02\xff" + (data + bytes(4))[: max(4, len(data) // 4 * 4)]),
        lambda: (b"\x36\x01" + data, b"\x76\x01"),
    ])()
