"""Signals to either process while a note is held and sequencers run: an observer of all ports hears an
undisturbed clock, or an orderly end, and never a note that hangs."""

from __future__ import annotations

import os
import pty
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from routerd.core.midi.messages import NOTE_OFF, NOTE_ON, START, STOP, TICK, note_off, note_on
from routerd.engine.process import ENDING, IGNORED
from routerd.ports.far_end import FarEnd
from tests.service import Service, free_port, until, write_rig

RIG = """\
name: r
after-restart: silent
devices:
  keys: {input: k}
  synth: {output: s, clock: true, transport: true}
"""
SONG = "title: One\ntempo: 150\nroutes: [{from: keys, to: synth}]\n"
PRESS, RELEASE = note_on(0, 60, 90), note_off(0, 60)
TICK_NS = 60_000_000_000 // (24 * 150)


@pytest.fixture(scope="module", autouse=True)
def _hangups_reach_what_is_started() -> Iterator[None]:
    """Under nohup they are ignored, and so they would be in every process that is started here."""
    before = signal.signal(signal.SIGHUP, lambda *_: None)
    yield
    signal.signal(signal.SIGHUP, before)


class Evening:
    """The service, a player who holds a note, and an observer of all ports."""

    def __init__(self, place: Path) -> None:
        self.folder = write_rig(place / "rig", RIG, {"one": SONG}, [])
        self.port = free_port(socket.SOCK_DGRAM)
        self.state = place / "state"
        self.service = self.start()

    def start(self) -> Service:
        return Service(self.folder, self.state, "--ports", "simulated", "--far-end", str(self.port))

    def far_end(self) -> FarEnd:
        return FarEnd(("127.0.0.1", self.port))


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Evening]:
    evening = Evening(tmp_path_factory.mktemp("evening"))
    with evening.service:
        evening.service.wait_until_open()
        evening.service.ask("POST", "/v1/start")
        yield evening


def sounding(heard: list[tuple[str, bytes]]) -> set[tuple[str, int, int]]:
    """Return the notes that have begun and not ended, by device and channel."""
    notes: set[tuple[str, int, int]] = set()
    for device, data in heard:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == NOTE_ON and data[2]:
            notes.add((device, channel, data[1]))
        elif kind in (NOTE_ON, NOTE_OFF):
            notes.discard((device, channel, data[1]))
        elif kind == 0xB0 and data[1] in (120, 123):
            notes = {note for note in notes if note[:2] != (device, channel)}
    return notes


def hear(far_end: FarEnd, wanted: bytes, limit_s: float = 10.0) -> list[tuple[str, bytes]]:
    """Return what arrives up to and including `wanted`."""
    heard: list[tuple[str, bytes]] = []
    end_s = time.monotonic() + limit_s
    while time.monotonic() < end_s:
        if (arrival := far_end.receive(0.2)) is not None:
            heard.append((arrival.device, arrival.data))
            if arrival.data == wanted:
                return heard
    raise AssertionError(f"{wanted.hex()} was not heard; heard {heard[-20:]}")


def rest(far_end: FarEnd) -> list[tuple[str, bytes]]:
    """Return what arrives until nothing more does."""
    heard = []
    while (arrival := far_end.receive(0.3)) is not None:
        heard.append((arrival.device, arrival.data))
    return heard


def pids_of(service: Service) -> list[int]:
    """Return the main process, the engine that is on, and the server."""
    status = service.status()
    return [service.process.pid, *(int(status[name]["pid"]) for name in ("engine", "server"))]


def test_what_is_ignored_disturbs_neither_clock_nor_note(evening: Evening) -> None:
    """Every signal that the kernel knows and that is neither an end nor a crash, to all three processes."""
    with evening.far_end() as far_end:
        far_end.listen()
        far_end.play("keys", PRESS)
        heard = hear(far_end, PRESS)
        pids = pids_of(evening.service)
        for pid in pids:
            for number in sorted(IGNORED):
                os.kill(pid, number)
        ticks: list[int] = []
        while len(ticks) < 48:
            arrival = far_end.receive(1.0)
            assert arrival is not None, "the clock has stopped"
            heard.append((arrival.device, arrival.data))
            if arrival.data[0] == TICK:
                ticks.append(arrival.arrival_ns)
        far_end.play("keys", RELEASE)
        heard += hear(far_end, RELEASE)
    # a busy machine brings single ticks late, never early: the earliest of either half lie on one grid
    late_ns = [arrival_ns - index * TICK_NS for index, arrival_ns in enumerate(ticks)]
    assert min(late_ns[24:]) == pytest.approx(min(late_ns[:24]), abs=TICK_NS // 2)
    assert all(later - earlier < 12 * TICK_NS for earlier, later in pairwise(ticks))
    assert [data for _, data in heard if data[0] in (START, STOP)] == []
    assert sounding(heard) == set()
    assert pids_of(evening.service) == pids


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGQUIT, signal.SIGINT])
def test_what_a_terminal_sends_is_for_the_engine_to_decide(evening: Evening, number: int) -> None:
    pids = pids_of(evening.service)
    os.kill(pids[2], number)
    time.sleep(0.3)
    assert pids_of(evening.service) == pids


