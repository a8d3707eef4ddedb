"""Messages made by scapy and udsoncan, cut by scapy, decoded by us, and compared field by field."""

import random
import struct

from scapy.config import conf

conf.contribs["ISOTP"] = {"use-can-isotp-kernel-module": False}
conf.contribs["CAN"] = {"swap-bytes": False, "remove-padding": True}

import udsoncan
from scapy.contrib.automotive.kwp import KWP
from scapy.contrib.automotive.obd.obd import OBD
from scapy.contrib.automotive.uds import UDS
from scapy.contrib.isotp import ISOTP
from scapy.fields import BitField, FlagsField, ScalingField
from udsoncan.services import DiagnosticSessionControl, ReadDTCInformation

from program import Counts, Frame, candump, decode, temporary, write

COUNTS = Counts("services: scapy and udsoncan to us")
CHANCE = random.Random(7)
CASES = []  # (request, answer, check)


def case(request, answer, check):
    CASES.append((bytes(request), bytes(answer), check))


def values(got, name):
    return [field["value"] for field in got["fields"] if field["name"] == name]


def letters(number):
    """A three-byte code as the trade writes it, from udsoncan's number."""
    return f"{'PCBU'[number >> 22]}{(number >> 8) & 0x3FFF:04X}-{number & 0xFF:02X}"


# Codes of ISO 14229.


def code_lists():
    sub = ReadDTCInformation.Subfunction
    lists = [sub.reportDTCByStatusMask, sub.reportSupportedDTCs, sub.reportFirstTestFailedDTC, sub.reportFirstConfirmedDTC,
             sub.reportMostRecentTestFailedDTC, sub.reportMostRecentConfirmedDTC, sub.reportMirrorMemoryDTCByStatusMask,
             sub.reportEmissionsRelatedOBDDTCByStatusMask, sub.reportDTCWithPermanentStatus]
    for turn in range(500):
        which = CHANCE.choice(lists)
        # The ones that name "the first" and "the most recent" give one code at most.
        most = 1 if 0x0B <= which <= 0x0E else 40 if turn % 50 else 1100
        codes = [(CHANCE.randrange(1, 1 << 24), CHANCE.randrange(256)) for _ in range(CHANCE.randrange(most + 1))]
        answer = bytes([0x59, which, 0xFF]) + b"".join(code.to_bytes(3, "big") + bytes([status]) for code, status in codes)
        request = bytes([0x19, which]) + (bytes([0xFF]) if which in (2, 0x0F, 0x13) else b"")
        if which == sub.reportMirrorMemoryDTCByStatusMask:
            # Edition 2020 has taken it away; the 2013 edition knows it.
            edition = 2013
        else:
            edition = 2020 if which not in (0x13,) else 2013
        response = udsoncan.Response.from_payload(answer)
        data = ReadDTCInformation.interpret_response(response, which, standard_version=edition).service_data
        wanted = [(letters(code.id), code.status.get_byte_as_int()) for code in data.dtcs]
        mask = data.status_availability.get_byte_as_int()

        def check(got, where, wanted=wanted, mask=mask):
            codes = values(got, "code")
            status = [int(value, 16) for value in values(got, "status")]
            COUNTS.same(list(zip(codes, status)), wanted, where)
            COUNTS.same([int(value, 16) for value in values(got, "status bits supported")], [mask], where)

        case(request, answer, check)


def counters_and_counts():
    for _ in range(120):
        codes = [(CHANCE.randrange(1, 1 << 24), CHANCE.randrange(256)) for _ in range(CHANCE.randrange(0, 20))]
        answer = b"\x59\x14" + b"".join(code.to_bytes(3, "big") + bytes([count]) for code, count in codes)
        data = ReadDTCInformation.interpret_response(udsoncan.Response.from_payload(answer), 0x14).service_data
        wanted = [(letters(code.id), code.fault_counter) for code in data.dtcs]

        def check(got, where, wanted=wanted):
            found = values(got, "code")
            numbers = [field["raw"] for field in got["fields"] if "counter" in field["name"]]
            COUNTS.same(list(zip(found, [int(raw, 16) for raw in numbers])), wanted, where)

        case(b"\x19\x14", answer, check)
        which = CHANCE.choice([0x01, 0x07, 0x11, 0x12])
        answer = bytes([0x59, which, 0x7F, CHANCE.randrange(5)]) + CHANCE.randbytes(2)
        edition = 2020 if which in (1, 7) else 2013
        data = ReadDTCInformation.interpret_response(udsoncan.Response.from_payload(answer), which, standard_version=edition).service_data

        def count(got, where, data=data):
            COUNTS.same(values(got, "number of codes"), [data.dtc_count], where)

        case(bytes([0x19, which, 0xFF]) if which != 7 else b"\x19\x07\xff\xff", answer, count)


