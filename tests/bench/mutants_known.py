"""Mutants that change nothing that can be seen, each with the reason; see `mutants`."""

from __future__ import annotations

WITHOUT_EFFECT: dict[tuple[str, str, str], str] = {
    (
        "routerd/server/rigfiles/timing.py",
        "written = str(value) if isinstance(value, int) and not isinstance(value, bool) else value",
        "isinstance(value, int) and (not isinstance(value, bool))  ->  isinstance(value, int) or not"
        " isinstance(value, bool)",
    ): "the text of a list, of nothing, or of true is no frame rate either",
    (
        "routerd/core/follow/follower.py",
        "if left_out > max_odd or not SHORTEST_NS <= line.slope <= LONGEST_NS"
        " or line.sigma > line.slope / 4:",
        "SHORTEST_NS <= line.slope <= LONGEST_NS  ->  SHORTEST_NS <= line.slope < LONGEST_NS",
    ): "a fitted slope is never exactly the longest distance",
    (
        "routerd/core/follow/estimate.py",
        "self.apart_ticks = 0",
        "0  ->  1",
    ): "it is set before it is first read",
    (
        "routerd/core/clock/clock.py",
        "if not self._last_due_ns + START_LEAD_NS <= now_ns <= self.next_due_ns - START_LEAD_NS:",
        "self._last_due_ns + START_LEAD_NS <= now_ns <= self.next_due_ns - STAR  ->"
        "  self._last_due_ns + START_LEAD_NS <= now_ns < self.next_due_ns - START",
    ): "at exactly that instant the plan that is made instead has the same instant",
    (
        "routerd/core/show/switches.py",
        "self._restless_ns = 0",
        "0  ->  1",
    ): "the first edge sets it before it is read",
    (
        "routerd/core/routing/loops.py",
        "while returns[0].at_ns < now_ns - MEMORY_NS:",
        "returns[0].at_ns < now_ns - MEMORY_NS  ->  returns[0].at_ns <= now_ns - MEMORY_NS",
    ): "one nanosecond more or less of a memory of seconds",
    (
        "routerd/core/output/wire.py",
        "self.deadline_ns = start_ns - horizon_ns // 2",
        "2  ->  3",
    ): "when it looks again; what goes out, and when, is the same",
    (
        "routerd/engine/worker.py",
        "self.priority = 0",
        "0  ->  1",
    ): "the thread sets it before anybody reads it",
    (
        "routerd/core/clock/tempo_map.py",
        "stride = next((d for d in range(1, bar + 1) if bar % d == 0 and d >= least), bar)",
        "bar + 1  ->  bar - 1",
    ): "the bar itself is what is taken when nothing else fits",
    (
        "routerd/core/midi/messages.py",
        "upper, lower = before[1:] if before is not None and before[0] == kind else (-1, -1)",
        "1  ->  2",
    ): "every number below 0 is as unknown as -1",
    (
        "routerd/core/follow/follower.py",
        "side = 1 if error > 0 else -1",
        "error > 0  ->  error >= 0",
    ): "an error beyond the limit is never 0",
    (
        "routerd/core/routing/loops.py",
        "data = bytes((NOTE_OFF | channel, self._count % 128, 1 + self._count // 128 % 127))",
        "128  ->  129",
    ): "of the second 128: probes that are on their way differ all the same; that of the first is noticed",
    (
        "routerd/core/follow/follower.py",
        "side = 1 if error > 0 else -1",
        "0  ->  1",
    ): "an error beyond the limit is never between 0 and 1 ns",
    (
        "routerd/server/rigfiles/route.py",
        "low, high = entry.notes or (0, 127)",
        "0  ->  1",
    ): "octaves and semitones together move by 96 at most, so the lowest note never comes above 127",
    (
        "routerd/core/show/show.py",
        "if at_ns > now_ns:",
        "at_ns > now_ns  ->  at_ns >= now_ns",
    ): "what is equal is set to what it is",
    (
        "routerd/core/routing/input.py",
        "if isinstance(target, Output) and firsts[number] < 128 and firsts[parameter[0]] == parameter[0]:",
        "firsts[number] < 128  ->  firsts[number] <= 128",
    ): "an entry is below 128 or BLOCKED, 255",
    (
        "routerd/server/rigfiles/tempo.py",
        "bpm = Fraction(60_000_000, max(1, microseconds))",
        "1  ->  2",
    ): "30 million BPM is refused as 60 million are",
    (
        "routerd/engine/worker.py",
        "self._grid_ns = 0",
        "0  ->  1",
    ): "the machine has run for longer than a nanosecond",
    (
        "routerd/engine/worker.py",
        "if deadline_ns - now_ns <= SPIN_NS:",
        "deadline_ns - now_ns <= SPIN_NS  ->  deadline_ns - now_ns < SPIN_NS",
    ): "at exactly that distance it sleeps for 0 ns and looks again",
    (
        "routerd/engine/worker.py",
        "rest_ns = max(0, self._hands_off_ns - now_ns)",
        "0  ->  1",
    ): "a nanosecond, and only where the instant has passed: a wait of 0 takes longer",
    (
        "routerd/engine/worker.py",
        "while now() < at_ns:",
        "now() < at_ns  ->  now() <= at_ns",
    ): "a look at the clock takes longer than the nanosecond of difference",
    (
        "routerd/engine/worker.py",
        "while monotonic_ns() < at_ns:",
        "monotonic_ns() < at_ns  ->  monotonic_ns() <= at_ns",
    ): "a look at the clock takes longer than the nanosecond of difference",
    (
        "routerd/engine/worker.py",
        "self._words = [0] * 4 if journal is None else journal.words",
        "0  ->  1",
    ): "without a journal nobody reads them, and each is written before it is added to",
    (
        "routerd/server/rigfiles/text.py",
        "loader.dispose()",
        "loader.dispose()  ->  pass",
    ): "it forgets the loader's state, which nobody has any more a line later",
    (
        "routerd/core/routing/loops.py",
        "if self._is_full and now_ns >= self._forget_ns:",
        "now_ns >= self._forget_ns  ->  now_ns > self._forget_ns",
    ): "what is forgotten then is forgotten with the next tick",
    (
        "routerd/core/follow/follower.py",
        "self._last_ns = -NEVER_NS",
        "-NEVER_NS  ->  NEVER_NS",
    ): "the first arrival sets it before it is compared: a follower that is free compares nothing",
    (
        "routerd/core/show/recovery.py",
        "transport.set_gates()",
        "transport.set_gates()  ->  pass",
    ): "no port is open by then, and each that opens sets the gates of all",
    (
        "routerd/core/routing/input.py",
        "if note_out < 128 and velocity_out < 128:",
        "note_out < 128  ->  note_out <= 128",
    ): "an entry is below 128 or BLOCKED, 255",
    (
        "routerd/core/routing/input.py",
        "if note_out < 128 and velocity_out < 128:",
        "velocity_out < 128  ->  velocity_out <= 128",
    ): "an entry is below 128 or BLOCKED, 255",
    (
        "routerd/core/routing/input.py",
        "if note_out < 128 and values[value] < 128:",
        "note_out < 128  ->  note_out <= 128",
    ): "an entry is below 128 or BLOCKED, 255",
    (
        "routerd/core/routing/input.py",
        "if note_out < 128 and values[value] < 128:",
        "values[value] < 128  ->  values[value] <= 128",
    ): "an entry is below 128 or BLOCKED, 255",
    (
        "routerd/core/routing/input.py",
        "if note_out < 128 and velocity_out < 128:",
        "128  ->  129",
    ): "an entry is below 128 or BLOCKED, 255",
    (
        "routerd/core/routing/input.py",
        "if note_out < 128 and values[value] < 128:",
        "128  ->  129",
    ): "an entry is below 128 or BLOCKED, 255",
    (
        "routerd/core/show/panel.py",
        "self._input.held_notes[0] = ((output, NOTE_OFF | channel, note),)",
        "0  ->  1",
    ): "an input of its own, that holds one note and lets go of all",
    (
        "routerd/core/clock/tempo_map.py",
        "self.moves = len(points) > 1 or points[0].over_ticks > 0",
        "0  ->  1",
    ): "a ramp lasts a bar at least, which has three ticks or more",
    (
        "routerd/core/output/lanes.py",
        'return b"\\x00" + ns.to_bytes(8, "big")',
        "8  ->  9",
    ): "a pause never goes out, and is read back whole whatever room it has",
    (
        "routerd/core/show/songs.py",
        "identifier, section, bpm = order[on.place.index or 0], 0, None",
        "0  ->  1",
    ): "of the second 0: a song without a section number begins with its first; that of the first is noticed",
    (
        "routerd/server/rigfiles/values.py",
        "hours, minutes = (int(match[1] or 0), int(match[2])) if match else (0, 0)",
        "0  ->  1",
    ): "of the last two 0: what does not match is refused a line later; that of the first is noticed",
    (
        "routerd/server/rigfiles/problems.py",
        "close = difflib.get_close_matches(word[:LONGEST_COMPARED].casefold(), by_folded, n=1, cutoff=0.5)",
        "1  ->  2",
    ): "only the closest is taken",
    (
        "routerd/core/model/set_list.py",
        "in_encore = set_list.encore > 0 and number - 1 > count - set_list.encore",
        "set_list.encore > 0  ->  set_list.encore >= 0",
    ): "without an encore no place lies behind the end of the set",
    (
        "routerd/core/routing/loops.py",
        "if len(self._quiet) > MAX_KEPT:",
        "len(self._quiet) > MAX_KEPT  ->  len(self._quiet) >= MAX_KEPT",
    ): "one more or less of the hundreds that are forgotten to save memory",
    (
        "routerd/core/follow/follower.py",
        "return self._memory > 0",
        "0  ->  1",
    ): "the memory is 0, or the places of a line: three or more",
    (
        "routerd/core/show/place.py",
        "earlier = [i for i, name in enumerate(self.order) if name == song and i < here]",
        "i < here  ->  i <= here",
    ): "one that is here is among the later ones, which are taken first",
    (
        "routerd/core/output/lanes.py",
        "if data[0] & 0xF0 == CONTROLLER and 32 <= data[1] < 64:",
        "32 <= data[1] < 64  ->  32 <= data[1] <= 64",
    ): "controller 64 is a hold pedal, which has no place among values",
    (
        "routerd/core/output/receivers.py",
        "return (key := moved_key(data)) >= 0 and key not in self.moved",
        "(key := moved_key(data)) >= 0  ->  (key := moved_key(data)) > 0",
    ): "a key is -1, or has a status byte in it",
    (
        "routerd/core/follow/estimate.py",
        "self._before = ((0.0, False), (0.0, False), (0.0, False))",
        "False  ->  True",
    ): "a gap of nothing, large or not, is no jump",
    (
        "routerd/core/clock/schedule.py",
        "self._order += 1",
        "1  ->  2",
    ): "only what is higher counts, and by how much does not",
    (
        "routerd/core/follow/follower.py",
        "self._received_ns = -NEVER_NS",
        "-NEVER_NS  ->  NEVER_NS",
    ): "the first arrival sets it before it is read: a follower that is free reads nothing",
    (
        "routerd/core/show/panel.py",
        "self._lit_revision = -1",
        "-1  ->  1",
    ): "at revision 1 nothing has happened but a first load, whose lamps wait for the port",
    (
        "routerd/core/routing/tables.py",
        "scale(value, remap.source_range, remap.target_range, remap.curve) for value in range(128)",
        "128  ->  129",
    ): "a place more, which no data byte comes to",
    (
        "routerd/core/follow/estimate.py",
        "for n in range(2, 1000):",
        "1000  ->  1001",
    ): "the loop ends long before, where the narrow gains are reached",
    (
        "routerd/core/routing/input.py",
        "if numbers[number] < 128",
        "numbers[number] < 128  ->  numbers[number] <= 128",
    ): "an entry is below 128 or BLOCKED, 255",
    (
        "routerd/core/model/controls.py",
        "for channel in (range(16) if pedal.channel < 0 else (pedal.channel,))",
        "16  ->  17",
    ): "the status byte of a channel too many is that of the first once more",
    (
        "routerd/server/rigfiles/against_rig.py",
        "seen, other = first.setdefault((ports[name][0][0], key), (value, name))",
        "0  ->  1",
    ): "of the last 0: the port's first device instead of its name; that of the other 0 is noticed",
    (
        "routerd/core/output/wire.py",
        "self._running = 0",
        "0  ->  1",
    ): "no status byte is 1, or 0",
    (
        "routerd/core/routing/input.py",
        "return ((data[0] & 0xEF if data[0] < 0xA0 else data[0]) << 7) | data[1]",
        "160  ->  161",
    ): "the bit that is taken out is not set in A0",
    (
        "routerd/core/clock/schedule.py",
        "self._order = 0",
        "0  ->  1",
    ): "only what is higher counts, and where it begins does not",
}
"""By file, text of the line, and change."""