def test_a_hangup_without_a_terminal_reads_the_folder_again(evening: Evening) -> None:
    song, service = evening.folder / "songs" / "one.yaml", evening.service
    before = pids_of(service)
    song.write_text(SONG.replace("One", "Another"))
    os.kill(before[0], signal.SIGHUP)
    until(lambda: service.status()["song"]["title"] == "Another", what="the folder is read again")
    song.write_text(SONG + "tempo: nonsense\n")
    os.kill(before[0], signal.SIGHUP)
    until(lambda: "songs/one.yaml:4" in service.log, what="the mistake is logged")
    status = service.status()
    assert (status["song"]["title"], status["transport"]) == ("Another", "running")
    song.write_text(SONG)
    os.kill(before[0], signal.SIGHUP)
    until(lambda: service.status()["song"]["title"] == "One", what="the folder is read again")
    assert pids_of(service) == before


@pytest.mark.parametrize("number", ENDING[2:], ids=lambda number: number.name)
def test_a_signal_ends_it_in_order(tmp_path: Path, number: signal.Signals) -> None:
    """TERM and INT, with more devices: tests/engine/test_service.py."""
    evening = Evening(tmp_path)
    with evening.service as service, evening.far_end() as far_end:
        service.wait_until_open()
        far_end.listen()
        service.ask("POST", "/v1/start")
        far_end.play("keys", PRESS)
        heard = hear(far_end, PRESS)
        assert service.stop(number)[0] == 0
        heard += rest(far_end)
    assert sounding(heard) == set()
    assert STOP in [data[0] for _, data in heard]
    assert "Traceback" not in service.log


LEADER = """
import os, signal, sys
signal.signal(signal.SIGHUP, signal.SIG_DFL)
pid = os.fork()
if pid:
    os.waitpid(pid, 0)
    sys.exit()
os.execv(sys.executable, [sys.executable, "-m", "routerd.cli", *sys.argv[1:]])
"""
"""Leads a session on a terminal, as a login shell does, and starts the service in the foreground."""


def test_a_terminal_that_has_gone_ends_the_service_in_an_orderly_way(tmp_path: Path) -> None:
    folder = write_rig(tmp_path / "rig", RIG, {"one": SONG}, [])
    port, http = free_port(socket.SOCK_DGRAM), free_port()
    options = ["--ports", "simulated", "--far-end", str(port), "--listen", f"127.0.0.1:{http}"]
    pid, terminal = pty.fork()
    if not pid:
        arguments = ["run", str(folder), "--state-dir", str(tmp_path / "state"), *options]
        os.execv(sys.executable, [sys.executable, "-c", LEADER, *arguments])
    with FarEnd(("127.0.0.1", port)) as far_end:
        far_end.listen(30.0)
        hear(far_end, bytes((TICK,)), 30)
        (engine,) = map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split())
        children = Path(f"/proc/{engine}/task/{engine}/children")
        until(lambda: children.read_text().strip(), what="there is a server process")
        family = [engine, *map(int, children.read_text().split())]
        heard: list[tuple[str, bytes]] = []
        while PRESS not in [data for _, data in heard]:
            far_end.play("keys", PRESS)
            heard += rest_for(far_end, 0.2)
        os.close(terminal)
        heard += rest(far_end)
        os.waitpid(pid, 0)
    assert sounding(heard) == set()
    until(lambda: not any(alive(one) for one in family), 10, "both processes have ended")


