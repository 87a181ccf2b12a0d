// The monitor: every message in and out with what became of it. Its stream is open only while somebody listens, and the page keeps
// the last MOST of them.

import { press } from "./act.js";
import { byId, el, put } from "./words.js";

const MOST = 200;
const KINDS = ["notes", "cc", "program", "pitch-bend", "channel-pressure", "poly-pressure", "sysex", "transport", "clock", "mtc", "song-position", "song-select", "tune-request", "other"];

export class Monitor {
  #feed;
  #hand;
  #source = null;
  #rows = byId("messages");
  #waiting = [];
  #dropped = 0;

  constructor(feed, hand) {
    this.#feed = feed;
    this.#hand = hand;
    byId("m-kind").append(...KINDS.map((kind) => new Option(kind, kind)));
    press(byId("listen"), hand, () => (this.#source ? this.#stop("Not listening.") : this.#start()));
    byId("clear").addEventListener("click", () => this.#rows.replaceChildren());
    for (const id of ["m-device", "m-kind", "m-channel"]) byId(id).addEventListener("change", () => this.#source && this.#start());
    feed.addEventListener("status", ({ detail: status = feed.status }) => this.#devices(status));
    feed.addEventListener("live", () => !feed.live && this.#source && put(byId("m-state"), "The server does not answer: no messages arrive here."));
  }

  #devices(status) {
    const names = [...new Set((status ?? this.#feed.status).ports.map((port) => port.device))];
    const select = byId("m-device");
    if (select.options.length === names.length + 1) return;
    const { value } = select;
    select.replaceChildren(new Option("all", ""), ...names.map((name) => new Option(name, name)));
    select.value = names.includes(value) ? value : "";
  }

  #start() {
    this.#source?.close();
    const asked = new URLSearchParams();
    for (const [key, id] of [["device", "m-device"], ["kind", "m-kind"], ["channel", "m-channel"]]) {
      if (byId(id).value) asked.set(key, byId(id).value);
    }
    const source = new EventSource(`/v1/monitor?${asked}`);
    this.#source = source;
    source.addEventListener("open", () => put(byId("m-state"), "Listening."));
    source.addEventListener("message", ({ data }) => this.#take(JSON.parse(data)));
    source.addEventListener("dropped", ({ data }) => {
      this.#dropped += JSON.parse(data).messages;
      put(byId("m-state"), `Listening; ${this.#dropped} were too many to be shown.`);
    });
    source.addEventListener("error", () => {
      if (source.readyState === EventSource.CLOSED) this.#stop("It cannot be listened to now; try again.");
      else put(byId("m-state"), "No connection; trying again.");
    });
    byId("listen").setAttribute("aria-pressed", "true");
    put(byId("listen").firstChild, "Stop listening");
  }

  #stop(why) {
    this.#source?.close();
    this.#source = null;
    put(byId("m-state"), why);
    byId("listen").setAttribute("aria-pressed", "false");
    put(byId("listen").firstChild, "Listen");
  }

  // Many may come in one frame: they are put in together.
  #take(message) {
    this.#waiting.push(message);
    if (this.#waiting.length > MOST) this.#waiting.shift();
    if (this.#waiting.length === 1) requestAnimationFrame(() => this.#flush());
  }

  #flush() {
    const rows = this.#waiting.splice(0).map((message) => this.#row(message));
    this.#rows.prepend(...rows.reverse());
    while (this.#rows.children.length > MOST) this.#rows.lastChild.remove();
  }

  #row({ at_ns, direction, device, bytes, words, fates = [], controls = [], loop = false }) {
    const row = el("tr");
    const ago = this.#feed.engineMs(performance.now()) - at_ns / 1e6;
    const at = new Date(Date.now() - (Number.isFinite(ago) ? ago : 0));
    const time = `${at.toTimeString().slice(0, 8)}.${String(at.getMilliseconds()).padStart(3, "0")}`;
    const became = el("td");
    const lines = [
      ...controls,
      ...fates.map(({ route, target, why_not, sent }) => `${route} → ${target}: ${why_not ? `not, ${why_not}` : sent.map((one) => one.words).join(", ")}`),
      ...(loop ? ["its input hears a loop: what comes back is held back"] : []),
    ];
    if (direction === "in" && lines.length === 0) lines.push("no route");
    for (const line of lines) became.append(el("p", "", line));
    row.append(el("td", "n", time), el("td", "", direction === "in" ? "→ in" : "← out"), el("td", "", device));
    const message = el("td");
    message.append(el("p", "", words), el("p", "bytes", bytes));
    row.append(message, became);
    return row;
  }
}
