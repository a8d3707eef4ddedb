"""The reverse: traffic that the program makes (`rig`), put together by scapy and taken apart by scapy and udsoncan."""

import os
import random
import re

from scapy.config import conf

conf.contribs["ISOTP"] = {"use-can-isotp-kernel-module": False}
conf.contribs["CAN"] = {"swap-bytes": False, "remove-padding": True}

import udsoncan
from scapy.contrib.automotive.obd.obd import OBD
from scapy.contrib.automotive.uds import UDS
from scapy.contrib.isotp import ISOTPMessageBuilder
from scapy.layers.can import CAN
from udsoncan.services import ReadDTCInformation

from program import Counts, decode, run, temporary

COUNTS = Counts("the rig to scapy and udsoncan, and to us")


def frames_of(path):
    for line in open(path, encoding="ascii"):
        found = re.match(r"\((\d+\.\d{6})\) \S+ ([0-9A-F]+)#([0-9A-F]*)$", line.strip())
        if found:
            packet = CAN(identifier=int(found[2], 16), flags="extended" if len(found[2]) == 8 else "", data=bytes.fromhex(found[3]))
            packet.time = float(found[1])
            yield packet


def values(got, name):
    return [field["value"] for field in got["fields"] if field["name"] == name]


def letters(number):
    return f"{'PCBU'[number >> 22]}{(number >> 8) & 0x3FFF:04X}-{number & 0xFF:02X}"


def compare_message(got, payload, where):
    service = payload[0]
    if service < 0x40 and 0x0A < service or service in (0x50, 0x62, 0x67, 0x6E, 0x7E):
        layer = UDS(payload)
        COUNTS.same(got["service"], f"0x{layer.service:02X}", where)
    if service == 0x59 and payload[1] == 2:
        data = ReadDTCInformation.interpret_response(udsoncan.Response.from_payload(payload), 2).service_data
        wanted = [(letters(code.id), f"0x{code.status.get_byte_as_int():02X}") for code in data.dtcs]
        COUNTS.same(list(zip(values(got, "code"), values(got, "status"))), wanted, where)
    elif service in (0x43, 0x47, 0x4A):
        wanted = [f"{'PCBU'[item.location]}{item.code1:X}{item.code2:X}{item.code3:X}{item.code4:X}" for item in OBD(payload).payload.dtcs]
        COUNTS.same(values(got, "code"), [code for code in wanted if code != "P0000"], where)
    elif service == 0x7F:
        layer = UDS(payload)
        COUNTS.same([field["raw"] for field in got["fields"][1:3]], [f"{layer.requestServiceId:02X}", f"{layer.negativeResponseCode:02X}"], where)
    elif service == 0x41 and payload[1] == 0x0C:
        COUNTS.same([field["value"] for field in got["fields"] if field["unit"] == "rpm"], [(payload[2] * 256 + payload[3]) / 4], where)
    elif service == 0x41 and payload[1] == 0x0D:
        COUNTS.same([field["value"] for field in got["fields"] if field["unit"] == "km/h"], [payload[2]], where)


def one(seed):
    path, profile = temporary(".log"), temporary(".yaml")
    run("rig", "--random", "--seed", str(seed), "--output", path, "--profile-out", profile)
    found = [item for item in decode(path, "--profile", profile) if item["complete"]]
    ids = {(int(item["id"], 16), item["extended_id"]) for item in found}
    text = open(profile, encoding="utf-8").read()
    if re.search(r"addressing: (extended|mixed)", text):
        return
    theirs = []
    for number, extended in sorted(ids):
        builder = ISOTPMessageBuilder(use_ext_address=False, rx_id=[number])
        last = None
        for packet in frames_of(path):
            if packet.identifier == number and (packet.flags == "extended") == extended:
                # The library gives a message the time of its first frame, so it is fetched frame by frame.
                builder.feed(packet)
                last = packet.time
                while (message := builder.pop()) is not None:
                    theirs.append((round(float(last) * 1e6), number, bytes(message.data)))
    mine = [(round(item["end_s"] * 1e6), int(item["id"], 16), bytes.fromhex(item["payload"])) for item in found]
    where = f"rig --random --seed {seed}"
    COUNTS.compared += len(mine)
    for item in sorted(set(theirs) - set(mine))[:5]:
        # A broken message of which the library goes on with what comes later: not ours.
        COUNTS.wrong.append(f"{where}: lost {item[1]:X} {item[2].hex()} at {item[0]}")
    for item in sorted(set(mine) - set(theirs))[:5]:
        COUNTS.wrong.append(f"{where}: invented {item[1]:X} {item[2].hex()} at {item[0]}")
    for got in found:
        compare_message(got, bytes.fromhex(got["payload"]), f"{where}, {got['id']} {got['payload'][:24]}")


def main():
    chance = random.Random(5)
    for _ in range(int(os.environ.get("TURNS", "12"))):
        one(chance.randrange(1, 100_000))
    COUNTS.finish()


if __name__ == "__main__":
    main()
