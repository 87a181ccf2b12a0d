// The beat, shown by where something is and not by flashing: a bead travels along a rail with a notch for each beat of the bar and
// touches the rail on the beat.
//
// Beats are told ahead of time, with their moment on the engine's clock. Each frame works out where the bead is at that moment; a
// beat counts as begun in the first frame that starts after it. Between beats the tempo says how far the bead has come.

import { byId, el, put } from "./words.js";

export const MODES = ["moves", "steps", "hidden"];
const FORGET_MS = 4000;

export class Rail {
  #feed;
  #beats = []; // what has been told, by tick; the last that is due comes first
  #meter = "";
  #shown = null;
  #mode = "moves";
  #rail = byId("rail");
  #bead = el("span", "bead");
  #width = 0;

  constructor(feed) {
    this.#feed = feed;
    feed.addEventListener("beat", ({ detail }) => this.#take(detail));
    feed.addEventListener("beats-changed", ({ detail }) => {
      this.#beats = this.#beats.filter((beat) => beat.at_ns <= detail.at_ns);
    });
    feed.addEventListener("live", () => {
      if (!feed.live) this.#forget();
    });
    new ResizeObserver(() => { this.#width = this.#rail.clientWidth; }).observe(this.#rail);
    const draw = () => {
      this.#draw();
      requestAnimationFrame(draw);
    };
    requestAnimationFrame(draw);
  }

  set mode(mode) {
    this.#mode = mode;
    document.body.dataset.bead = mode;
    this.#shown = null;
  }

  #take(beat) {
    this.#beats = this.#beats.filter((other) => other.tick !== beat.tick);
    this.#beats.push(beat);
    this.#beats.sort((one, other) => one.at_ns - other.at_ns);
    if (this.#beats.length > 12) this.#beats.shift();
  }

  #forget() {
    this.#beats = [];
    this.#shown = null;
    this.#bead.hidden = true;
    put(byId("bar"), "–");
    put(byId("beat"), "–");
  }

  #draw() {
    this.#feed.doubt();
    const nowMs = this.#feed.engineMs(performance.now());
    while (this.#beats.length > 1 && this.#beats[1].at_ns / 1e6 <= nowMs) this.#beats.shift();
    const beat = this.#beats[0];
    if (!beat || !this.#feed.live) return;
    const sinceMs = nowMs - beat.at_ns / 1e6;
    if (!(sinceMs >= 0)) return;
    if (sinceMs > FORGET_MS) return this.#forget();
    if (beat.meter !== this.#meter) this.#notch(beat.meter);
    if (beat !== this.#shown) this.#enter(beat, sinceMs);
    if (this.#mode !== "moves") return;
    const [, unit] = beat.meter.split("/").map(Number);
    const nextMs = this.#beats[1] ? (this.#beats[1].at_ns - beat.at_ns) / 1e6 : (60_000 / beat.bpm) * (4 / unit);
    this.#place(beat.beat - 1, Math.min(1, sinceMs / nextMs));
  }

  #enter(beat, sinceMs) {
    this.#shown = beat;
    this.#bead.hidden = false;
    if (this.#mode === "hidden") return;
    // where it was stopped is in the status: the clock, and so the bead, goes on without transport
    if (beat.counts_in || beat.bar !== null) {
      put(byId("bar"), beat.counts_in ? "in" : String(beat.bar));
      put(byId("beat"), String(beat.beat));
    }
    if (this.#mode === "steps") this.#place(beat.beat - 1, 0);
    document.dispatchEvent(new CustomEvent("beat-shown", { detail: { ...beat, sinceMs } }));
  }

  #place(beat, share) {
    const count = Number(this.#meter.split("/")[0]) || 1;
    const x = ((beat + share) / count) * this.#width;
    const y = -4 * share * (1 - share); // the height of a throw, 1 at its top
    this.#bead.style.transform = `translate(${x.toFixed(1)}px, calc(var(--throw) * ${y.toFixed(3)}))`;
  }

  #notch(meter) {
    this.#meter = meter;
    const count = Number(meter.split("/")[0]) || 1;
    this.#rail.replaceChildren(
      ...Array.from({ length: count + 1 }, (_, at) => {
        const notch = el("span", at === 0 || at === count ? "notch line" : "notch");
        notch.style.left = `${(at / count) * 100}%`;
        return notch;
      }),
      this.#bead,
    );
    this.#width = this.#rail.clientWidth;
  }
}
