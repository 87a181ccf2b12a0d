"""Facts of machines, made of files as the kernel shows them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from routerd.link.messages import Realtime, SpareState
from routerd.server.soundcheck.facts import machine_facts
from routerd.server.soundcheck.figures import MachineFact

GRANTED = Realtime("fifo", priority=70, memory_locked=True, idle_held=True, remedy=None)


def machine(root: Path, **files: str) -> dict[str, list[MachineFact]]:
    for name, text in files.items():
        file = root / name.replace("__", "/").replace("-PORT-", ":")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text + "\n")
    found: dict[str, list[MachineFact]] = {}
    for fact in machine_facts(GRANTED, root):
        found.setdefault(fact.fact, []).append(fact)
    return found


def usb(root: Path, path: str, product: str, **more: str) -> None:
    folder = root / "sys/bus/usb/devices"
    for name, text in {
        f"{path}:1.1/bInterfaceClass": "01",
        f"{path}:1.1/bInterfaceSubClass": "03",
        f"{path}/product": product,
        f"{path}/speed": "12",
        **{f"{path}/{key.replace('__', '/')}": value for key, value in more.items()},
    }.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text + "\n")


def test_a_machine_that_tells_nothing_is_unknown_and_not_good(tmp_path: Path) -> None:
    found = machine(tmp_path)
    for fact in ("CPU frequency governor", "kernel preemption", "USB topology"):
        assert [one.grade for one in found[fact]] == ["unknown"]


def test_what_was_not_granted_comes_with_its_own_remedy() -> None:
    remedy = (
        "allow real-time scheduling: do this; allow locked memory: do that; allow short wake-ups: and this"
    )
    refused = Realtime("other", priority=0, memory_locked=False, idle_held=False, remedy=remedy)
    facts = machine_facts(refused, Path("/nonexistent"))[:3]
    assert [fact.grade for fact in facts] == ["warn"] * 3
    assert [fact.remedy for fact in facts] == [
        "allow real-time scheduling: do this",
        "allow locked memory: do that",
        "allow short wake-ups: and this",
    ]


def test_one_processor_that_saves_power_is_enough_to_warn(tmp_path: Path) -> None:
    cpu = "sys__devices__system__cpu__cpu{}__cpufreq__scaling_governor"
    (fact,) = machine(tmp_path, **{cpu.format(0): "performance"})["CPU frequency governor"]
    assert fact.grade == "pass"
    (fact,) = machine(tmp_path, **{cpu.format(1): "powersave"})["CPU frequency governor"]
    assert fact.grade == "warn"
    assert "performance and powersave" in fact.words
    assert "echo performance" in fact.remedy


def test_the_kernels_preemption_is_graded(tmp_path: Path) -> None:
    version = "Linux version 6.1.0-18-amd64 (kernel) #1 SMP {} Debian 6.1.76-1"
    for number, (kind, chosen, grade) in enumerate(
        [
            ("PREEMPT_RT", "", "pass"),
            ("PREEMPT_DYNAMIC", "none (voluntary) full", "warn"),
            ("PREEMPT_DYNAMIC", "none voluntary (full)", "pass"),
            ("PREEMPT_DYNAMIC", "", "unknown"),
            ("PREEMPT", "", "pass"),
            ("", "", "warn"),
        ]
    ):
        root = tmp_path / str(number)
        files = {"proc__version": version.format(kind)}
        if chosen:
            files["sys__kernel__debug__sched__preempt"] = chosen
        (fact,) = machine(root, **files)["kernel preemption"]
        assert fact.grade == grade, (kind, chosen)
        assert bool(fact.remedy) == (grade != "pass")


def test_usb_devices_by_where_they_hang(tmp_path: Path) -> None:
    usb(tmp_path, "1-1", "Stage Keys", power__control="on")
    usb(tmp_path, "1-2", "Drum Pads", power__control="auto")
    usb(tmp_path, "2-1.3", "Interface A")
    usb(tmp_path, "2-1.4", "Interface B")
    usb(tmp_path, "3-2.1", "Lead Synth")
    (tmp_path / "sys/bus/usb/devices/4-1:1.0").mkdir()  # a mouse
    (tmp_path / "sys/bus/usb/devices/4-1:1.0/bInterfaceClass").write_text("03\n")
    facts = {fact.words.split(" at ")[0]: fact for fact in machine(tmp_path)["USB topology"]}
    assert facts["Stage Keys"].grade == "pass"
    assert "may be put to sleep" in facts["Drum Pads"].words
    assert "shares a hub with 2-1.4" in facts["Interface A"].words
    assert "behind a hub" in facts["Lead Synth"].words
    assert len(facts) == 5


def test_a_spare_is_a_fact_where_one_is_wanted() -> None:
    root = Path("/nonexistent")

    def facts(**state: Any) -> list[tuple[str, str]]:
        found = machine_facts(None, root, SpareState(**state))
        return [(fact.grade, fact.words) for fact in found if fact.fact == "spare engine"]

    assert facts(state="off") == []
    assert facts(state="ready") == [("pass", "ready, 0 behind; it has not taken over yet")]
    assert facts(state="ready", takeovers=2) == [("pass", "ready, 0 behind; it has taken over 2 ×")]
    assert facts(state="coming")[0][0] == "warn"
    assert facts(state="none", why_none="no memory") == [("fail", "there is none: no memory")]
