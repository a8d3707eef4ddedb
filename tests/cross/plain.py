"""ISO 15765-2 as a listener hears it, written from the standard as plainly as possible: slow, no recognition.

It shares nothing with the program. Which identifiers carry messages, and who is whose partner, is told beforehand.
"""

from program import Wanted

LIMIT_US = 1_000_000  # N_Bs and N_Cr
COPY_US = 50  # an exact copy within this time is an artefact of the capture
ORPHAN_BYTES = 4095


class Open:
    """A message under way, or consecutive frames without a first one."""

    def __init__(self, frame, announced, payload, stride):
        self.start_us = self.end_us = self.active_us = frame.time_us
        self.announced, self.payload, self.stride = announced, bytearray(payload), stride
        self.frames, self.next, self.refused = 1, 1, False


class Plain:
    """Frames in, messages out."""

    def __init__(self, partners, prefixes):
        self.partners = partners  # (id, extended, address byte) of a side: the same of the other side
        self.prefixes = prefixes  # (id, extended): how many address bytes its frames have
        self.open, self.last, self.out = {}, {}, []

    def end(self, key, fault):
        item = self.open.pop(key)
        if item.announced is None:
            fault = "orphan"
        elif item.refused and fault != "sequence":
            fault = "overflow"
        self.give(key, item, fault)

    def give(self, key, item, fault):
        bus, identifier, extended, extension = key
        self.out.append(Wanted(item.start_us, item.end_us, bus, identifier, extended, extension, item.frames, bytes(item.payload), fault))

    def push(self, frame):
        for key in [key for key, item in self.open.items() if key[0] == frame.bus and frame.time_us - item.active_us > LIMIT_US]:
            self.end(key, "timeout")
        prefix = self.prefixes.get((frame.id, frame.extended))
        if prefix is None:
            return
        lane = (frame.bus, frame.id, frame.extended)
        before, self.last[lane] = self.last.get(lane), frame
        if before and before.data == frame.data and frame.time_us - before.time_us <= COPY_US:
            return
        data = frame.data
        if len(data) <= prefix:
            return
        key = (*lane, data[0] if prefix else None)
        kind, low, rest = data[prefix] >> 4, data[prefix] & 15, data[prefix + 1:]
        getattr(self, ("single", "first", "consecutive", "flow")[kind] if kind < 4 else "nothing")(key, frame, prefix, low, rest)

    def nothing(self, *_):
        pass

    def single(self, key, frame, prefix, low, rest):
        if len(frame.data) > 8:
            if low or not rest:
                return
            low, rest = rest[0], rest[1:]
        if low == 0:
            return
        item = Open(frame, low, rest[:low], 0)
        if len(rest) < low:
            self.give(key, item, "length")
            return
        if key in self.open:
            self.end(key, "restarted")
        self.give(key, item, None)

    def first(self, key, frame, prefix, low, rest):
        if len(frame.data) < 8 or not rest:
            return
        length, rest = low << 8 | rest[0], rest[1:]
        if length == 0:
            length, rest = int.from_bytes(rest[:4], "big"), rest[4:]
            if length <= 4095:
                return
        elif length <= len(frame.data) - prefix - (1 if len(frame.data) == 8 else 2):
            return
        if key in self.open:
            self.end(key, "restarted")
        self.open[key] = Open(frame, length, rest, len(frame.data) - prefix - 1)

    def consecutive(self, key, frame, prefix, low, rest):
        item = self.open.get(key)
        if item is None:
            item = self.open[key] = Open(frame, None, rest, 0)
            return
        item.frames += 1
        item.end_us = item.active_us = frame.time_us
        if item.announced is None:
            item.payload += rest[:max(0, ORPHAN_BYTES - len(item.payload))]
            return
        if low != item.next:
            self.end(key, "sequence")
            return
        item.next = (low + 1) % 16
        missing = item.announced - len(item.payload)
        item.payload += rest[:missing]
        if len(rest) < min(missing, item.stride):
            self.end(key, "length")
        elif len(item.payload) >= item.announced:
            self.give(key, self.open.pop(key), None)

    def flow(self, key, frame, prefix, low, rest):
        partner = self.partners.get(key[1:])
        sender = (key[0], *partner) if partner else None
        item = self.open.get(sender)
        if low > 2 or len(rest) < 2 or item is None or item.announced is None:
            return
        item.active_us = frame.time_us
        if low == 2:
            if item.frames == 1:
                self.end(sender, "overflow")
            else:
                item.refused = True

    def finish(self, now_by_bus):
        """The capture is over; `now_by_bus` is the time of the last frame of all."""
        for key in list(self.open):
            overdue = now_by_bus - self.open[key].active_us > LIMIT_US
            self.end(key, "timeout" if overdue else "capture-end")
        return self.out
