"""Names are no paths, reading changes nothing, and pages elsewhere do nothing."""

from __future__ import annotations

import hmac
from pathlib import Path
from typing import Any

import pytest
from server_service import Service

from routerd.link.messages import Ask, PlayIn
from routerd.server.http import tokens
from routerd.server.http.application import OPERATIONS

CLIMBING = (
    "../../../../../../etc/passwd",
    "..%2f..%2f..%2f..%2fetc%2fpasswd",
    "%2e%2e/%2e%2e/etc/passwd",
    "/etc/passwd",
    "%2fetc%2fpasswd",
    "..%5c..%5cetc",
    "%00",
    "rig.yaml",
    "../rig.yaml",
)


async def test_no_name_is_a_path(service: Service) -> None:
    for path in ("/v1/songs/", "/v1/schemas/", "/problems/", "/v1/soundcheck?name=", "/"):
        for name in CLIMBING:
            answer = await service.ask("GET", path + name)
            assert answer.status in (400, 404), path + name
            assert "root:" not in answer.text
            assert "devices:" not in answer.text


async def test_a_set_is_saved_inside_the_rig_folder(service: Service, demo_rig: Path) -> None:
    """The name of a set list makes the name of its file; whatever it is, the file lies in sets."""
    for name in ("../../evil", "/tmp/evil", "..", "con/../../evil", "a\\..\\b", "ü/ï", "-"):
        everything = {path for path in demo_rig.parent.rglob("*") if path.is_file()}
        changed = await service.ask("PUT", "/v1/set-list", {"order": ["Nine Lamps"], "name": name})
        assert changed.status == 200, name
        saved = await service.ask("POST", "/v1/set-list/save")
        assert saved.status in (200, 409)
        new = {path for path in demo_rig.parent.rglob("*.yaml") if path.is_file()} - everything
        assert all(path.parent == demo_rig / "sets" for path in new)
        assert len(new) <= (saved.status == 200)


async def test_a_link_out_of_the_rig_folder_is_not_written_through(
    service: Service, demo_rig: Path, tmp_path: Path
) -> None:
    outside = tmp_path / "outside"
    (demo_rig / "sets").rename(outside)
    (demo_rig / "sets").symlink_to(outside)
    before = {path.name: path.read_bytes() for path in outside.iterdir()}
    await service.ask("PUT", "/v1/set-list", {"order": ["Nine Lamps"]})
    answer = await service.ask("POST", "/v1/set-list/save")
    assert (answer.status, answer.json["type"]) == (409, "/problems/file-at-fault")
    assert "leads out of the rig folder" in answer.json["detail"]
    assert {path.name: path.read_bytes() for path in outside.iterdir()} == before


async def test_a_file_that_somebody_broke_meanwhile_is_not_saved_over(
    service: Service, demo_rig: Path
) -> None:
    path = demo_rig / "sets" / "harbour.yaml"
    for broken in (
        b"[" * 100_000,
        b"name: Harbour\norder: [\xff]\n",
        b"name: Harbour\ndate: 2026-99-99\n: [",
    ):
        path.write_bytes(broken)
        answer = await service.ask("POST", "/v1/set-list/save")
        assert (answer.status, answer.json["type"]) == (409, "/problems/file-at-fault")
        assert path.read_bytes() == broken


async def test_reading_changes_nothing(service: Service) -> None:
    """A page elsewhere can have a browser GET anything, unseen: no GET may do anything."""
    for operation in OPERATIONS:
        if operation.method == "GET" and operation.path not in {"/v1/events", "/v1/monitor"}:
            await service.ask("GET", operation.path.replace("{song}", "low-tide").replace("{name}", "song"))
    assert [one for one in service.engine.said if isinstance(one, Ask | PlayIn)] == []


FORMS = ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x")
"""What a page may send elsewhere without asking first (Fetch standard: safelisted Content-Type)."""


ELSEWHERE: tuple[dict[str, str], ...] = (
    {"Origin": "http://evil.example"},
    {"Origin": "null"},  # a sandboxed frame, a file, a redirect
    {"Origin": "http://localhost:3000"},  # another service of this machine
    {"Origin": "https://localhost:{port}", "Host": "localhost"},
    {"Origin": "http://evil.example:{port}", "Host": "evil.example:{port}"},  # DNS rebinding
    {"Host": "evil.example:{port}"},
    {"Host": "[::ffff:10.0.0.1]:{port}"},
    {"Host": "[fe80::1%25eth0]:{port}"},
    {"Host": "127.0.0.1.evil.example"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
    {"Origin": "http://127.0.0.1:{port}", "Sec-Fetch-Site": "cross-site"},
)


async def test_no_page_elsewhere_can_drive_the_rig(service: Service) -> None:
    port = service.base.rpartition(":")[2]
    for kind in FORMS:
        for headers in ELSEWHERE:
            sent: Any = {name.replace("-", "_"): value.format(port=port) for name, value in headers.items()}
            answer = await service.ask("POST", "/v1/tempo", '{"bpm": 200}', Content_Type=kind, **sent)
            assert answer.status == 403, headers
            assert answer.json["type"] in ("/problems/foreign-host", "/problems/foreign-origin")
    assert [one for one in service.engine.said if isinstance(one, Ask)] == []


async def test_our_own_page_and_links_from_elsewhere_pass(service: Service) -> None:
    port = service.base.rpartition(":")[2]
    for host in (f"127.0.0.1:{port}", f"localhost:{port}", f"[::1]:{port}"):
        own = {"Host": host, "Origin": f"http://{host}", "Sec_Fetch_Site": "same-origin"}
        assert (await service.ask("POST", "/v1/tempo", '{"bpm": 100}', **own)).status == 200
    assert (await service.ask("GET", "/v1/report?format=text", Sec_Fetch_Site="cross-site")).status == 200


def test_tokens_are_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    compared = []
    real = hmac.compare_digest

    def compare(a: bytes, b: bytes) -> bool:
        compared.append((a, b))
        return real(a, b)

    monkeypatch.setattr(tokens.hmac, "compare_digest", compare)
    ours = tokens.Tokens("correct-horse-battery", "another-horse-battery")
    assert ours.allows("correct-horse-battery") == "change"
    assert ours.allows("another-horse-battery") == "read"
    assert ours.allows("correct-horse-batterz") is None
    every_word = [b"correct-horse-battery", b"another-horse-battery"]
    assert [pair[1] for pair in compared] == every_word * 3, "whatever is sent is compared with both"
