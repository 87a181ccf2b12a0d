// Jitter of the last minute and traffic, each port in a row: figures as /metrics has them, every two seconds while the page is seen.

import { byId, el, put } from "./words.js";

const EVERY_MS = 2000;
const LATELY = 30; // points of a curve: a minute of them

// OpenMetrics' text: name{label="value",...} number. What else may stand there is not needed.
export function parse(text) {
  const rows = [];
  for (const line of text.split("\n")) {
    const found = /^([a-z_:]+)(?:\{(.*)\})? ([^ ]+)/.exec(line);
    if (!found) continue;
    const labels = {};
    for (const [, name, value] of (found[2] ?? "").matchAll(/([a-z_]+)="((?:[^"\\]|\\.)*)"/g)) labels[name] = value.replace(/\\(.)/g, "$1");
    rows.push({ name: found[1].replace(/^routerd_/, ""), labels, value: Number(found[3]) });
  }
  return rows;
}

export class Wires {
  #feed;
  #before = null;
  #curves = new Map();

  constructor(feed) {
    this.#feed = feed;
    const again = async () => {
      if (feed.live && !document.hidden) await this.#read().catch(() => {});
      setTimeout(again, EVERY_MS);
    };
    again();
    feed.addEventListener("live", () => {
      if (feed.live) return;
      this.#before = null;
      byId("wires").replaceChildren(); // nothing old is shown as if it were of now
      put(byId("inputs"), "");
    });
  }

  async #read() {
    const answer = await fetch("/metrics", { signal: AbortSignal.timeout(5000), headers: { Accept: "application/openmetrics-text" } });
    if (!answer.ok) return;
    const at = performance.now();
    const rows = parse(await answer.text());
    if (!this.#feed.live) return;
    const ports = new Map();
    const of = (port) => ports.get(port) ?? ports.set(port, { p: {} }).get(port);
    const inputs = [];
    for (const { name, labels, value } of rows) {
      if (name === "tick_lateness_seconds") of(labels.port).p[labels.percentile] = value * 1000;
      if (name === "port_grade" && value === 1) of(labels.port).grade = labels.grade;
      if (name === "output_messages_total") of(labels.port).messages = value;
      if (name === "output_bytes_total") of(labels.port).bytes = value;
      if (name === "wire_utilisation_ratio") of(labels.port).wire = value;
      if (name === "input_messages_total") inputs.push([labels.port, value]);
    }
    const seconds = this.#before ? (at - this.#before.at) / 1000 : 0;
    const rate = (kind, port, total) => {
      const was = this.#before?.[kind].get(port);
      return seconds > 0 && was !== undefined && total !== undefined && total >= was ? (total - was) / seconds : null;
    };
    this.#show(ports, rate);
    const played = inputs.map(([port, total]) => [port, rate("inputs", port, total)]).filter(([, now]) => now !== null);
    put(byId("inputs"), played.length ? `Coming in, in messages a second: ${played.map(([port, now]) => `${port} ${now.toFixed(1)}`).join(", ")}.` : "");
    const totals = (key) => new Map([...ports].map(([port, one]) => [port, one[key]]));
    this.#before = { at, messages: totals("messages"), bytes: totals("bytes"), inputs: new Map(inputs) };
  }

  #show(ports, rate) {
    const known = new Map([...byId("wires").children].map((row) => [row.dataset.key, row]));
    for (const [port, one] of ports) {
      let row = known.get(port);
      known.delete(port);
      if (!row) {
        row = el("tr");
        row.dataset.key = port;
        row.append(el("th"), ...Array.from({ length: 8 }, (_, at) => el("td", at === 0 || at === 4 ? "" : "n")));
        row.firstChild.scope = "row";
        row.children[5].append(curve());
        byId("wires").append(row);
      }
      const ms = (percentile) => (one.p[percentile] === undefined ? "–" : one.p[percentile].toFixed(2));
      const rate_of = (now) => (now === null ? "–" : now.toFixed(now < 10 ? 1 : 0));
      const texts = [port, one.grade ?? "no clock", ms("50"), ms("99"), ms("100"), null,
        rate_of(rate("messages", port, one.messages)), rate_of(rate("bytes", port, one.bytes)), one.wire === undefined ? "–" : `${Math.round(one.wire * 100)} %`];
      texts.forEach((text, at) => text !== null && put(row.children[at], text));
      row.classList.toggle("wrong", ["unsteady", "bad", "failed"].includes(one.grade));
      this.#draw(row.children[5].firstChild, port, one.p["99"]);
    }
    for (const row of known.values()) row.remove();
  }

  // The last minute of p99: 1 ms is half the height, 10 ms all of it.
  #draw(svg, port, p99) {
    const points = this.#curves.get(port) ?? [];
    points.push(p99);
    if (points.length > LATELY) points.shift();
    this.#curves.set(port, points);
    const height = (ms) => (ms === undefined ? 20 : 20 - 18 * Math.min(1, Math.max(0, (Math.log10(Math.max(ms, 0.01)) + 1) / 2)));
    svg.firstChild.setAttribute("points", points.map((ms, at) => `${(at * 90) / (LATELY - 1)},${height(ms).toFixed(1)}`).join(" "));
  }
}

function curve() {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", "0 0 90 22");
  svg.setAttribute("class", "curve");
  svg.setAttribute("aria-hidden", "true");
  svg.append(document.createElementNS("http://www.w3.org/2000/svg", "polyline"));
  return svg;
}