def severities():
    for _ in range(120):
        rows = [(CHANCE.choice([0x20, 0x40, 0x80]), CHANCE.randrange(256), CHANCE.randrange(1, 1 << 24), CHANCE.randrange(256))
                for _ in range(CHANCE.randrange(0, 15))]
        answer = b"\x59\x08\xff" + b"".join(bytes([s, u]) + c.to_bytes(3, "big") + bytes([b]) for s, u, c, b in rows)
        data = ReadDTCInformation.interpret_response(udsoncan.Response.from_payload(answer), 8).service_data
        wanted = [(letters(code.id), code.status.get_byte_as_int(), code.functional_unit, code.severity.get_byte_as_int()) for code in data.dtcs]

        def check(got, where, wanted=wanted):
            raw = {name: [int(field["raw"], 16) for field in got["fields"] if field["name"] == name] for name in ("status", "functional unit", "severity")}
            COUNTS.same(list(zip(values(got, "code"), raw["status"], raw["functional unit"], raw["severity"])), wanted, where)

        case(b"\x19\x08\xe0\xff", answer, check)


def sessions_and_refusals():
    for _ in range(60):
        answer = b"\x50" + bytes([CHANCE.randrange(1, 4)]) + CHANCE.randbytes(4)
        response = udsoncan.Response.from_payload(answer)
        data = DiagnosticSessionControl.interpret_response(response).service_data
        layer = UDS(answer)

        def check(got, where, data=data, layer=layer):
            numbers = [field["value"] for field in got["fields"] if field["unit"] in ("ms", "s")]
            unit = {"ms": 1e-3, "s": 1.0}
            seconds = [field["value"] * unit[field["unit"]] for field in got["fields"] if field["unit"] in unit]
            COUNTS.same(len(numbers), 2, where)
            for mine, theirs in zip(seconds, (data.p2_server_max, data.p2_star_server_max)):
                COUNTS.near(mine, theirs, where)
            COUNTS.same(got["service"], f"0x{layer.service:02X}", where)

        case(bytes([0x10, answer[1]]), answer, check)
    for service in (0x10, 0x11, 0x14, 0x19, 0x22, 0x27, 0x28, 0x2E, 0x2F, 0x31, 0x34, 0x3E, 0x85):
        for code in (0x10, 0x11, 0x12, 0x13, 0x14, 0x21, 0x22, 0x24, 0x31, 0x33, 0x35, 0x36, 0x37, 0x72, 0x78, 0x7E, 0x7F):
            layer = UDS(bytes([0x7F, service, code]))

            def check(got, where, layer=layer):
                asked, refused = layer.requestServiceId, layer.negativeResponseCode
                raw = [field["raw"] for field in got["fields"]]
                COUNTS.same(raw, ["7F", f"{asked:02X}", f"{refused:02X}"], where)
                COUNTS.same(got["pending_for"], f"0x{asked:02X}" if refused == 0x78 else None, where)

            case(bytes([service, 1, 1, 1]), bytes(layer), check)


# SAE J1979.

# The library's parameters are taken as they are, but for these.
LIBRARY = {
    # SAE J1979 (table of parameters): two bytes, (256 A + B) / 100 g/s. The library reads one.
    0x10: "scapy reads one byte of the air flow of parameter 10 (SAE J1979, Annex B: two)",
    **{pid: "scapy leaves out the offset of -128 mA in parameters 34 to 3B (SAE J1979, Annex B)" for pid in range(0x34, 0x3C)},
}


