"""The command line's own corners."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from routerd.cli import client, main
from routerd.cli.run import default_state_dir, state_folders

LONG = "x" * 5000
DEMO = Path(__file__).parents[2] / "configs" / "demo"


def test_every_rig_folder_has_a_state_folder_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    names = ["n/my-rig", "n-my/rig", "n-my-rig", "n/my/rig", "/".join(["deep" * 20] * 30)]
    folders = [default_state_dir(tmp_path / name) for name in names]
    assert len(set(folders)) == len(names)
    assert default_state_dir(tmp_path / "n" / ".." / "n" / "my-rig") == folders[0]
    for folder in folders:
        folder.mkdir(parents=True)  # no name is too long
    assert state_folders() == sorted(folders)


@pytest.mark.parametrize(
    "arguments",
    [
        ["report", LONG],
        ["report", "a", "--state-dir", LONG],
        ["run", LONG],
        ["check", LONG],
        ["sheet", LONG],
        ["demo", "--copy", LONG],
        ["import", LONG, LONG, "--name", LONG],
        ["diff", LONG, LONG],
    ],
    ids=lambda arguments: arguments[0],
)
def test_names_that_are_too_long_are_one_short_answer(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) in {1, 2}
    printed = "".join(capsys.readouterr())
    assert "Traceback" not in printed
    assert printed.count("\n") <= 4


def test_a_report_of_an_unknown_show_is_short(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", os.fspath(tmp_path), "--state-dir", str(tmp_path)]) == 2
    assert main(["report", LONG, "--state-dir", str(tmp_path)]) == 2
    assert all(len(line) < 400 for line in capsys.readouterr().err.splitlines())


@pytest.mark.parametrize(
    ("words", "wrong", "meant"),
    [
        (["statsu"], "argument COMMAND: 'statsu'", "did you mean 'status'?"),
        (["do", "nxt"], "argument ACTION: 'nxt'", "did you mean 'next'?"),
    ],
)
def test_a_misspelt_word_is_answered_by_the_nearest_one(
    words: list[str], wrong: str, meant: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    said = capsys.readouterr().err.splitlines()[-1]
    assert ended.value.code == 2
    assert f"{wrong} is not known here; {meant} Choose from" in said
    assert len(said) < 250


@pytest.mark.parametrize(
    ("data", "why"), [(None, "No such file or directory"), (b"\xd0\x00", "it is not UTF-8; save it as that")]
)
def test_a_list_that_cannot_be_read_is_said_in_plain_words(
    data: bytes | None, why: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "order.csv"
    if data is not None:
        file.write_bytes(data)
    assert main(["import", str(DEMO), str(file), "--name", "x"]) == 2
    assert capsys.readouterr().err == f"routerd: {file} cannot be read as text: {why}\n"


def test_where_no_service_answers_no_number_of_the_system_is_shown(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with socket.socket() as taken:  # bound and not listening: nobody answers there
        taken.bind(("127.0.0.1", 0))
        listen = f"127.0.0.1:{taken.getsockname()[1]}"
        assert main(["status", "--listen", listen]) == 2
    said = f"routerd: no service answers at {listen} (Connection refused); is `routerd run` up?\n"
    assert capsys.readouterr().err == said


def test_a_soundcheck_that_nobody_reads_ends_as_every_command_does(monkeypatch: pytest.MonkeyPatch) -> None:
    """`routerd soundcheck | head -1`: a broken pipe is no failure, and not a line of its own."""

    def gone(_: str) -> None:
        raise BrokenPipeError

    monkeypatch.setattr(client.Client, "ask", lambda *_: '{"cautions": ["Turn it down."]}')
    monkeypatch.setattr(client, "say", gone)
    with pytest.raises(BrokenPipeError):
        client.run_soundcheck(client.Client("127.0.0.1:1", None, None), client.SoundcheckWish(agreed=True))
