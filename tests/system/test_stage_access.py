"""Who may look at the stage page and press on it: tokens, cookies, and pages of other origins."""

from __future__ import annotations

import http.server
import json
import shutil
import threading
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from stage_page import DEMO, Tab, a_stage, show_begins

from routerd.cli import main
from tests.service import Service, until

pytestmark = [pytest.mark.system, pytest.mark.browser]

TOKEN, READS, WRONG = "correct+horse/battery=", "reading-horse-battery", "wrong-horse-battery-x"


class Guarded(Service):
    """A service that wants a token."""

    def ask(self, method: str, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(f"http://127.0.0.1:{self.http}{path}", data=data, method=method)
        request.add_header("Authorization", f"Bearer {self.token}")
        with urllib.request.urlopen(request, timeout=10) as answer:
            return json.loads(answer.read())

    token = TOKEN


@pytest.fixture(scope="module")
def guarded(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guarded]:
    place = tmp_path_factory.mktemp("guarded")
    rig = Path(shutil.copytree(DEMO, place / "rig"))
    options = ["--ports", "simulated"]
    for name, option, token in (("all", "--token-file", TOKEN), ("read", "--read-token-file", READS)):
        (place / name).write_text(token)
        (place / name).chmod(0o600)
        options += [option, str(place / name)]
    with Guarded(rig, place / "state", *options) as service:
        service.wait_until_open()
        yield service


def test_the_token_in_the_address_becomes_a_cookie(browser: Any, guarded: Guarded) -> None:
    show_begins(guarded)
    tab = Tab(browser, guarded, f"/stage#{quote(TOKEN)}").live()
    tab.until_text("#song", "Copper Ferry")
    assert "horse" not in tab.page.url
    assert not any("horse" in one.url for one in tab.asked), "no address that is sent has it"
    (cookie,) = tab.context.cookies()
    assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
    assert cookie["value"] not in tab.page.evaluate("() => document.cookie")
    tab.page.click("#sections button[data-number='2']")
    tab.until_text("#section", "verse")
    tab.page.reload()
    tab.live()
    tab.page.goto(f"http://127.0.0.1:{guarded.http}/stage/technician")
    tab.live()
    tab.close()


def test_the_address_that_the_command_prints_lets_in(
    browser: Any, guarded: Guarded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As `routerd stage` prints it, with a token that has every character that base64 has."""
    for option, token in (("--token-file", TOKEN), ("--read-token-file", READS)):
        (tmp_path / option).write_text(token)
        read_only = ["--read-only"] if token == READS else []
        line = ["stage", "--listen", f"127.0.0.1:{guarded.http}", option, str(tmp_path / option)]
        assert main([*line, *read_only]) == 0
        address = capsys.readouterr().out.split()[-1]
        tab = Tab(browser, guarded, address.removeprefix(f"http://127.0.0.1:{guarded.http}")).live()
        tab.until_text("#song", "Copper Ferry")
        tab.close()


@pytest.mark.parametrize("wrong", [WRONG, "half-of-an-escape-%E0%A4"])
def test_a_wrong_token_is_told_and_the_right_one_entered(wrong: str, browser: Any, guarded: Guarded) -> None:
    tab = Tab(browser, guarded, f"/stage#{wrong}")
    tab.until_text("#lost", "This page needs a token")
    tab.until_text("#word", "Token: ")
    assert tab.text("#song") == "–", "nothing of the rig is shown"
    assert "#" not in tab.page.url, "and the token does not stay in the address"
    tab.page.fill("#token", TOKEN)
    tab.page.click("#entry button")
    tab.live()
    assert tab.page.is_hidden("#entry")
    tab.close()


def test_without_a_token_nothing_of_the_rig_is_shown(browser: Any, guarded: Guarded) -> None:
    tab = Tab(browser, guarded)
    tab.until_text("#lost", "This page needs a token")
    assert "Copper" not in tab.page.inner_text("body")
    tab.close()


def test_a_page_that_may_only_look(browser: Any, guarded: Guarded) -> None:
    show_begins(guarded)
    tab = Tab(browser, guarded, f"/stage#{READS}").live()
    tab.until_text("#pulse", "read-only")
    tab.until_text("#song", "Copper Ferry")
    for field in ("#forward", "#panic", "#run"):
        assert tab.page.get_attribute(field, "aria-disabled") == "true"
    tab.page.click("#forward", force=True)
    tab.until_text("#word", "this page is read-only")
    refused = tab.page.evaluate("async () => (await fetch('/v1/next', {method: 'POST'})).status")
    assert refused == 403, "and the service refuses what the page does not offer"
    assert guarded.status()["song"]["song"] == "copper-ferry"
    tab.page.goto(f"http://127.0.0.1:{guarded.http}/stage/technician")
    tab.live()
    tab.page.wait_for_selector("#undo[aria-disabled=true]")
    tab.close()


def test_a_token_that_is_over_ends_what_it_opened(browser: Any, guarded: Guarded) -> None:
    show_begins(guarded)
    tab = Tab(browser, guarded, f"/stage#{quote(TOKEN)}").live()
    file = guarded.folder.parent / "all"
    try:
        file.write_text("another-horse-battery")
        tab.until_text("#lost", "This page needs a token")
        assert tab.page.get_attribute("#forward", "aria-disabled") == "true"
    finally:
        file.write_text(TOKEN)
    # asked by its cookie: an address that sends wrong tokens again and again is not listened to for a while
    cookie = "; ".join(f"{one['name']}={one['value']}" for one in tab.context.cookies())
    request = urllib.request.Request(f"http://127.0.0.1:{guarded.http}/v1/access", headers={"Cookie": cookie})
    until(
        lambda: json.load(urllib.request.urlopen(request))["may"] == "change",
        what="the old token is good again",
    )
    tab.close()


@contextmanager
def a_page_elsewhere(text: str) -> Iterator[str]:
    """Serve a page of another origin; return its address."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(text.encode())

        def log_message(self, *_: Any) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


TRIES = """async (base) => {
    const seen = [];
    for (const mode of ['cors', 'no-cors']) {
        try {
            const answer = await fetch(`${base}/v1/next`, {method: 'POST', mode, credentials: 'include'});
            seen.push(`${mode} ${answer.type} ${answer.status}`);
        } catch { seen.push(`${mode} failed`); }
    }
    try { seen.push(await (await fetch(`${base}/v1/status`, {credentials: 'include'})).text()); }
    catch { seen.push('unread'); }
    const form = document.body.appendChild(document.createElement('iframe'));
    form.src = `${base}/stage`;
    await new Promise((done) => { form.onload = done; setTimeout(done, 3000); });
    try { seen.push(form.contentDocument ? 'framed' : 'closed'); } catch { seen.push('closed'); }
    return seen;
}"""


def test_a_page_of_another_origin_changes_and_reads_nothing(browser: Any, guarded: Guarded) -> None:
    """Another port is another origin, but the same site: the cookie comes along, Origin tells."""
    show_begins(guarded)
    tab = Tab(browser, guarded, f"/stage#{quote(TOKEN)}").live()
    with a_page_elsewhere("<title>elsewhere</title>") as address:
        other = tab.context.new_page()
        other.goto(address)
        seen = other.evaluate(TRIES, f"http://127.0.0.1:{guarded.http}")
    assert seen == ["cors failed", "no-cors opaque 0", "unread", "closed"]
    assert guarded.status()["song"]["song"] == "copper-ferry"
    tab.until_text("#song", "Copper Ferry")
    tab.close()


def test_nor_where_no_token_is_wanted(browser: Any, tmp_path: Path) -> None:
    with a_stage(tmp_path) as service, a_page_elsewhere("<title>elsewhere</title>") as address:
        context = browser.new_context()
        other = context.new_page()
        other.goto(address)
        seen = other.evaluate(TRIES, f"http://127.0.0.1:{service.http}")
        assert seen == ["cors failed", "no-cors opaque 0", "unread", "closed"]
        assert service.status()["song"]["song"] == "copper-ferry"
        context.close()
