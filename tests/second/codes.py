"""Which number a make gives to what its module noticed. (code, third byte or None)"""


def C(n):
    return "C%04X" % n


GMW = ["C0035", "C0040", "C0045", "C0050"]
TOY = ["C0205", "C0200", "C0215", "C0210"]


def code_for(car, kind, place, f=None):
    s = car["style"]
    T = car["T"]
    v = (f or {}).get("variant")
    if place is not None:
        w = place
        if s in ("sae3", "sae3plain"):
            n = 0x31 + 3 * w
            ftb = {
                "open": T["open_ftb"],
                "shortg": "11",
                "shortb": "12",
                "elecint": "1F",
                "nosig": T["nosig_ftb"],
                "erratic": T["err_ftb"],
                "ring": "07",
                "dev": T["dev_ftb"],
                "high": "64",
                "amp": "21",
            }[kind]
            if kind == "ring":
                n -= 1
            if kind in ("shortg",) and car["sensor"] == "active" and T["ring"]:
                n += 1  # the sensor's feed is watched on its own
            return C(n), ftb
        if s == "circ":
            n = 0x500 + 6 * w
            return {
                "open": (C(n), {"13": "13", "14": "14", "15": "14"}[T["open_ftb"]]),
                "shortg": (C(n), "11"),
                "shortb": (C(n), "12"),
                "elecint": (C(n), "1F"),
                "nosig": (C(n), "31" if T["ring"] else "23"),
                "erratic": (C(n), "1F" if T["latch"] else "2F"),
                "ring": (C(0x518 + w), "07"),
                "dev": (C(n), "1C") if T["ring"] else (C(n + 1), "62"),
                "high": (C(n), "24"),
                "amp": (C(n + 1), "21"),
            }[kind]
        if s == "circ0":
            n = 0x500 + 6 * w
            return {
                "open": C(n),
                "shortg": C(n + 2),
                "shortb": C(n + 3),
                "elecint": C(n + 4),
                "nosig": C(n),
                "erratic": C(n + 4),
                "ring": C(0x518 + w),
                "dev": C(n + 1),
                "high": C(n + 1),
                "amp": C(n + 1),
            }[kind], "00"
        if s == "gm":
            if car["access"] == "kwp" and w < 2:
                b = 0x225 if w == 0 else 0x221
                if kind == "dev":
                    return "C0238", None
                return (
                    C(b + {"open": 0, "shortg": 0, "shortb": 0, "elecint": 2, "nosig": 1, "amp": 1}.get(kind, 2)),
                    None,
                )
            ftb = {
                "open": "06" if T["open_ftb"] == "14" else "04",
                "shortg": "02",
                "shortb": "01",
                "elecint": "0F",
                "nosig": "08",
                "erratic": "0F",
                "ring": "0F",
                "dev": "5A",
                "high": "5A",
                "amp": "18",
            }[kind]
            if kind == "dev":
                return "C0238", "00"
            return GMW[w], ftb
        if s == "toyold":
            return TOY[w], None
    m = {"sae3": 0, "circ": 1, "circ0": 1, "gm": 2, "toyold": 3, "sae3plain": 0}[s]
    R = {
        "vlow": [("U3003", "16"), ("C0564", "16"), ("C0899", "03"), ("C0564", None)],
        "vhigh": [("U3003", "17"), ("C0565", "17"), ("C0900", "07"), ("C0565", None)],
        "fluid": [("C0049", "7B"), ("C0049", "00"), ("C0049", "00"), ("C0049", None)],
        "flsw": [("C004B", "13"), ("C004B", "00"), ("C004B", "00"), ("C004B", None)],
        "pump": [
            ("C0020", {"motor": "13", "relay": "11", "stuck": "71"}.get(v, "01")),
            ("C052C" if v != "stuck" else "C052B", "00"),
            ("C0110", {"motor": "04", "relay": "04", "stuck": "61"}.get(v, "00")),
            ("C0110", None),
        ],
        "valve": [
            (C([0x10, 0x14, 0x18, 0x1C][(f or {}).get("vw", 0)] + bool((f or {}).get("outlet"))), "01"),
            ("C053B", "00"),
            (
                ("C0121", "04")
                if v == "relay"
                else (C([0x60, 0x70, 0x80, 0x90][(f or {}).get("vw", 0)] + 5 * bool((f or {}).get("outlet"))), "00")
            ),
            ("C0121", None),
        ],
        "brsw": [
            ("C0040", {"stuck-on": "64", "stuck-off": "62"}.get(v, "1F")),
            ("P0571", "00"),
            ("C0161", "5A"),
            ("P0571", None),
        ],
        "press": [
            ("C0044", "28" if v == "offset" else "14"),
            ("C0044", "00" if v == "circuit" else "28"),
            ("C0044", "00"),
            ("C0044", None),
        ],
        "motion": [
            (
                {"yaw-offset": "C0063", "sas-zero": "C0051", "dead": "C0063", "lateral": "C0061"}.get(v, "C0063"),
                {"yaw-offset": "28", "sas-zero": "28", "dead": "31", "lateral": "64"}.get(v, "64"),
            )
        ]
        * 4,
        "swap": [("C0063", "64"), ("C0063", "64"), ("C0063", "5A"), ("C0063", None)],
        "coding": [
            (
                {"uncoded": "C0563", "mismatch": "U0300", "zero": "C0051"}.get(v, "C0563"),
                {"uncoded": "55", "mismatch": "55", "zero": "54"}.get(v, "55"),
            )
        ]
        * 4,
        "internal": [
            ("C0563", {"memory": "46", "electronics": "49", "hydraulic": "96"}.get(v, "49")),
            ("C0563", "49" if v != "hydraulic" else "00"),
            ("C0550", "00"),
            ("C0563", None),
        ],
        "net": [("U0073", "88"), ("U0073", "00"), ("U0073", "00"), ("U0073", None)],
        "netlost": [("U0100", "87"), ("U0100", "00"), ("U0100", "00"), ("U0100", None)],
    }[kind][m]
    if m == 1 and s == "circ0" and R[1] not in ("55", "54", "28"):
        R = (R[0], "00")
    if m == 3 or car["access"] in ("obd", "kwp", "engine-only"):
        R = (R[0], None)
    return R


def dtc_bytes(code):
    n = "PCBU".index(code[0]) << 14 | int(code[1]) << 12 | int(code[2:], 16)
    return bytes([n >> 8, n & 255])
