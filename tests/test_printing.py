"""What comes from outside reaches no terminal as it is."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.cli import main
from routerd.printing import LineStream, LogForm, say_document, say_lines, visible, visible_json
from routerd.server.log import LOG, set_up_log

ESCAPES = "\x1b]0;owned\x07 \x1b[2J\x9b31m \r routerd: all good\n\u202egnp.\u2066 \udcff"


@given(st.text())
def test_what_is_visible_is_one_printable_line(text: str) -> None:
    assert visible(text).isprintable()
    assert text.isprintable() <= (visible(text) == text)


def test_escapes_are_written_out() -> None:
    assert visible(ESCAPES) == (
        r"\x1b]0;owned\x07 \x1b[2J\x9b31m \r routerd: all good\n\u202egnp.\u2066 \udcff"
    )
    assert visible("Café — №2 ♯") == "Café — №2 ♯"


@given(st.dictionaries(st.text(), st.text()))
def test_json_keeps_its_meaning(value: dict[str, str]) -> None:
    text = visible_json(json.dumps(value, ensure_ascii=False))
    assert text.isprintable()
    assert json.loads(text) == value


def test_lines_stay_lines(capsys: pytest.CaptureFixture[str]) -> None:
    say_lines("one\ntwo\x1b[1m\n")
    say_document('{"a": "\x9b"}', "json")
    assert capsys.readouterr().out == 'one\ntwo\\x1b[1m\n{"a": "\x9b"}\n'


def test_what_the_terminal_cannot_show_is_written_out(monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", out)
    say_lines("Café")
    assert out.buffer.getvalue() == b"Caf\\xe9\n"


class Terminal(io.StringIO):
    """Is one."""

    def isatty(self) -> bool:
        """Say yes."""
        return True


@pytest.mark.parametrize("stream", [io.StringIO, Terminal])
def test_no_line_of_the_log_is_forged(stream: type[io.StringIO], monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("form", "writer"):
        monkeypatch.setattr(LOG, name, getattr(LOG, name))
    out = stream()
    writer = set_up_log(out)
    try:
        LOG.say(f"port opened {ESCAPES}", port=ESCAPES, names=[ESCAPES, {"a": ESCAPES}], place=Path(ESCAPES))
        try:
            raise ValueError(ESCAPES)
        except ValueError as error:
            LOG.say("fault", "error", error)
    finally:
        writer.close(5)
    first, *others = out.getvalue().removesuffix("\n").split("\n")
    assert first.isprintable()
    assert "all good" in first
    assert all(line.isprintable() for line in others)
    if stream is io.StringIO:
        assert json.loads(first)["port"] == visible(ESCAPES)
        assert json.loads(others[0])["exception"].splitlines()[0] == "Traceback (most recent call last):"
    else:
        assert "Traceback (most recent call last):" in others[1] + others[0]


def test_what_libraries_say_on_standard_error_has_no_escapes_either() -> None:
    said: list[str] = []

    class Writer:
        msg = staticmethod(said.append)

    form = LogForm("engine", number=9999)
    LineStream(Writer(), form).write("libjack: \x1b[31mport\nnext\n")
    assert [json.loads(line)["event"] for line in said] == [r"libjack: \x1b[31mport", "next"]
    form.on_terminal = True
    LineStream(Writer(), form).write("libjack: \x1b[31mport\n")
    assert said[-1] == r"libjack: \x1b[31mport"


def test_names_of_files_are_printed_with_their_escapes_written_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "songs").mkdir()
    (tmp_path / "rig.yaml").write_text("name: r\ndevices:\n  keys: {input: k}\n")
    (tmp_path / "songs" / "one.yaml").write_text("title: One\ntempo: 100\n")
    for name in ("a\x1b[2J.yaml", "b\nrig: all good\x1b]0;x\x07.yml", "c\u202e.yaml"):
        (tmp_path / "songs" / name).write_text("title: Two\ntempo: 100\n")
    for arguments in (
        ["check", str(tmp_path)],
        ["sheet", str(tmp_path)],
        ["diff", str(tmp_path), str(tmp_path)],
    ):
        assert main(arguments) in {1, 2}
        printed = "".join(capsys.readouterr())
        assert all(line.isprintable() for line in printed.splitlines())
        assert not [line for line in printed.splitlines() if line.startswith("rig: all good")]
