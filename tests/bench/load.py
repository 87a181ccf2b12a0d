"""The load of the tick bench: 100 API requests a second, a reload every 5 s, 3 000 routed messages a second.

    python -m tests.bench.load api BASE_URL SECONDS
    python -m tests.bench.load messages FAR_END_PORT SECONDS

Each prints how much it really did, as JSON. A process that cannot keep up says so by its count.
"""

from __future__ import annotations

import http.client
import json
import sys
import time
from urllib.parse import urlsplit

from routerd.core.midi.messages import note_off, note_on
from routerd.ports.far_end import FarEnd

REQUESTS_PER_S = 100
RELOAD_EVERY_S = 5.0
MESSAGES_PER_S = 3000
_BURST = 6


def ask(base: str, seconds: float) -> dict[str, float]:
    """Ask for status, songs, set list and report in turn; reload now and then."""
    host = urlsplit(base).netloc
    connection = http.client.HTTPConnection(host, timeout=20)
    paths = ("/v1/status", "/v1/songs", "/v1/set-list", "/v1/status")
    begin_s = time.monotonic()
    next_reload_s = begin_s + RELOAD_EVERY_S / 2
    asked = failed = reloads = 0
    while (now_s := time.monotonic()) < begin_s + seconds:
        due_s = begin_s + (asked + reloads) / REQUESTS_PER_S
        if due_s > now_s:
            time.sleep(due_s - now_s)
        if now_s >= next_reload_s:
            next_reload_s += RELOAD_EVERY_S
            connection.request("POST", "/v1/reload")
            reloads += 1
        else:
            connection.request("GET", paths[asked % len(paths)])
            asked += 1
        answer = connection.getresponse()
        answer.read()
        failed += answer.status >= 400
    return {"requests": asked, "reloads": reloads, "failed": failed, "seconds": time.monotonic() - begin_s}


def send(port: int, seconds: float) -> dict[str, float]:
    """Play the keyboard, six messages at a time, every 2 ms."""
    sent = 0
    with FarEnd(("127.0.0.1", port)) as far_end:
        begin_s = time.monotonic()
        while (now_s := time.monotonic()) < begin_s + seconds:
            due_s = begin_s + sent / MESSAGES_PER_S
            if due_s > now_s:
                time.sleep(due_s - now_s)
            for i in range(_BURST):
                note = 40 + (sent // 2 + i // 2) % 40
                far_end.play("keys", note_on(0, note, 80) if i % 2 == 0 else note_off(0, note))
            sent += _BURST
    return {"messages": sent, "seconds": time.monotonic() - begin_s}


def main() -> None:
    """See the module's head."""
    what, where, seconds = sys.argv[1], sys.argv[2], float(sys.argv[3])
    print(json.dumps(ask(where, seconds) if what == "api" else send(int(where), seconds)))


if __name__ == "__main__":
    main()