def numbers_of(layer):
    """The scaled values of a library's layer in the order of its bytes."""
    return [(field, getattr(layer, field.name)) for field in layer.fields_desc]


def parameters():

    known = {}
    for module in ("pids_00_1F", "pids_20_3F", "pids_40_5F", "pids_60_7F", "pids_80_9F", "pids_A0_C0"):
        loaded = __import__(f"scapy.contrib.automotive.obd.pid.{module}", fromlist=["*"])
        for name in dir(loaded):
            if name.startswith("OBD_PID"):
                known[int(name[7:], 16)] = getattr(loaded, name)
    for pid, layer in sorted(known.items()):
        length = len(bytes(layer()))
        fields = layer.fields_desc
        if pid == 0x10:
            length = 2
        for _ in range(25):
            data = CHANCE.randbytes(length)
            case(bytes([1, pid]), bytes([0x41, pid]) + data, parameter_check(pid, layer, data))
        # The same in a freeze frame (mode 02), behind the frame's number.
        if pid % 0x20 and pid != 0x02:
            for _ in range(5):
                data = CHANCE.randbytes(length)
                case(bytes([2, pid, 0]), bytes([0x42, pid, 0]) + data, parameter_check(pid, layer, data, 3))


def parameter_check(pid, layer, data, skip=2):
    def check(got, where):
        where = f"{where}, parameter {pid:02X}"
        theirs = layer(data)
        if pid % 0x20 == 0 and pid <= 0xC0:
            bits = int.from_bytes(data, "big")
            wanted = [f"{pid + 1 + place:02X}" for place in range(32) if bits >> (31 - place) & 1]
            shown = [field["value"] for field in got["fields"][skip:]]
            COUNTS.same(shown[0].split() if shown else [], wanted, where)
            return
        mine = [(field["bytes"][0] - skip, field["bytes"][1] - skip, field["value"]) for field in got["fields"][skip:]]
        # Every byte has its field.
        covered = sorted({place for start, end, _ in mine for place in range(start, end)})
        COUNTS.same(covered, list(range(len(data))), where)
        at = 0
        for field in layer.fields_desc:
            bits = getattr(field, "size", None)
            length = field.i2len(theirs, 0) if isinstance(field, ScalingField) and hasattr(field, "i2len") else field.sz
            if not isinstance(field, ScalingField):
                at += (bits / 8) if isinstance(bits, int) and bits and isinstance(field, (BitField, FlagsField)) else field.sz
                continue
            length = field.sz if not isinstance(bits, int) else bits / 8
            start, end = at, at + length
            at = end
            if start != int(start) or end != int(end):
                continue
            same = [value for mine_start, mine_end, value in mine if (mine_start, mine_end) == (start, end)]
            wanted = getattr(theirs, field.name)
            if pid in LIBRARY and (not same or not isinstance(same[0], (int, float)) or abs(same[0] - wanted) > 1e-9):
                COUNTS.library_fault(LIBRARY[pid])
                continue
            if not same or not isinstance(same[0], (int, float)):
                # Not supported by its own first byte, or a parameter that is shown as bytes.
                COUNTS.not_compared += 1
                continue
            if 0x24 <= pid <= 0x2B and isinstance(wanted, float) and wanted and 1e-9 < abs(same[0] / wanted - 1) < 2e-3:
                COUNTS.library_fault("scapy rounds the factor 2/65536 of parameters 24 to 2B to 0.0000305 (SAE J1979, Annex B)")
                continue
            # The library rounds what it scales.
            COUNTS.near(same[0], wanted, where, 10 ** -(field.ndigits) if hasattr(field, "ndigits") else 1e-9)

    return check


class Raw(udsoncan.DidCodec):
    """Data of an identifier as they are."""

    def __init__(self, length):
        self.length = length

    def encode(self, value):
        return value

    def decode(self, payload):
        return payload

    def __len__(self):
        return self.length


# Identifiers whose lengths the standard fixes (ISO 14229-1, Annex C).
DIDS = {0xF190: Raw(17), 0xF186: Raw(1)}