def rest_for(far_end: FarEnd, span_s: float) -> list[tuple[str, bytes]]:
    """Return what arrives within so long."""
    heard, end_s = [], time.monotonic() + span_s
    while (left_s := end_s - time.monotonic()) > 0:
        if (arrival := far_end.receive(left_s)) is not None:
            heard.append((arrival.device, arrival.data))
    return heard


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.parametrize("_", range(2))
def test_signals_at_random_moments_of_start_run_and_stop(tmp_path: Path, _: int) -> None:
    """Whatever comes whenever: the service is up, or has ended and left nothing sounding and no process."""
    seed = random.randrange(1 << 32)
    print(f"seed {seed}")
    chance = random.Random(seed)
    evening = Evening(tmp_path)
    with evening.service as service, evening.far_end() as far_end:
        heard: list[tuple[str, bytes]] = []
        time.sleep(chance.uniform(0.0, 1.0))
        end_s = time.monotonic() + chance.uniform(0.2, 2.0)
        while time.monotonic() < end_s and service.process.poll() is None:
            service.process.send_signal(chance.choice([signal.SIGHUP, *IGNORED]))
            far_end.ask()
            far_end.play("keys", chance.choice([PRESS, RELEASE]))
            heard += rest_for(far_end, chance.uniform(0.0, 0.2))
        service.process.send_signal(chance.choice(ENDING))
        stop_s = time.monotonic() + 30  # a busy machine without real-time scheduling has needed more than 10
        while service.process.poll() is None:
            service.process.send_signal(chance.choice([signal.SIGHUP, *IGNORED, *ENDING]))
            service.process.send_signal(signal.SIGCONT)  # one came before anything of ours had run
            heard += rest_for(far_end, 0.02)
            assert time.monotonic() < stop_s, service.log
        heard += rest(far_end)
    assert sounding(heard) == set(), service.log
    assert "Traceback" not in service.log, service.log


# One daemon a state folder


def test_a_second_daemon_on_the_same_state_folder_is_refused(evening: Evening) -> None:
    """Before it opens any port: the devices hear nothing of it, and the first goes on."""
    before = pids_of(evening.service)
    second = Service(evening.folder, evening.state, "--ports", "simulated", "--far-end", str(evening.port))
    with second:
        assert second.process.wait(20) == 1
    said = second.log.splitlines()[-1]
    assert f"belongs to a routerd that runs already (process {before[0]})" in said
    assert "--state-dir" in said
    assert pids_of(evening.service) == before


def test_what_holds_the_lock_is_the_process_and_not_the_file(tmp_path: Path) -> None:
    """A file that a killed daemon left, or that is anything else, keeps nobody out."""
    evening = Evening(tmp_path)
    with evening.service as service:
        service.wait_until_up()
        service.process.kill()
        service.process.wait()
    with evening.start() as service:
        service.wait_until_up()
        assert service.stop()[0] == 0
    (evening.state / "lock").unlink()
    os.mkfifo(evening.state / "lock")
    with evening.start() as service:
        service.wait_until_up()
        assert "a second routerd here would not be noticed" in service.log
        assert "a second routerd here would not be noticed" in str(service.status()["problems"])
        assert service.stop()[0] == 0


# What is started ends with who started it


@pytest.mark.parametrize("how", ["reader goes", "killed"])
def test_a_demo_leaves_nothing_behind(how: str) -> None:
    demo = subprocess.Popen(
        [sys.executable, "-m", "routerd.cli", "demo"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert demo.stdout is not None
    for _ in range(3):
        demo.stdout.readline()
    children = Path(f"/proc/{demo.pid}/task/{demo.pid}/children").read_text().split()
    family = [*map(int, children)]
    for child in children:
        family += map(int, Path(f"/proc/{child}/task/{child}/children").read_text().split())
    assert len(family) == 2
    if how == "killed":
        demo.kill()
    demo.stdout.close()
    until(lambda: not any(alive(pid) for pid in family), 15, "all that it started has ended")
    assert demo.wait(15) == (0 if how == "reader goes" else -signal.SIGKILL)
    demo.stderr.close()  # type: ignore[union-attr]


@pytest.mark.parametrize("closed", ["2>&-", "0>&- 1>&- 2>&-"])
def test_it_starts_and_stops_without_standard_descriptors(tmp_path: Path, closed: str) -> None:
    folder = write_rig(tmp_path / "rig", RIG, {"one": SONG}, [])
    with Service(folder, tmp_path / "state", "--ports", "simulated", shell=closed) as service:
        service.wait_until_open()
        assert service.stop()[0] == 0
