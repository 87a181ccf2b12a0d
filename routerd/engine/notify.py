"""What a service tells systemd: that it is ready, how it is, and that it is alive.

The protocol is that of sd_notify(3): lines of NAME=VALUE in one datagram to the Unix socket
named by NOTIFY_SOCKET; the watchdog's is that of sd_watchdog_enabled(3). Nothing here blocks and
nothing here raises: a service manager that is absent, slow or gone must not disturb the clock.

The watchdog is fed only while ticks are fresh. A loop that still turns proves nothing when the
thread that keeps time is stuck.
"""

from __future__ import annotations

import os
import socket
from collections.abc import MutableMapping

from routerd.core.units import NS_PER_S, NS_PER_US


class Notifier:
    """Speaks to the service manager; does nothing when there is none."""

    def __init__(self, address: str = "", watchdog_ns: int = 0) -> None:
        """`address` is a socket path, or an abstract name behind an @; `watchdog_ns` 0 means no watchdog."""
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.watchdog_ns = watchdog_ns if address else 0
        """Time without a sign of life after which the manager acts, in ns; 0 when it does not watch."""
        self._socket: socket.socket | None = None
        if address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            self._socket.setblocking(False)

    @classmethod
    def from_environment(cls, environ: MutableMapping[str, str], pid: int | None = None) -> Notifier:
        """Read what the manager has set and take it out, so that no child speaks in our name.

        Any address but a Unix socket's (newer managers may name others) counts as no manager. A
        watchdog meant for another process (WATCHDOG_PID) or unreadable is no watchdog.
        """
        address = environ.pop("NOTIFY_SOCKET", "")
        period_us = environ.pop("WATCHDOG_USEC", "")
        owner = environ.pop("WATCHDOG_PID", "")
        ours = owner in ("", str(os.getpid() if pid is None else pid))
        watched = ours and period_us.isascii() and period_us.isdigit()
        if not address.startswith(("/", "@")) or len(address) < 2:
            address = ""
        return cls(address, int(period_us) * NS_PER_US if watched else 0)

    @property
    def feed_every_s(self) -> float | None:
        """How often to call `feed`, in seconds: a quarter of the watchdog's time; None without one.

        The manual recommends half; a quarter leaves room for three chances on a busy machine.
        """
        return self.watchdog_ns / 4 / NS_PER_S if self.watchdog_ns else None

    def ready(self, status: str) -> bool:
        """Say that the service does its work from now on; `status` is one line for people."""
        return self._send("READY=1", status)

    def status(self, status: str) -> bool:
        """Say in one line how the service is."""
        return self._send("", status)

    def stopping(self) -> bool:
        """Say that the service is on its way out."""
        return self._send("STOPPING=1")

    def feed(self, last_tick_ns: int, now_ns: int) -> bool:
        """Feed the watchdog if the last tick is younger than half the watchdog's time.

        Returns whether it was fed. Both times are ns of one clock. With half, a clock that has
        stopped is found out between one and one and a half times the watchdog's time after its
        last tick.
        """
        if not self.watchdog_ns or now_ns - last_tick_ns >= self.watchdog_ns // 2:
            return False
        return self._send("WATCHDOG=1")

    def close(self) -> None:
        """Let go of the socket; harmless when called twice."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, state: str, status: str = "") -> bool:
        """Send one datagram; False when there is no manager or it does not take it now."""
        if self._socket is None:
            return False
        lines = [state] if state else []
        if status:
            lines.append("STATUS=" + " ".join(status.split()))
        try:
            self._socket.sendto("\n".join(lines).encode(), self._address)
        except OSError:
            return False
        return True