def records():
    """Snapshot and extended records of a code (0x19 0x03 to 0x06), and identifiers in numbers (0x22)."""
    for _ in range(60):
        rows = [(CHANCE.randrange(1, 1 << 24), CHANCE.randrange(1, 255)) for _ in range(CHANCE.randrange(1, 20))]
        answer = b"\x59\x03" + b"".join(code.to_bytes(3, "big") + bytes([number]) for code, number in rows)
        data = ReadDTCInformation.interpret_response(udsoncan.Response.from_payload(answer), 3).service_data
        wanted = sorted((letters(code.id), number) for code in data.dtcs for number in code.snapshots)

        def identification_check(got, where, wanted=wanted):
            numbers = [int(field["raw"], 16) for field in got["fields"] if "record" in field["name"]]
            COUNTS.same(sorted(zip(values(got, "code"), numbers)), wanted, where)

        case(b"\x19\x03", answer, identification_check)

        head = CHANCE.randrange(1, 1 << 24).to_bytes(3, "big") + CHANCE.randbytes(1)
        record = CHANCE.randrange(1, 255)
        dids = CHANCE.choices(list(DIDS), k=CHANCE.randrange(1, 4))
        inside = [(did, CHANCE.randbytes(len(DIDS[did]))) for did in dids]
        answer = b"\x59\x04" + head + bytes([record, len(inside)]) + b"".join(did.to_bytes(2, "big") + raw for did, raw in inside)
        data = ReadDTCInformation.interpret_response(udsoncan.Response.from_payload(answer), 4, dtc_snapshot_did_size=2, didconfig=DIDS).service_data
        wanted = [(f"0x{snapshot.did:04X}", snapshot.raw_data.hex().upper()) for snapshot in data.dtcs[0].snapshots]

        def snapshot_check(got, where, wanted=wanted, code=letters(data.dtcs[0].id)):
            COUNTS.same(values(got, "code"), [code], where)
            raw = [field["raw"] for field in got["fields"] if field["name"] == "data"]
            COUNTS.same(list(zip(values(got, "identifier"), raw)), wanted, where)

        case(b"\x19\x04" + head[:3] + b"\xff", answer, snapshot_check)

        raw = CHANCE.randbytes(CHANCE.randrange(1, 9))
        number = CHANCE.randrange(1, 0xF0)
        answer = b"\x59\x06" + head + bytes([number]) + raw
        data = ReadDTCInformation.interpret_response(udsoncan.Response.from_payload(answer), 6, extended_data_size=len(raw)).service_data
        wanted = data.dtcs[0].extended_data[0]

        def extended_check(got, where, wanted=wanted, code=letters(data.dtcs[0].id)):
            COUNTS.same(values(got, "code"), [code], where)
            payload = got["payload"]
            COUNTS.same(payload[12:14] + payload[14:], f"{wanted.record_number:02X}" + wanted.raw_data.hex().upper(), where)
            numbers = [int(field["raw"], 16) for field in got["fields"] if field["name"] == "extended data record"]
            COUNTS.same(numbers[:1], [wanted.record_number], where)

        case(b"\x19\x06" + head[:3] + bytes([number]), answer, extended_check)

        # Identifiers in one answer: cut where the next one that was asked for stands.
        asked = CHANCE.sample(range(0x0100, 0x2F00), CHANCE.randrange(2, 5))
        parts = [(did, CHANCE.choice(b"\xf8\xf9\xfa").to_bytes(1, "big") * CHANCE.randrange(1, 9)) for did in asked]
        codec = {did: Raw(len(raw)) for did, raw in parts}
        request = udsoncan.services.ReadDataByIdentifier.make_request(asked, codec).get_payload()
        answer = b"\x62" + b"".join(did.to_bytes(2, "big") + raw for did, raw in parts)
        data = udsoncan.services.ReadDataByIdentifier.interpret_response(udsoncan.Response.from_payload(answer), asked, codec).service_data
        wanted = [(f"0x{did:04X}", data.values[did].hex().upper()) for did in asked]

        def several_check(got, where, wanted=wanted):
            raw = [field["raw"] for field in got["fields"] if field["name"] == "data"]
            COUNTS.same(list(zip(values(got, "identifier"), raw)), wanted, where)

        case(request, answer, several_check)


