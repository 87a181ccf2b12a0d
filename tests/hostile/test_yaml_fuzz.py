"""Rig folders that were mutated or made to explode: told by file and line, in bounded time and memory.

Files of the demo and of the rig that uses every option are mutated (bytes, lines, pieces of other files,
YAML's own signs), other ones every day; `ROUTERD_FUZZ_SEED` brings a day's back and `ROUTERD_FUZZ_FILES` sets
how many.
"""

from __future__ import annotations

import os
import re
import resource
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest

from routerd.server.rigfiles import load_folder
from routerd.server.rigfiles.text import read_document
from tests.hostile.rich_rig import DEMO, RICH

SEED = int(os.environ.get("ROUTERD_FUZZ_SEED", "0")) or datetime.now(UTC).date().toordinal()
FILES = int(os.environ.get("ROUTERD_FUZZ_FILES", "40"))
SIGNS = [
    sign.encode()
    for sign in (
        *(
            ": ",
            "- ",
            "#",
            "&a ",
            "*a",
            "!!python/object:os.system ",
            "!x ",
            "|\n",
            ">\n",
            "'",
            '"',
            "{",
            "}",
        ),
        *("[", "]", "---\n", "...\n", "%YAML 9.9\n", "<<: *a\n", "? ", "\t", "\r", "\0", "\ufeff", "\u2028"),
        *("~", "null", "1e999", "-0", "0x7f", "9" * 400, "a" * 5000, "\N{MUSICAL KEYBOARD}", ".nan"),
    )
] + [b"\xff\xfe", b"\xc3", b"\x80"]


def mutated(random: Random, content: bytes, others: list[bytes]) -> bytes:
    """Return the content with one to six changes."""
    data = bytearray(content)
    for _ in range(random.randrange(1, 7)):
        place = random.randrange(len(data) + 1)
        match random.randrange(7):
            case 0:
                data[place : place + 1] = bytes((random.randrange(256),))
            case 1:
                data[place:place] = random.choice(SIGNS)
            case 2:
                del data[place : place + random.choice((1, 5, 60))]
            case 3:
                other = random.choice(others)
                begin = random.randrange(len(other))
                data[place:place] = other[begin : begin + random.choice((10, 80, 400))]
            case 4:
                lines = bytes(data).splitlines(keepends=True)
                random.shuffle(lines)
                data = bytearray(b"".join(lines)) if random.random() < 0.2 else data
            case 5:
                data[place:place] = data[: random.choice((20, 200))]
            case _:
                data[place:place] = b" " * random.choice((1, 2, 3))
    return bytes(data)


@pytest.mark.parametrize("folder", [DEMO, RICH], ids=["demo", "rich"])
def test_a_mutated_folder_loads_or_has_its_problems(folder: Path, tmp_path: Path) -> None:
    """Nothing raises, a rig never comes with problems, and each problem has a file, a line and a remedy."""
    random = Random(SEED)
    rig = Path(shutil.copytree(folder, tmp_path / "rig"))
    names = sorted(path.relative_to(rig) for path in rig.rglob("*.yaml"))
    sound = {name: (rig / name).read_bytes() for name in names}
    broken = 0
    for number in range(FILES):
        name = names[number % len(names)]
        data = mutated(random, sound[name], list(sound.values()))
        (rig / name).write_bytes(data)
        try:
            loaded = load_folder(rig)
        except Exception as error:
            error.add_note(f"ROUTERD_FUZZ_SEED={SEED}, change {number} of {name}: {data!r}")
            raise
        assert (loaded.rig_folder is None) == bool(loaded.problems), (SEED, number)
        for problem in loaded.problems:
            assert re.fullmatch(r"(rig\.yaml|(songs|sets)(/.+)?):\d+: .+; .+", str(problem)), str(problem)
            assert str(problem).isprintable()
            assert problem.line <= data.count(b"\n") + 2 or problem.file != str(name)
        broken += loaded.rig_folder is None
        (rig / name).write_bytes(sound[name])
    assert broken > FILES // 3
    assert load_folder(rig).problems == ()


def doubling(count: int) -> bytes:
    """Return the file that expands to 2 ** count values where aliases are followed."""
    lines = [b"a0: &a0 [x, x]"] + [b"a%d: &a%d [*a%d, *a%d]" % (i, i, i - 1, i - 1) for i in range(1, count)]
    return b"\n".join(lines)


EXPLOSIVE = {
    "aliases": doubling(64),
    "itself": b"a: &a [*a]",
    "merge keys": b"a: &a {b: 1}\n" + b"\n".join(b"k%d: {<<: *a}" % i for i in range(9000)),
    "deep brackets": b"[" * 400_000,
    "deep braces": b"{a: " * 200_000,
    "deep lists": b"- " * 400_000 + b"x",
    "deep indents": b"\n".join(b" " * i + b"a:" for i in range(1200)),
    "many values": b"[" + b"1," * 490_000 + b"]",
    "many keys": b"\n".join(b"k%d: 1" % i for i in range(90_000)),
    "many documents": b"---\na: 1\n" * 90_000,
    "a huge scalar": b"name: " + b"x" * 900_000,
    "a huge key": b"x" * 900_000 + b": 1",
    "a huge number": b"tempo: " + b"9" * 900_000,
    "a huge quote": b"name: '" + b"''" * 450_000,
    "a huge block": b"notes: |\n" + b"  x\n" * 240_000,
    "anchors": b"\n".join(b"k%d: &k%d 1" % (i, i) for i in range(50_000)),
    "tags": b"a: " + b"!" * 900_000,
    "escapes": b'a: "' + b"\\x41" * 200_000 + b'"',
    "comments": b"#" * 999_000,
    "above 1 MB": b"#" * 2_000_000,
    "nothing but spaces": b" " * 990_000,
    "carriage returns": b"a: 1\r" * 190_000,
}


HARMLESS = {
    *(
        "a huge scalar",
        "a huge key",
        "a huge number",
        "a huge block",
        "carriage returns",
        "many keys",
        "escapes",
    )
}
"""YAML has nothing against these: the checks of the values have."""


@pytest.mark.parametrize("what", EXPLOSIVE)
def test_a_file_that_explodes_is_told_in_few_lines(what: str) -> None:
    document = read_document("rig.yaml", EXPLOSIVE[what])
    assert len(document.problems) <= 101
    for problem in document.problems:
        assert problem.line >= 1
        assert len(str(problem)) < 1000
    assert document.problems or what in HARMLESS


def test_the_check_of_an_explosive_folder_is_bounded(tmp_path: Path) -> None:
    """Through the command line: all mistakes told, in bounded memory and without a traceback."""
    (tmp_path / "songs").mkdir()
    (tmp_path / "rig.yaml").write_bytes(EXPLOSIVE["aliases"])
    for number, what in enumerate(
        ("itself", "deep lists", "many values", "tags", "above 1 MB", "a huge key")
    ):
        (tmp_path / "songs" / f"song-{number}.yaml").write_bytes(EXPLOSIVE[what])
    done = subprocess.run(
        [sys.executable, "-m", "routerd.cli", "check", str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (900 << 20, 900 << 20)),
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stdout + done.stderr
    assert "alias" in done.stdout + done.stderr
    assert len(done.stdout + done.stderr) < 1_000_000
