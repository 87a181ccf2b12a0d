"""The stage page as it is served: types, headers, caching, and nothing but its own files."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import pytest
from server_service import Service

from routerd.core.model.events import KINDS
from routerd.server import stage
from routerd.server.http.negotiation import takes_gzip

PAGES = {"/stage": "index.html", "/stage/technician": "technician.html"}


def files() -> list[str]:
    """Everything in the page's folder but its code."""
    folder = Path(stage.__file__).parent
    return sorted(path.name for path in folder.iterdir() if path.suffix != ".py" and path.is_file())


def test_the_page_hears_of_every_kind_of_event() -> None:
    """A browser hears those only that it asks for by name."""
    text = (Path(stage.__file__).parent / "feed.js").read_text()
    asked = re.findall(r'"([a-z-]+)"', text[text.index("const KINDS = [") : text.index("];")])
    beats = re.search(r'for \(const kind of \["(beat)", "(beats-changed)"\]\)', text)
    assert beats is not None
    assert {*asked, *beats.groups()} == {*KINDS}


def test_every_file_of_the_page_has_a_type() -> None:
    assert files() == sorted(stage.read_assets())


async def test_pages_and_files_come_with_their_types_and_headers(service: Service) -> None:
    folder = Path(stage.__file__).parent
    for path, name in {**PAGES, **{f"/stage/{name}": name for name in files()}}.items():
        answer = await service.ask("GET", path, Accept_Encoding="identity")
        assert answer.status == 200
        assert answer.text.encode() == (folder / name).read_bytes()
        assert answer.headers["Content-Type"] == stage.TYPES[Path(name).suffix]
        assert "Content-Encoding" not in answer.headers
        assert answer.headers["Cache-Control"] == "no-cache"
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        policy = answer.headers["Content-Security-Policy"]
        assert policy.startswith("default-src 'none'; script-src 'self';")
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        head = await service.ask("HEAD", path)
        assert (head.status, head.text) == (200, "")


async def test_what_has_not_changed_is_not_sent_again(service: Service) -> None:
    """RFC 9110, 13.1.2: If-None-Match names one tag or several, weak or strong, or any by *."""
    etag = (await service.ask("GET", "/stage", Accept_Encoding="identity")).headers["ETag"]
    for given in (etag, f"W/{etag}", f'"other", {etag}', "*"):
        answer = await service.ask("GET", "/stage", If_None_Match=given, Accept_Encoding="identity")
        assert (answer.status, answer.text, answer.headers["ETag"]) == (304, "", etag)
    assert (await service.ask("GET", "/stage", If_None_Match='"other"')).status == 200


def test_only_what_gets_smaller_is_compressed() -> None:
    assert stage.Asset.of("a.css", b"a" * 100).compressed is None
    large = stage.Asset.of("a.css", b"a { color: red }\n" * 200)
    assert large.compressed is not None
    assert gzip.decompress(large.compressed) == large.plain
    assert large == stage.Asset.of("a.css", large.plain), "the same file has the same tag on every machine"


@pytest.mark.parametrize(
    ("accepted", "compressed"),
    [
        ("gzip", True),
        ("br, x-gzip;q=0.5", True),
        ("GZIP; q=1", True),
        ("gzip;q=0", False),
        ("gzip;q=0.000", False),
        ("br", False),
        ("", False),
        ("*", False),
    ],
)
def test_compressed_only_for_those_who_say_so(accepted: str, *, compressed: bool) -> None:
    """RFC 9110, 12.5.3."""
    assert takes_gzip(accepted) is compressed


def test_a_page_is_read_at_start_and_its_folder_only(tmp_path: Path) -> None:
    (tmp_path / "one.js").write_text("1")
    (tmp_path / "other.txt").write_text("2")
    assert list(stage.read_assets(tmp_path)) == ["one.js"]


@pytest.mark.parametrize(
    "name",
    [
        "__init__.py",
        "..%2f__init__.py",
        "%2e%2e/view.py",
        "",
        "%00",
        "technician/",
        "stage.css%00",
        "a" * 3000,
    ],
)
async def test_nothing_else_is_served(name: str, service: Service) -> None:
    answer = await service.ask("GET", f"/stage/{name}")
    assert answer.status == 404
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert "import" not in answer.text