def plain_codes():
    for mode in (0x43, 0x47, 0x4A):
        for _ in range(60):
            codes = [CHANCE.randrange(0x10000) for _ in range(CHANCE.randrange(0, 12))]
            answer = bytes([mode, len(codes)]) + b"".join(struct.pack(">H", code) for code in codes)
            layer = OBD(answer)
            wanted = [f"{'PCBU'[item.location]}{item.code1:X}{item.code2:X}{item.code3:X}{item.code4:X}" for item in layer.payload.dtcs]

            def check(got, where, wanted=wanted):
                COUNTS.same(values(got, "code"), wanted, where)

            case([mode - 0x40], answer, check)


def identification():
    for _ in range(40):
        text = "".join(CHANCE.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(17)).encode()

        def check(got, where, text=text):
            COUNTS.same(text.decode() in [field["value"] for field in got["fields"]], True, where)

        case(b"\x22\xf1\x90", b"\x62\xf1\x90" + text, check)
        case(b"\x09\x02", b"\x49\x02\x01" + text, check)


def older():
    """KWP 2000 code lists. scapy takes only the service apart; the layout is that of ISO 14230-3, 18 hex."""
    for _ in range(80):
        codes = [(CHANCE.randrange(0x10000), CHANCE.randrange(256)) for _ in range(CHANCE.randrange(0, 12))]
        answer = bytes([0x58, len(codes)]) + b"".join(struct.pack(">HB", *code) for code in codes)
        name = KWP(answer).sprintf("%KWP.service%").removesuffix("PositiveResponse")

        def check(got, where, codes=codes, name=name):
            COUNTS.same(got["fields"][0]["meaning"].lower(), name.lower(), where)
            wanted = [f"{'PCBU'[code >> 14]}{code & 0x3FFF:04X}" for code, _ in codes]
            COUNTS.same(values(got, "code"), wanted, where)
            COUNTS.same([int(value, 16) for value in values(got, "status")], [status for _, status in codes], where)

        case(b"\x18\x02\xff\x00", answer, check)


def main():
    code_lists()
    counters_and_counts()
    severities()
    sessions_and_refusals()
    records()
    parameters()
    plain_codes()
    identification()
    # KWP 2000 has a module of its own: a family belongs to a module.
    start = len(CASES)
    older()
    frames, now = [], 1_000_000
    for index, (request, answer, _) in enumerate(CASES):
        ids = (0x7E2, 0x7EA) if index >= start else (0x7E0, 0x7E8) if answer[0] < 0x50 else (0x7E1, 0x7E9)
        flow = Frame(0, 0, 0, False, b"\x30\0\0")
        for side, payload in ((0, request), (1, answer)):
            cut = ISOTP(payload, tx_id=ids[side]).fragment()
            for number, piece in enumerate(cut):
                frames.append(Frame(now, 0, ids[side], False, bytes(piece.data)))
                now += 500
                if number == 0 and len(cut) > 1:
                    frames.append(Frame(now, 0, ids[1 - side], False, flow.data))
                    now += 500
        now += 10_000
    found = decode(write(temporary(".log"), candump(frames)))
    COUNTS.same(len(found), 2 * len(CASES), "number of messages")
    if len(found) == 2 * len(CASES):
        for index, (request, answer, check) in enumerate(CASES):
            asked, got = found[2 * index], found[2 * index + 1]
            where = f"{request[:4].hex()} {answer[:12].hex()}"
            COUNTS.same((asked["payload"], got["payload"]), (request.hex().upper(), answer.hex().upper()), where)
            COUNTS.same((asked["direction"], got["direction"]), ("request", "response"), where)
            try:
                check(got, where)
            except (LookupError, TypeError, ValueError, AttributeError) as error:
                COUNTS.wrong.append(f"{where}: {error!r} in {got['fields'][:8]}")
    COUNTS.finish()


if __name__ == "__main__":
    main()
