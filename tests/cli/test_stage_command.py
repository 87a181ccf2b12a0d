"""`routerd stage`: addresses and a code, read back by another library than the one that wrote it."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from rich.console import Console

from routerd.cli import main
from routerd.cli.stage import is_only_here, print_code
from tests.hostile.rich_rig import DEMO
from tests.service import Service

CHANGE, READ = "a-word+to/change=with", "a-word+to/read=with"
ADDRESS = "http://192.0.2.17:8473/stage#a-word%2Bto%2Fchange%3Dwith"

DARK, BRIGHT = (255, 0), (0, 255)
"""Terminals: the brightness of what is written, and of what is behind it."""


def brightness(codes: list[int], own: tuple[int, int]) -> tuple[int, int]:
    """Return ink and ground after SGR codes (ECMA-48, 8.3.117); only black and white are known."""
    ink, ground = own
    while codes:
        code = codes.pop(0)
        if code == 0:
            ink, ground = own
        elif code in (38, 48):
            if codes.pop(0) == 2:
                value = codes[0]
                del codes[:3]
            else:
                value = {16: 0, 231: 255}[codes.pop(0)]
            ink, ground = (value, ground) if code == 38 else (ink, value)
        elif code in (30, 97):
            ink = {30: 0, 97: 255}[code]
        else:
            ground = {40: 0, 107: 255}[code]
    return ink, ground


def picture(text: str, own: tuple[int, int]) -> np.ndarray:
    """Return what a terminal shows, in squares: two to a character, one over the other."""
    rows: list[list[int]] = []
    for line in text.splitlines():
        upper: list[int] = []
        lower: list[int] = []
        ink, ground = own
        for codes, character in re.findall(r"\x1b\[([\d;]*)m|(.)", line):
            if not character:
                ink, ground = brightness([int(code or 0) for code in codes.split(";")], own)
                continue
            upper.append(ink if character in "▀█" else ground)
            lower.append(ink if character in "▄█" else ground)
        rows += [upper, lower]
    wide = max(len(row) for row in rows)
    padded = [row + [own[1]] * (wide - len(row)) for row in rows]
    around = np.full((len(padded) + 20, wide + 20), own[1], np.uint8)
    around[10:-10, 10:-10] = padded
    return np.kron(around, np.ones((6, 6), np.uint8))


@pytest.mark.parametrize("own", [DARK, BRIGHT], ids=["dark terminal", "bright terminal"])
@pytest.mark.parametrize("colours", ["truecolor", "256", "standard", None])
def test_the_code_reads_back_on_any_terminal(colours: str | None, own: tuple[int, int]) -> None:
    written = io.StringIO()
    system = {"force_terminal": True, "color_system": colours} if colours else {"no_color": True}
    print_code(Console(file=written, soft_wrap=True, width=20, **system), ADDRESS)
    (found,) = zxingcpp.read_barcodes(picture(written.getvalue(), own))
    assert found.text == ADDRESS
    assert found.format == zxingcpp.BarcodeFormat.QRCode


def test_it_fits_a_terminal_of_eighty_by_twenty_four() -> None:
    written = io.StringIO()
    print_code(Console(file=written, no_color=True), ADDRESS)
    lines = written.getvalue().splitlines()
    assert len(lines) <= 23
    assert {len(line) for line in lines} == {len(lines[0])}
    assert len(lines[0]) <= 80


@pytest.mark.parametrize(
    ("listen", "only_here"),
    [
        ("127.0.0.1:8473", True),
        ("[::1]:1", True),
        ("localhost:1", True),
        ("0.0.0.0:1", False),
        ("[::]:1", False),
        ("rack.example:80", False),
    ],
)
def test_who_listens_to_this_machine_only(listen: str, *, only_here: bool) -> None:
    assert is_only_here(listen) is only_here


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stage")
    for name, token in (("change", CHANGE), ("read", READ)):
        (folder / name).write_text(f"{token}\n")
        (folder / name).chmod(0o600)
    return folder


@pytest.fixture(scope="module")
def service(folder: Path) -> Iterator[str]:
    """Where a service listens that wants a token."""
    files = ("--token-file", str(folder / "change"), "--read-token-file", str(folder / "read"))
    with Service(DEMO, folder / "state", "--ports", "simulated", *files) as service:
        service.headers = {"Authorization": f"Bearer {CHANGE}"}
        service.wait_until_up()
        yield f"127.0.0.1:{service.http}"


def test_on_loopback_it_says_how_to_let_a_tablet_in(
    service: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for options, token in (
        (["--token-file", str(folder / "change")], "a-word%2Bto%2Fchange%3Dwith"),
        (["--read-only", "--read-token-file", str(folder / "read")], "a-word%2Bto%2Fread%3Dwith"),
        (["--technician", "--token-file", str(folder / "change")], "a-word%2Bto%2Fchange%3Dwith"),
    ):
        assert main(["stage", "--listen", service, *options]) == 0
        out = capsys.readouterr().out
        assert "listens on this machine only" in out
        assert "--listen 0.0.0.0:" in out
        page = "stage/technician" if "--technician" in options else "stage"
        assert out.splitlines()[-1] == f"  http://{service}/{page}#{token}"
        assert "█" not in out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "wants a token"),
        (["--read-only"], "--read-only needs --read-token-file"),
        (["--read-only", "--read-token-file", "{}/change"], "may change things"),
        (["--token-file", "{}/none"], "/none: No such file"),
        (["--token-file", "{}/change", "--tls-cert", "{}/change"], "/change: it holds no certificate"),
    ],
)
def test_what_is_wrong_is_said(
    options: list[str], words: str, service: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["stage", "--listen", service, *(one.format(folder) for one in options)]) == 2
    said = capsys.readouterr()
    assert words in said.err
    assert said.out == ""
    assert CHANGE not in said.err
