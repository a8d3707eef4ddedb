"""Damaged traffic: frames lost, repeated, late, cut off, exchanged. A plain listener (`plain.py`) and the program must
agree on every message, whole or broken; without a profile nothing may come out that the plain listener has not."""

import copy
import os
import random
import re

from plain import Plain
from program import Counts, Frame, candump, compare, decode, identifier, temporary, write
from transport import merged, profile_of, talks

COUNTS = Counts("damaged traffic: a plain listener to us")
BASE_US = 1_600_000_000_000_000


def lose(frames, chance):
    share = chance.choice([0.002, 0.01, 0.05, 0.2])
    return [frame for frame in frames if chance.random() > share]


def lose_runs(frames, chance):
    kept, skip = [], 0
    for frame in frames:
        if skip == 0 and chance.random() < 0.003:
            skip = chance.randrange(1, 60)
        if skip:
            skip -= 1
        else:
            kept.append(frame)
    return kept


def hear_twice(frames, chance):
    """Copies as a loopback makes them (at most 50 µs later), and later ones, which are real."""
    made = []
    for frame in frames:
        made.append(frame)
        if chance.random() < 0.05:
            again = copy.copy(frame)
            again.time_us += chance.choice([1, 20, 50, 51, 60, 400])
            made.append(again)
    return sorted(made, key=lambda frame: frame.time_us)


def pause(frames, chance):
    late = 0
    for frame in frames:
        if chance.random() < 0.004:
            late += chance.choice([300_000, 999_000, 1_000_500, 1_200_000, 5_000_000])
        frame.time_us += late
    return frames


def cut(frames, chance):
    start, end = sorted(chance.randrange(len(frames)) for _ in range(2))
    return frames[start:end + 1]


def exchange(frames, chance):
    for one, two in zip(frames, frames[1:]):
        if chance.random() < 0.01:
            one.id, two.id = two.id, one.id
            one.extended, two.extended = two.extended, one.extended
            one.bus, two.bus = two.bus, one.bus
            one.data, two.data = two.data, one.data
            one.fd, two.fd = two.fd, one.fd
    return frames


def shorten(frames, chance):
    for frame in frames:
        if not frame.fd and chance.random() < 0.01:
            frame.data = frame.data[:chance.randrange(len(frame.data) + 1)]
    return frames


def refuse(frames, chance):
    """Some flow control says "wait", "overflow" or what is reserved."""
    for frame in frames:
        place = next((place for place in (0, 1) if frame.data[place:place + 1] == b"\x30"), None)
        if place is not None and chance.random() < 0.2:
            frame.data = frame.data[:place] + bytes([chance.choice([0x31, 0x32, 0x33])]) + frame.data[place + 1:]
    return frames


def scramble(frames, chance):
    for frame in frames:
        if frame.data and chance.random() < 0.01:
            place = chance.randrange(min(3, len(frame.data)))
            changed = bytearray(frame.data)
            changed[place] ^= 1 << chance.randrange(8)
            frame.data = bytes(changed)
    return frames


DAMAGES = [lose, lose_runs, hear_twice, pause, cut, exchange, shorten, refuse, scramble]


def parties(made):
    """Partners and address bytes as the plain listener wants them."""
    partners, prefixes = {}, {}
    for talk in made:
        keys = []
        for side in talk.sides:
            extended = side.address.is_tx_29bits()
            number, byte = side.address.get_tx_arbitration_id(), side.address.get_tx_extension_byte()
            prefixes[(number, extended)] = int(byte is not None)
            keys.append((number, extended, byte))
        partners[keys[0]], partners[keys[1]] = keys[1], keys[0]
    return partners, prefixes


def heard(frames, partners, prefixes):
    plain = Plain(partners, prefixes)
    for frame in frames:
        plain.push(frame)
    return plain.finish(frames[-1].time_us) if frames else []


def as_set(item):
    if isinstance(item, dict):
        return (item["channel"], item["id"], item["extension"], round(item["end_s"] * 1e6), item["payload"], item["frames"], item["fault"])
    extension = None if item.extension is None else f"0x{item.extension:02X}"
    return (f"can{item.bus}", identifier(item), extension, item.end_us, item.payload.hex().upper(), item.frames, item.fault)


