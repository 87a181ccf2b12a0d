"""The log of a whole run, as the journal or a collector reads it: both processes, first line to last.

The prefixes are those of sd-daemon(3), numbers those of syslog(3); how a program knows that the journal reads
its standard error is in systemd.exec(5), $JOURNAL_STREAM. With the real one: guest/test_daemon_unit.py.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from routerd import __version__
from routerd.cli.demo import rig_folder
from routerd.printing import LogForm, reads_journal
from tests.service import Service, until

LEVEL_OF = {"2": "critical", "3": "error", "4": "warning", "6": "info", "7": "debug"}


def test_every_line_of_a_run_is_json_with_its_priority(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = tmp_path / "journal"
    journal.touch()
    monkeypatch.setenv("JOURNAL_STREAM", f"{journal.stat().st_dev}:{journal.stat().st_ino}")
    with Service(rig_folder(), tmp_path / "state", "--ports", "simulated", log=journal) as service:
        service.wait_until_open()
        first = service.status()
        killed = service.kill_server()
        until(lambda: service.status()["server"]["pid"] != killed, what="another server is up")
        second = service.status()
        service.stop()
    lines: list[dict[str, Any]] = []
    for text in service.log.splitlines():
        prefix = re.match(r"<([2-7])>\{", text)
        assert prefix, text
        line = json.loads(text[3:])
        assert (line["level"], line["component"] in ("engine", "server")) == (LEVEL_OF[prefix[1]], True)
        assert line["timestamp"].endswith("Z")
        lines.append(line)
    begun = [(line["component"], line["pid"], line["version"]) for line in lines if "pid" in line]
    assert begun == [
        ("engine", first["engine"]["pid"], __version__),
        ("server", killed, __version__),
        ("server", second["server"]["pid"], __version__),
    ]
    (death,) = [line for line in lines if line["event"].startswith("the server has ended (SIGKILL)")]
    assert (death["component"], death["level"]) == ("engine", "warning")
    (stopping,) = [place for place, line in enumerate(lines) if line["event"] == "SIGTERM: ending"]
    last = lines[stopping:]
    warned = [line["event"] for line in last if line["level"] != "info"]
    assert [event for event in warned if not event.startswith("ticks were given up")] == []  # a busy machine
    assert (last[-1]["event"], last[-1]["component"], last[-1]["status"]) == ("stopped", "engine", 0)


def test_a_start_that_fails_is_a_line_of_the_same_form(tmp_path: Path) -> None:
    (tmp_path / "rig.yaml").write_text("name: r\n")
    with Service(tmp_path, tmp_path / "state", "--ports", "simulated") as service:
        assert service.process.wait(30) == 1
        lines = [json.loads(line) for line in service.log.splitlines()]
    assert lines[-1]["event"] == "stopped"
    assert any("rig.yaml" in line["event"] and line["level"] == "error" for line in lines)


@pytest.mark.parametrize(
    ("stream", "is_journal"), [("{dev}:{ino}", True), ("{dev}:0", False), ("", False), ("8:1\n", False)]
)
def test_the_journal_is_known_by_device_and_inode(tmp_path: Path, stream: str, is_journal: bool) -> None:
    with (tmp_path / "file").open("w") as file:
        found = (tmp_path / "file").stat()
        environ = {"JOURNAL_STREAM": stream.format(dev=found.st_dev, ino=found.st_ino)}
        assert reads_journal(file.fileno(), environ) is is_journal
        assert not reads_journal(file.fileno(), {})
    assert not reads_journal(9999, environ)


def test_what_a_library_says_is_a_line_as_well() -> None:
    form = LogForm("engine", number=9999)
    assert json.loads(form.stray("oh\x1b[2J"))["event"] == r"oh\x1b[2J"
    assert json.loads(form.line("Größe \udcff", "info", {"port": "a\nb"}))["port"] == "a\\nb"
    assert form.line("Größe \udcff", "info").isprintable()
