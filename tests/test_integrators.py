"""The page for integrators: its examples are run against the demo's rig, and print what the page says."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from routerd.cli.demo import rig_folder
from routerd.server.rigfiles import load_folder
from tests.service import Service

PAGE = Path(__file__).parents[1] / "configs" / "INTEGRATORS.md"
UNTIL_CTRL_C = "# until Ctrl-C"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(heading: str) -> list[tuple[str, str]]:
    """Return the blocks of a part of the page: language and text."""
    parts = re.split(r"^## ", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return BLOCK.findall(next(part for part in parts if part.startswith(heading)))


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    for tool in ("bash", "curl", "jq"):
        if shutil.which(tool) is None:
            pytest.skip(f"the examples need {tool}, which is not installed here: apt-get install {tool}")
    state = tmp_path_factory.mktemp("integrators") / "state"
    with Service(rig_folder(), state, "--ports", "simulated") as service:
        service.wait_until_open()
        yield service


@pytest.fixture
def place(tmp_path: Path, service: Service) -> Path:
    """Return a folder that has the demo, and `routerd`, which asks the test's service."""
    (tmp_path / "configs").mkdir()
    shutil.copytree(rig_folder(), tmp_path / "configs" / "demo")
    command = tmp_path / "bin" / "routerd"
    command.parent.mkdir()
    words = f'case $1 in do|status|report) set -- "$@" --listen 127.0.0.1:{service.http};; esac'
    command.write_text(f'#!/bin/bash\n{words}\nexec {sys.executable} -m routerd.cli "$@"\n')
    command.chmod(0o755)
    return tmp_path


def begin(text: str, place: Path, service: Service) -> subprocess.Popen[str]:
    return subprocess.Popen(
        ["bash", "-c", text.replace("localhost:8473", f"127.0.0.1:{service.http}")],
        cwd=place,
        env={**os.environ, "PATH": f"{place / 'bin'}:{os.environ['PATH']}"},
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


@pytest.mark.parametrize(
    "heading", ["In bash", "With curl and jq", "Single messages", "Events", "In an editor"]
)
def test_examples_print_what_the_page_says(heading: str, place: Path, service: Service) -> None:
    service.ask("POST", "/v1/silence")
    begun: list[subprocess.Popen[str]] = []
    said = ""
    for language, text in blocks(heading):
        if language == "sh" and text.startswith(UNTIL_CTRL_C):
            begun.append(begin(text, place, service))
            time.sleep(2.0)  # it listens
        elif language == "sh":
            said, _ = begin(text, place, service).communicate(timeout=120)
        elif language == "text":
            if begun:
                time.sleep(1.0)
                os.killpg(begun[-1].pid, signal.SIGTERM)
                said, _ = begun.pop().communicate(timeout=20)
            assert said == text


def test_the_song_with_lights_is_one(tmp_path: Path) -> None:
    text = dict(blocks("Lights"))["yaml"]
    (tmp_path / "songs").mkdir()
    (tmp_path / "songs" / "with-lights.yaml").write_text(text)
    (tmp_path / "rig.yaml").write_text("name: R\ndevices:\n  lights: {output: Light Desk*, wire: din}\n")
    loaded = load_folder(tmp_path)
    assert loaded.rig_folder is not None, loaded.problems
    verse, chorus = loaded.rig_folder.songs[0].sections
    # RP-002 (MIDI Show Control 1.0): F0 7F <device> 02 <format> <command> <data> F7; a cue number is ASCII
    # digits with 2E for the point; the layout from memory.
    for section, cue in ((verse, b"12"), (chorus, b"12.5")):
        assert section.patches[0].sysex == (b"\xf0\x7f\x7f\x02\x01\x01" + cue + b"\xf7",)


def test_the_scraper_is_told_where_it_is() -> None:
    (_, text), *_ = (block for block in blocks("Monitoring") if block[0] == "yaml")
    (job,) = yaml.safe_load(text)["scrape_configs"]
    assert job["static_configs"] == [{"targets": ["localhost:8473"]}]  # /metrics is the scraper's own default
