"""Frames, ISO 15765-2, files."""

import numpy as np, struct


class Bus:
    def __init__(s):
        s.parts = []

    def bulk(s, t, ident, data, ext=False):
        """data: (n, len) uint8"""
        n, L = data.shape
        if not n:
            return
        d = np.zeros((n, 8), np.uint8)
        d[:, :L] = data
        s.parts.append(
            (
                np.asarray(t, float),
                np.full(n, ident | (0x80000000 if ext else 0), np.uint32),
                np.full(n, L, np.uint8),
                d,
            )
        )

    def one(s, t, ident, data, ext=False):
        s.bulk(np.array([t]), ident, np.frombuffer(bytes(data), np.uint8)[None, :], ext)

    def error(s, t, cls=0x08, data=(0, 0, 4, 0, 0, 0, 0, 0)):
        d = np.array([list(data)], np.uint8)
        s.parts.append((np.array([t]), np.array([0x20000000 | cls], np.uint32), np.array([8], np.uint8), d))

    def sorted(s):
        t = np.concatenate([p[0] for p in s.parts])
        i = np.concatenate([p[1] for p in s.parts])
        l = np.concatenate([p[2] for p in s.parts])
        d = np.concatenate([p[3] for p in s.parts])
        o = np.argsort(t, kind="stable")
        return t[o], i[o], l[o], d[o]

    def write(s, path, kind, t0, keep=None, chan="can0"):
        t, i, l, d = s.sorted()
        if keep is not None:
            m = keep(t)
            t, i, l, d = t[m], i[m], l[m], d[m]
        if kind == "candump":
            h = d.tobytes().hex().upper()
            with open(path, "w") as f:
                out = []
                for k, (x, a, n) in enumerate(zip((t + t0).tolist(), i.tolist(), l.tolist())):
                    a2 = "%08X" % (a & 0x1FFFFFFF if a & 0x80000000 else a) if a >= 0x20000000 else "%03X" % a
                    out.append("(%.6f) %s %s#%s\n" % (x, chan, a2, h[16 * k : 16 * k + 2 * n]))
                f.write("".join(out))
        else:
            n = len(t)
            rec = np.zeros(
                n,
                np.dtype(
                    [
                        ("bt", "<u4"),
                        ("bl", "<u4"),
                        ("if", "<u4"),
                        ("hi", "<u4"),
                        ("lo", "<u4"),
                        ("cl", "<u4"),
                        ("ol", "<u4"),
                        ("id", ">u4"),
                        ("len", "u1"),
                        ("pad", "V3"),
                        ("d", "V8"),
                        ("bl2", "<u4"),
                    ]
                ),
            )
            us = np.round((t + t0) * 1e6).astype(np.uint64)
            rec["bt"] = 6
            rec["bl"] = rec["bl2"] = rec.dtype.itemsize
            rec["hi"] = us >> 32
            rec["lo"] = us & 0xFFFFFFFF
            rec["cl"] = rec["ol"] = 16
            rec["id"] = i
            rec["len"] = l
            rec["d"] = d.view("V8")[:, 0]
            shb = struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28)
            name = b"can0"
            opt = struct.pack("<HH", 2, 4) + name + struct.pack("<HH", 0, 0)
            idb = struct.pack("<IIHHI", 1, 20 + len(opt), 227, 0, 0) + opt + struct.pack("<I", 20 + len(opt))
            with open(path, "wb") as f:
                f.write(shb + idb + rec.tobytes())
        return len(t)


class Link:
    """one module's diagnostic address"""

    def __init__(s, mode, req, resp, target=None, pad=0x55):
        s.mode, s.req, s.resp, s.target, s.pad = mode, req, resp, target, pad
        s.ext = req > 0x7FF

    def _frames(s, payload, prefix):
        room = 7 - len(prefix)
        p = bytes(payload)
        if len(p) <= room:
            return [prefix + bytes([len(p)]) + p]
        fr = [prefix + bytes([0x10 | len(p) >> 8, len(p) & 255]) + p[: room - 1]]
        p = p[room - 1 :]
        sn = 1
        while p:
            fr.append(prefix + bytes([0x20 | sn]) + p[:room])
            p = p[room:]
            sn = (sn + 1) % 16
        return fr

    def send(s, bus, rng, t, payload, up):
        """up: True for the answer. Returns time after the last frame."""
        ident, other = (s.resp, s.req) if up else (s.req, s.resp)
        pre = b"" if s.mode != "extended" else (b"\xf1" if up else bytes([s.target]))
        back = b"" if s.mode != "extended" else (bytes([s.target]) if up else b"\xf1")
        fr = s._frames(payload, pre)
        pad = lambda b: b + bytes([s.pad]) * (8 - len(b))
        bus.one(t, ident, pad(fr[0]), s.ext)
        if len(fr) > 1:
            t += rng.uniform(0.0008, 0.004)
            bus.one(t, other, pad(back + b"\x30\x00\x00"), s.ext)
            for x in fr[1:]:
                t += rng.uniform(0.001, 0.006)
                bus.one(t, ident, pad(x), s.ext)
        return t

    def ask(s, bus, rng, t, req, resp, wait=None):
        t = s.send(bus, rng, t, req, False)
        if resp is None:
            return t + rng.uniform(0.6, 1.1)
        if rng.random() < 0.05 and req[0] in (0x19, 0x18, 0x14):
            t = s.send(bus, rng, t + rng.uniform(0.01, 0.04), bytes([0x7F, req[0], 0x78]), True) + rng.uniform(
                0.05, 0.4
            )
        return s.send(bus, rng, t + rng.uniform(0.004, 0.03), resp, True) + rng.uniform(0.004, 0.03)


def pack(values, start, length, order, nbytes=8):
    """(n,) ints into (n, nbytes) frames by DBC numbering"""
    out = np.zeros((len(values), nbytes), np.uint8)
    v = values.astype(np.uint64)
    if order == "little":
        for b in range(length):
            p = start + b
            out[:, p // 8] |= ((v >> np.uint64(b)) & np.uint64(1)).astype(np.uint8) << np.uint8(p % 8)
    else:
        byte, bit = start // 8, start % 8
        for b in range(length - 1, -1, -1):
            out[:, byte] |= ((v >> np.uint64(b)) & np.uint64(1)).astype(np.uint8) << np.uint8(bit)
            bit -= 1
            if bit < 0:
                bit = 7
                byte += 1
    return out
