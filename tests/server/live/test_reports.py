"""Reports over the API: of the show and of the last minute, in every form, and as OpenMetrics."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from time import monotonic_ns

import jsonschema
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from prometheus_client.parser import text_string_to_metric_families as classic_families
from server_service import Service

from routerd.link.frames import TickRecord
from routerd.link.messages import InputTraffic, OutputTraffic, PortState, PortStates, Traffic
from routerd.server.report import Report
from routerd.server.report.document import PageError, json_schema, make_page
from routerd.server.shows.record import RecordFolder, head
from tests.documents import report as a_report

STEP_NS = 20_833_333


async def with_ticks(service: Service, count: int = 1200) -> None:
    begin_ns = monotonic_ns() - 2 * count * STEP_NS
    records = [
        TickRecord(tick, begin_ns + tick * STEP_NS, begin_ns + tick * STEP_NS + 90_000, output, 0)
        for tick in range(2 * count)
        for output in range(2)
    ]
    for place in range(0, len(records), 500):
        service.engine.tell_ticks(records[place : place + 500])
    now_ns = monotonic_ns()
    for second in (1, 0):
        outputs = (OutputTraffic("lead-synth", 100 - 50 * second, 1000 - 500 * second, 3, 7),)
        at_ns, took = now_ns + (1 - second) * 10**9, ((250_000, 40),)
        service.engine.tell(Traffic(at_ns, outputs, (InputTraffic("keys", 9),), took, 0, 0))
    async with asyncio.timeout(60):
        while True:
            report = (await service.ask("GET", "/v1/report")).json
            if report["routing"]["messages"] == 80:  # told last
                break
    assert report["ports"][0]["ticks"] == 2 * count


async def test_a_show_before_is_read_by_its_name(service: Service, tmp_path: Path) -> None:
    kept = RecordFolder(tmp_path / "state" / "shows" / "20310506-200000")
    kept.append_lines([head({"began": "2031-05-06T20:00:00+00:00", "server": 1})])
    async with asyncio.timeout(30):
        while True:
            shows = (await service.ask("GET", "/v1/shows")).json
            if len(shows["shows"]) == 2:
                break  # its own is written within a second
    assert "20310506-200000" in shows["shows"]
    assert shows["now"] in shows["shows"]
    before = "/v1/report?show=20310506-200000"
    early = await service.ask("GET", before)
    assert (early.status, early.json["type"]) == (404, "/problems/no-show")
    assert "before its first report was written" in early.json["detail"]
    kept.write_report(1, a_report(600.0))
    report = (await service.ask("GET", before)).json
    jsonschema.Draft202012Validator(json_schema(Report)).validate(report)
    assert report["duration_s"] == 600.0
    assert "0:10:00" in (await service.ask("GET", f"{before}&format=text")).text
    for name in ("20310506-20000", "..", "20310506-200000/../20310506-200000", ""):
        answer = await service.ask("GET", f"/v1/report?show={name}")
        assert answer.json["type"] == "/problems/no-show"


async def test_the_report_of_the_last_minute(service: Service) -> None:
    await with_ticks(service, 2400)  # 100 s
    whole = (await service.ask("GET", "/v1/report")).json
    minute = (await service.ask("GET", "/v1/report?span=minute")).json
    for report in (whole, minute):
        jsonschema.Draft202012Validator(json_schema(Report)).validate(report)
    assert whole["overall"]["ticks"] == 9600
    # the server has run for less than a minute: its last minute begins where it began
    assert minute["overall"]["ticks"] <= 9600
    assert minute["wires"][0]["bytes"] == 500
    assert minute["routing"]["messages"] == 80


async def test_unknown_spans_and_forms_are_told(service: Service) -> None:
    for path, words in (("?span=hour", "span is show or minute"), ("?format=pdf", "format is json, text or")):
        answer = await service.ask("GET", f"/v1/report{path}")
        assert (answer.status, answer.json["type"]) == (422, "/problems/wrong-query")
        assert answer.json["detail"].startswith(words)


class _Elements(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))


async def test_the_page_is_whole_and_asks_for_nothing(service: Service) -> None:
    await with_ticks(service)
    for path, headers in (("?format=html", {}), ("", {"Accept": "text/html, */*;q=0.1"})):
        answer = await service.ask("GET", f"/v1/report{path}", **headers)
        assert answer.status == 200
        assert answer.headers["Content-Type"] == "text/html; charset=utf-8"
        assert answer.headers["Content-Security-Policy"].endswith("; sandbox"), "it runs nothing"
    page = answer.text
    elements = _Elements()
    elements.feed(page)
    tags = [tag for tag, _ in elements.seen]
    assert tags.count("svg") == 4  # lateness, distribution, stability, wires
    assert not {"script", "img", "iframe", "object", "embed", "video", "audio"} & set(tags)
    for tag, attributes in elements.seen:
        for name in ("src", "href", "xlink:href", "data", "action"):
            target = attributes.get(name) or "#"
            assert target.startswith(("#", "data:,")), (tag, name, target)
    assert "url(http" not in page
    assert "@import" not in page
    assert "default-src 'none'" in page


async def test_a_page_that_cannot_be_made_is_told(
    service: Service, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("routerd.server.report.document.PAGE_S", 0.01)
    answer = await service.ask("GET", "/v1/report?format=html")
    assert (answer.status, answer.json["type"]) == (500, "/problems/no-page")
    assert "text or JSON" in answer.json["detail"]
    monkeypatch.setattr("routerd.server.report.document.PAGE_S", 60)
    with pytest.raises(PageError, match="ValueError"):
        await make_page({"kind": "foreign"}, "routerd.server.report.page", tmp_path)
    assert (await service.ask("GET", "/v1/report")).status == 200


async def test_metrics_are_openmetrics(service: Service) -> None:
    """Read back by the client library's own parser of the OpenMetrics text format."""
    await with_ticks(service)
    answer = await service.ask("GET", "/metrics")
    assert answer.status == 200
    assert answer.headers["Content-Type"].startswith("application/openmetrics-text; version=1.0.0")
    assert answer.text.endswith("# EOF\n")
    families = {family.name: family for family in text_string_to_metric_families(answer.text)}

    def value(family: str, **labels: str) -> float:
        (found,) = [one.value for one in families[family].samples if one.labels == labels]
        return float(found)

    assert value("routerd_ticks", port="keys") == 2400
    assert value("routerd_output_bytes", port="lead-synth") == 500
    assert value("routerd_output_thinned", port="lead-synth") == 0
    assert value("routerd_wire_utilisation_ratio", port="lead-synth") == pytest.approx(0.16)
    assert value("routerd_routing_seconds", percentile="50") == pytest.approx(250e-6, rel=0.01)
    grades = [one for one in families["routerd_port_grade"].samples if one.labels["port"] == "keys"]
    assert sum(one.value for one in grades) == 1


