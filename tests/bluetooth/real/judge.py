"""Judges what the program said in the guest: `judge.py OUT.LOG`."""

import json
import sys


def lines(log: str, mark: str) -> list[dict]:
    found = []
    for line in log.splitlines():
        if line.startswith(mark + " {"):
            found.append(json.loads(line[len(mark) + 1 :]))
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
steps = [round(b["value"] - a["value"], 2) for a, b in zip(readings, readings[1:])]
connected = lines(log, "CONNECTED")
notified = [line for line in connected if line["kind"] == "reading" and line["profile"].startswith("ess")]
print(f"the real service: {len(readings)} readings, first after {readings[0]['elapsed_s']:.1f} s")
print(f"service killed and restarted: heard {back:.1f} s after the new start")
print(f"notified values: {len(notified)}; repeats: {steps.count(0.0)} of {len(steps)}")
assert back <= 10.0, back
assert len(notified) >= 3, connected[-5:]