def nothing_invented(found, wanted, where, sent=()):
    """Without a profile an identifier may stay unrecognised; gives the share of whole messages that were found.

    Whose flow control it was is not known from the start. So a fault may have another name, and a message that its
    receiver refused, while all of its frames came, may pass for whole: its bytes are those that were `sent`."""
    have, allowed = [as_set(item) for item in found], {as_set(item) for item in wanted}
    sent = {(as_set(item)[:3], item.payload.hex().upper()) for item in sent}
    COUNTS.compared += len(have)
    for item in have:
        if item[-1] is None and item not in allowed and (item[:3], item[4]) not in sent:
            COUNTS.wrong.append(f"{where}: invented {item}")
    whole = {item for item in allowed if item[-1] is None}
    return len(whole & set(have)), len(whole)


def one(made, damages, seed, profile):
    chance = random.Random(seed)
    frames, sent = merged(made)
    frames = [copy.copy(frame) for frame in frames]
    for frame in frames:
        frame.time_us += BASE_US
    for damage in damages:
        frames = damage(frames, chance)
    if not frames:
        return 0, 0
    name = "+".join(damage.__name__ for damage in damages) + f" {seed}"
    wanted = heard(frames, *parties(made))
    path = write(temporary(".log"), candump(frames))
    compare(COUNTS, decode(path, "--profile", profile), wanted, 0, f"{name} with profile")
    return nothing_invented(decode(path), wanted, f"{name} without profile", sent)


# Real traffic: the same damage to logs of the corpus, whose diagnostic identifiers are known.

REAL = {
    "kona_dcan_vcu_mcu_scan.log": [(0x7DF, None)] + [(number, number + 8) for number in range(0x700, 0x7F8) if number & 8 == 0 and number != 0x7DF],
    "kona_bms_io_control.log": [(0x7DF, None), (0x7E4, 0x7EC)],
    "evox_kwp_stream.log": [(0x784, 0x785)],
    "gt350_uds_body.log": [(0x726, 0x72E)],
}


def real(folder):
    for name, ids in REAL.items():
        path = os.path.join(folder, name)
        if not os.path.exists(path):
            continue
        frames, buses = [], {}
        for line in open(path, encoding="ascii"):
            found = re.match(r"\((\d+)\.(\d{6})\) (\S+) ([0-9A-F]+)#([0-9A-F]*)$", line.strip())
            if not found:
                continue
            bus = buses.setdefault(found[3], len(buses))
            frames.append(Frame(int(found[1]) * 1_000_000 + int(found[2]), bus, int(found[4], 16), len(found[4]) == 8, bytes.fromhex(found[5])))
        partners, prefixes = {}, {}
        entries = []
        present = {frame.id for frame in frames}
        for request, response in ids:
            if not {request, response} & present:
                continue
            prefixes[(request, False)] = 0
            if response is None:
                continue
            prefixes[(response, False)] = 0
            partners[(request, False, None)] = (response, False, None)
            partners[(response, False, None)] = (request, False, None)
            entries.append(f"  - {{ name: m{request:X}, role: other, request: 0x{request:X}, response: 0x{response:X}, addressing: normal, protocol: uds }}\n")
        profile = write(temporary(".yaml"), "profile: 1\nmodules:\n" + "".join(entries))
        share = [0, 0]
        for seed in range(24):
            chance = random.Random(seed)
            chosen = chance.sample(DAMAGES, chance.randrange(4)) if seed else []
            damaged = [copy.copy(frame) for frame in frames]
            for damage in chosen:
                damaged = damage(damaged, chance)
            if not damaged:
                continue
            wanted = heard(damaged, partners, prefixes)
            where = f"{name}, {[damage.__name__ for damage in chosen]} {seed}"
            path = write(temporary(".log"), candump(damaged))
            found = [item for item in decode(path, "--profile", profile) if (int(item["id"], 16), item["extended_id"]) in prefixes]
            compare(COUNTS, found, wanted, 0, where)
            got, all_of = nothing_invented(decode(path), wanted, f"{where}, without profile")
            if got < all_of and os.environ.get("VERBOSE"):
                print(f"    {where}: {got} of {all_of}")
            share = [share[0] + got, share[1] + all_of]
        print(f"  {name}: {share[0]} of {share[1]} whole messages without a profile")


def main():
    got = all_of = 0
    for seed in range(int(os.environ.get("TURNS", "27"))):
        made = talks(100 + seed, 8, can_fd=seed % 4 == 3)
        profile = profile_of(made)
        chance = random.Random(seed)
        damages = [DAMAGES[seed % len(DAMAGES)]] + chance.sample(DAMAGES, chance.randrange(3))
        found, whole = one(made, damages, seed, profile)
        got, all_of = got + found, all_of + whole
    print(f"  without a profile {got} of {all_of} whole messages were recognised")
    folder = os.environ.get("TONERING_CORPUS")
    if folder:
        real(folder)
    COUNTS.finish()


if __name__ == "__main__":
    main()
