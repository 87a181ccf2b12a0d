"""The demo's files in an editor: what a YAML language server says of them, by LSP 3.17 over stdio."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.foreign import tool

DEMO = Path(__file__).parents[3] / "configs" / "demo"


class Editor:
    """An editor's end of a language server."""

    def __init__(self, folder: Path) -> None:
        command = [str(tool("yaml-language-server")), "--stdio"]
        self._server = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        self._number = 0
        self.ask("initialize", processId=None, rootUri=folder.as_uri(), capabilities={})
        self.tell("initialized")
        settings = {"yaml": {"validate": True, "completion": True, "schemaStore": {"enable": False}}}
        self.tell("workspace/didChangeConfiguration", settings=settings)

    def tell(self, method: str, **params: Any) -> None:
        """Send a notification."""
        self._send({"method": method, "params": params})

    def ask(self, method: str, **params: Any) -> Any:
        """Send a request; return its result."""
        self._number += 1
        number = self._number
        self._send({"id": number, "method": method, "params": params})
        return self._until(lambda message: message.get("id") == number and "method" not in message)["result"]

    def opened(self, folder: Path, text: str) -> list[str]:
        """Open a file of that text in a folder; return what the server says is wrong."""
        return [one["message"] for one in self._diagnostics(self._open(folder, text))]

    def offered(self, folder: Path, text: str) -> set[str]:
        """Open a file of that text; return what the server offers at its end."""
        uri = self._open(folder, text)
        lines = text.split("\n")
        place = {"line": len(lines) - 1, "character": len(lines[-1])}
        found = self.ask("textDocument/completion", textDocument={"uri": uri}, position=place)
        return {one["label"] for one in found["items"]}

    def _open(self, folder: Path, text: str) -> str:
        """Open a file that was never open before, and is not on the disk; return its address."""
        self._number += 1
        uri = (folder / f"file-{self._number}.yaml").as_uri()
        document = {"uri": uri, "languageId": "yaml", "version": 1, "text": text}
        self.tell("textDocument/didOpen", textDocument=document)
        return uri

    def _diagnostics(self, uri: str) -> list[dict[str, Any]]:
        found = self._until(
            lambda message: (
                message.get("method") == "textDocument/publishDiagnostics" and message["params"]["uri"] == uri
            )
        )
        return list(found["params"]["diagnostics"])

    def close(self) -> None:
        """End the server."""
        with self._server:  # closes its pipes
            self._server.kill()

    def _send(self, message: dict[str, Any]) -> None:
        assert self._server.stdin is not None
        body = json.dumps({"jsonrpc": "2.0", **message}).encode()
        self._server.stdin.write(b"Content-Length: %d\r\n\r\n%s" % (len(body), body))
        self._server.stdin.flush()

    def _until(self, wanted: Any) -> dict[str, Any]:
        assert self._server.stdout is not None
        while True:
            length = 0
            while (line := self._server.stdout.readline().strip()) != b"" or not length:
                assert line or self._server.poll() is None, "the language server has ended"
                name, _, value = line.partition(b":")
                length = int(value) if name.lower() == b"content-length" else length
            message: dict[str, Any] = json.loads(self._server.stdout.read(length))
            if "id" in message and "method" in message:  # it asks for settings: there are none
                items = message.get("params", {}).get("items", [])
                self._send({"id": message["id"], "result": [None] * len(items)})
            elif wanted(message):
                return message


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copytree(DEMO, tmp_path_factory.mktemp("editor") / "rig"))


@pytest.fixture(scope="module")
def editor(rig: Path) -> Iterator[Editor]:
    found = Editor(rig)
    yield found
    found.close()


def test_it_finds_nothing_in_the_demo(editor: Editor, rig: Path) -> None:
    for path in sorted(rig.rglob("*.yaml")):
        assert editor.opened(path.parent, path.read_text()) == [], path.name


@pytest.mark.parametrize(
    ("file", "before", "after", "words"),
    [
        ("songs/copper-ferry.yaml", "tempo:", "tempoo:", "tempoo"),
        ("songs/copper-ferry.yaml", "device: lead-synth", "device: led-synth", "lead-synth"),
        ("sets/harbour.yaml", "date: 2026-11-27", "date: 2026-13-27", "pattern"),
        ("sets/harbour.yaml", "- nine-lamps", "- nine-lambs", "nine-lamps"),
        ("rig.yaml", "clock: true", "clock: yes-please", "boolean"),
    ],
)
def test_it_finds_a_mistake(
    editor: Editor, rig: Path, file: str, before: str, after: str, words: str
) -> None:
    text = (rig / file).read_text()
    assert before in text
    said = editor.opened((rig / file).parent, text.replace(before, after, 1))
    assert said
    assert any(words in one for one in said), said


def test_it_offers_keys_devices_and_songs(editor: Editor, rig: Path) -> None:
    head = "# yaml-language-server: $schema=../schemas/{}.schema.json\n"
    song = head.format("song") + "title: New\ntempo: 100\n"
    assert {"routes", "patches", "checklist"} <= editor.offered(rig / "songs", song)
    patch = editor.offered(rig / "songs", song + "patches:\n  - device: ")
    assert {"lead-synth", "drum-synth"} <= patch
    assert "pedals" not in patch  # nothing can be sent to them
    songs = editor.offered(rig / "sets", head.format("set") + "name: New\norder:\n  - ")
    assert {"copper-ferry", "Nine Lamps"} <= songs
