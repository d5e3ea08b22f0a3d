"""Judges what the program said in the guest: `judge.py OUT.LOG`."""

import json
import sys


def lines(log: str, mark: str) -> list[dict]:
    found = []
    for line in log.splitlines():
        if not line.startswith(mark + " {"):
            continue
        try:
            found.append(json.loads(line[len(mark) + 1 :]))
        except json.JSONDecodeError:
            # The kernel writes into the same console, now and then within a line.
            print(f"a line is torn: {line[:60]}…")
    return found


log = open(sys.argv[1], errors="replace").read()
heard = lines(log, "ADVERTISED")
readings = [line for line in heard if line["kind"] == "reading" and line["field"] == "temperature"]
gone = [line for line in heard if line["kind"] == "event" and "service-gone" in line["detail"]]
assert readings, "nothing was heard"
assert gone, "the end of the service was not noticed"
profiles = {line["profile"] for line in readings}
assert {"plain-clamp", "bthome-v2"} <= profiles, profiles
fault = gone[0]["elapsed_s"]
after = [line["elapsed_s"] for line in readings if line["elapsed_s"] > fault + 0.5]
assert after, "nothing was heard after the service restarted"
# The service was away for 2 s.
back = after[0] - fault - 2.0
# The clamp's payloads are numbered, and each is sent some three times. Those that changed while the
# service was away are not counted.
numbers = [line for line in heard if line["kind"] == "reading" and line["field"] == "sequence"]
pairs = list(zip(numbers, numbers[1:]))
held = [(a, b) for a, b in pairs if not (a["elapsed_s"] <= fault + 0.5 <= b["elapsed_s"])]
gaps = [int(b["value"] - a["value"]) % 256 for a, b in held]
changed = sum(gap > 0 for gap in gaps)
missed = sum(gap - 1 for gap in gaps if gap > 1)
connected = lines(log, "CONNECTED")
notified = [line for line in connected if line["kind"] == "reading" and line["profile"].startswith("ess")]
print(f"the real service: {len(readings)} readings, first after {readings[0]['elapsed_s']:.1f} s")
print(f"service killed and restarted: heard {back:.1f} s after the new start")
print(f"numbered payloads: {changed} heard, {missed} missed, {gaps.count(0)} repeats told")
print(f"notified values: {len(notified)}")
assert back <= 10.0, back
assert changed >= 30, changed
# The guest is emulated, and its clock with it: a few advertisements may not get through in time.
assert missed <= 0.05 * changed, (missed, changed)
assert len(notified) >= 3, connected[-5:]
