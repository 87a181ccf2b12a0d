"""The API as programs of others see it.

Linters of OpenAPI have no remark on its document, generators make clients of it that compile, and one of
these drives every operation of a running service with the document's own examples.
"""

from __future__ import annotations

import compileall
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from routerd.server.http.about import document
from routerd.server.http.application import OPERATIONS
from routerd.server.http.operation import JSON, STREAM, Operation
from tests.foreign import run, tool
from tests.service import Service

DEMO = Path(__file__).parents[1] / "configs" / "demo"

AT_FIRST = [("PUT", "/v1/set-list", {"name": "Harbour"}), ("POST", "/v1/song", {"song": 1})]
BEFORE: dict[tuple[str, str], list[tuple[str, str, Any]]] = {
    ("POST", "/v1/previous"): [("POST", "/v1/song", {"song": 2})],
    ("POST", "/v1/previous-section"): [("POST", "/v1/section", {"section": 2})],
    ("POST", "/v1/set-list/undo"): [("POST", "/v1/set-list/encore", {"song": 2})],
    ("POST", "/v1/go"): [("POST", "/v1/start", {"when": "next-press"})],
    ("POST", "/v1/soundcheck/stop"): [("POST", "/v1/soundcheck", {"levels_down": True})],
    ("GET", "/v1/soundcheck"): [
        ("POST", "/v1/soundcheck", {"levels_down": True, "stages": ["machine"]}),
        ("POST", "/v1/soundcheck/stop", None),
    ],
    ("POST", "/v1/soundcheck"): [("POST", "/v1/soundcheck/stop", None)],
}
"""What makes an operation possible where the demo's first song is on."""

NOT_IN_THE_DEMO = {"/v1/soundcheck/offsets": 409, "/v1/soundcheck/silent": 409, "/v1/takeover": 409}
"""They want a loopback cable, a device that does not answer, a spare: a refusal is documented, too."""

LINT_RULES = 'extends: ["spectral:oas"]\n'

USE_OF_TYPES = """
import type { components, paths } from "./types";
import type { PostV1MuteData, PutV1SetListData, Status } from "./client";

type Mute = paths["/v1/mute"]["post"]["requestBody"]["content"]["application/json"];
export const byDevice: Mute = { device: "lead-synth" };
export const byRoute: Mute = { route: "drums", on: false, when: "bar" };
// @ts-expect-error: one of them is needed
export const byNothing: Mute = {};
export const order: PutV1SetListData["body"] = { order: ["Nine Lamps"], encore: 0 };
export const name: PutV1SetListData["body"] = { name: "Harbour" };
export const mute: PostV1MuteData["body"] = byDevice;
export const bpm = (status: Status): number => status.tempo.bpm;
export const left = (position: components["schemas"]["Position"]): number | null => position.next_bar_s;
"""
"""What a page would write: it compiles only if bodies are possible and numbers are numbers."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the document in it."""
    made = tmp_path_factory.mktemp("clients")
    (made / "openapi.json").write_text(json.dumps(document(OPERATIONS), indent=1))
    return made


def test_linters_have_no_remark(folder: Path) -> None:
    (folder / "rules.yaml").write_text(LINT_RULES)
    found = run(
        "spectral", "lint", "openapi.json", "-r", "rules.yaml", "-f", "json", "-F", "hint", cwd=folder
    )
    assert json.loads(found[: found.rindex("]") + 1]) == []
    found = run("redocly", "lint", "openapi.json", "--format", "json", cwd=folder)
    assert '"totals"' in found
    assert [line for line in found.splitlines() if '"ruleId"' in line] == []


def test_typescript_clients_compile(folder: Path) -> None:
    run("openapi-typescript", "openapi.json", "-o", "types.ts", cwd=folder)
    run("openapi-ts", "-i", "openapi.json", "-o", "client", cwd=folder)
    (folder / "use.ts").write_text(USE_OF_TYPES)
    strict = ["--strict", "--noEmit", "--module", "esnext", "--target", "es2022"]
    where = ["--moduleResolution", "bundler", "--lib", "es2022,dom,dom.iterable"]
    run("tsc", *strict, *where, "use.ts", "client/index.ts", cwd=folder)


def test_a_python_client_drives_every_operation(folder: Path, tmp_path: Path) -> None:
    config = {"post_hooks": [], "content_type_overrides": {"application/openmetrics-text": "text/plain"}}
    (folder / "config.json").write_text(json.dumps(config))
    generate = ["generate", "--path", "openapi.json", "--config", "config.json", "--fail-on-warning"]
    (folder / "made").mkdir()
    run("openapi-python-client", *generate, "--meta", "none", "--output-path", "made/client", cwd=folder)
    assert compileall.compile_dir(folder / "made", quiet=1)

    rig = Path(shutil.copytree(DEMO, tmp_path / "rig"))  # asked to save its set list, it does
    with Service(rig, tmp_path / "state", "--ports", "simulated", "--no-spare") as service:
        service.wait_until_open()
        base = f"http://127.0.0.1:{service.http}"
        python = tool("openapi-python-client").with_name("python")
        done = subprocess.run(
            [python, Path(__file__).with_name("drive_client.py"), folder / "made", base],
            input=json.dumps([asked(one) for one in OPERATIONS]),
            capture_output=True,
            text=True,
            timeout=240,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    answers = list(zip(OPERATIONS, json.loads(done.stdout), strict=True))
    refused = [answer for one, answer in answers if answer["status"] != NOT_IN_THE_DEMO.get(one.path, 200)]
    assert refused == []
    for operation, answer in answers:
        if isinstance(operation.answer, type) and answer["status"] == 200:
            assert answer["parsed"] == operation.answer.__name__
        elif operation.media == (JSON,):
            assert answer["parsed"] != "NoneType"


def asked(operation: Operation) -> dict[str, Any]:
    """Return what the driver needs to know of an operation."""
    words = f"{operation.method.lower()}{operation.path}".replace("{", "").replace("}", "")
    name = words.rstrip("/").replace("/", "_").replace("-", "_").replace(".", "_")
    return {
        "module": f"{operation.tag.replace('-', '_')}.{name}",
        "body": json.loads(operation.example) if operation.example else None,
        "arguments": {
            one.name.lower().replace("-", "_"): one.example
            for one in operation.parameters
            if one.example is not None
        },
        "stream": STREAM in operation.media,
        "before": AT_FIRST + BEFORE.get((operation.method, operation.path), []),
    }