async def test_metrics_come_in_the_form_that_the_scraper_prefers(service: Service) -> None:
    """Read back by the client library's own parser of the classic text format; the header is a scraper's."""
    preferring = "application/openmetrics-text;version=1.0.0;q=0.5,text/plain;version=0.0.4;q=0.3,*/*;q=0.2"
    answer = await service.ask("GET", "/metrics", Accept=preferring)
    assert answer.headers["Content-Type"].startswith("application/openmetrics-text")
    answer = await service.ask("GET", "/metrics", Accept="text/plain;version=0.0.4")
    assert answer.headers["Content-Type"] == "text/plain; version=0.0.4; charset=utf-8"
    assert "Accept" in answer.headers["Vary"]
    families = {family.name: family for family in classic_families(answer.text)}
    (running,) = [
        one.value for one in families["routerd_transport"].samples if one.labels["state"] == "running"
    ]
    assert running == 0
    assert families["routerd_tempo_bpm"].samples[0].value == pytest.approx(121.5)
    assert {family.type for family in families.values()} == {"counter", "gauge"}
    counters = {one.labels["counter"] for one in families["routerd_engine_events"].samples}
    assert "messages_queued" not in counters, "it goes down again"


async def test_what_holds_now_is_in_the_metrics_at_once(service: Service) -> None:
    async def value(family: str, **labels: str) -> float:
        text = (await service.ask("GET", "/metrics")).text
        families = {one.name: one for one in text_string_to_metric_families(text)}
        (found,) = [one.value for one in families[family].samples if one.labels == labels]
        return float(found)

    for state, is_open in (("open", 1), ("missing", 0), ("open", 1)):
        port = PortState("keys", "input", "Keys*", "Keys 1" if is_open else None, state, since_ns=1)  # type: ignore[arg-type]
        service.engine.tell(PortStates((port,)))
        await service.status_when(lambda status, state=state: status["ports"][0]["state"] == state)  # type: ignore[misc]
        assert await value("routerd_port_open", port="keys", direction="input") == is_open
    await service.ask("POST", "/v1/start")
    await service.status_when(lambda status: status["transport"] == "running")
    assert await value("routerd_transport", state="running") == 1
    assert await value("routerd_spare", state="off") == 1
    assert await value("routerd_uptime_seconds", process="server") < 3600


def test_plots_stay_out_of_the_servers_process() -> None:
    """Asked of a process of its own: tests of pages import what draws them."""
    words = "import sys, routerd.server.main; print('routerd.server.report.page' in sys.modules)"
    asked = subprocess.run([sys.executable, "-c", words], stdout=subprocess.PIPE, text=True, check=True)
    assert asked.stdout == "False\n"
