// What the page knows of the service, and whether it still may be believed.
//
// One EventSource brings events and beats; whatever happens, the status is asked for once more. A round trip every ROUND_MS
// serves twice: it is the pulse by which a lost or hanging server is noticed, and it compares this tablet's clock with the
// engine's. The error of an offset is at most half its trip (RFC 5905, section 8), and grows by as much as the two clocks drift
// apart since (as that standard's dispersion does; DRIFT is what cheap crystals are allowed, common experience). Of the trips of
// the last minute the one with the least error counts.

// All kinds of events there are: a browser hears those only that it asks for by name. A test compares them with the service's.
const KINDS = [
  "armed", "armed-gone", "chattering", "checklist", "click", "clock-source", "count-in", "device-clock", "disarmed",
  "encore-gone", "fault", "flood", "following", "gap", "hello", "learning", "learning-ended", "learnt", "loaded", "loop",
  "loop-ended", "meter", "mute", "panic", "port-closed", "port-opened", "port-state", "problem", "problem-ended",
  "quiet-again", "recording", "records-dropped", "refused", "reload-failed", "resumed", "retrigger", "section",
  "sensing-lost", "server-started", "set-list", "solo", "song", "soundcheck", "soundcheck-ended", "suspended", "tempo",
  "ticks-missed", "transport", "transport-ignored", "tuning-note",
];

export const ROUND_MS = 700;
export const PATIENCE_MS = 1000;
const TRIPS = 80;
const DRIFT = 50e-6;
const REFRESH_MS = 5000;
const RENEW_MS = 3_600_000; // the cookie is renewed by asking
const NS_PER_MS = 1e6;

export class Feed extends EventTarget {
  status = null;
  live = false;
  heardAt = 0; // performance.now() of the last answer
  reached = false; // the service has said what this page may do
  may = "nothing";
  by = "nothing";
  offsetMs = null; // engine's clock minus performance.now(), in ms
  tripMs = null; // the round trip that the offset comes from
  #trips = [];
  #source = null;
  #lastId = null; // where to go on in a stream that the browser has given up
  #asking = null;
  #dirty = false;
  #statusAt = -Infinity;

  async start() {
    await this.#trade();
    await this.#learnAccess();
    this.#open();
    this.#pulse();
    setInterval(() => {
      if (this.live && performance.now() - this.#statusAt > REFRESH_MS) this.refresh();
    }, 1000);
    setInterval(() => this.live && this.#learnAccess(), RENEW_MS);
    document.addEventListener("visibilitychange", () => {
      if (document.hidden) return;
      this.doubt();
      this.#round();
    });
  }

  // A page that has slept knows nothing of now.
  doubt() {
    if (this.live && performance.now() - this.heardAt > ROUND_MS + PATIENCE_MS) this.#setLive(false);
  }

  // The engine's clock at a moment of performance.now(), in ms; NaN before it is known.
  engineMs(atMs) {
    return this.offsetMs === null ? NaN : atMs + this.offsetMs;
  }

  #tell(type, detail) {
    this.dispatchEvent(new CustomEvent(type, { detail }));
  }

  // The token comes behind the # of the address, which no request and no log ever has in it; it is traded for a cookie that no
  // script can read.
  async #trade() {
    let token = location.hash.slice(1);
    try { token = decodeURIComponent(token); } catch { /* typed by hand, with a % of its own */ }
    if (!token) return;
    history.replaceState(null, "", location.pathname);
    const why = await this.enter(token);
    if (why) this.#tell("refused", why);
  }

  async enter(token) {
    try {
      const answer = await fetch("/v1/session", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ token }),
        signal: AbortSignal.timeout(5000),
      });
      if (!answer.ok) return (await answer.json()).detail;
    } catch {
      return "the server does not answer";
    }
    if (!this.reached) return null; // it begins by itself
    this.reached = false; // what the page may do now is asked for until the service says so
    this.#round();
    return null;
  }

  async #learnAccess() {
    try {
      const answer = await fetch("/v1/access", { signal: AbortSignal.timeout(5000) });
      if (!answer.ok) return;
      const access = await answer.json();
      this.may = access.may;
      this.by = access.by;
      this.reached = true;
    } catch {
      return; // the pulse will say so
    }
    this.#tell("access");
  }

  #open() {
    this.#source?.close();
    if (this.may === "nothing") return;
    const after = this.#lastId === null ? "" : `&after=${encodeURIComponent(this.#lastId)}`;
    const source = new EventSource(`/v1/events?beats=true${after}`);
    this.#source = source;
    for (const kind of ["beat", "beats-changed"]) {
      source.addEventListener(kind, (event) => this.#tell(kind, JSON.parse(event.data)));
    }
    for (const kind of KINDS) {
      source.addEventListener(kind, (event) => {
        this.#lastId = event.lastEventId || this.#lastId;
        this.#tell("happened", JSON.parse(event.data));
        this.refresh();
      });
    }
    // the browser comes back by itself, with the id of the last event, unless it was refused
    source.addEventListener("error", () => this.#round());
  }

  async #pulse() {
    for (;;) {
      const begun = performance.now();
      if (!document.hidden) await this.#round();
      await new Promise((done) => setTimeout(done, Math.max(50, begun + ROUND_MS - performance.now())));
    }
  }

  async #round() {
    if (!this.reached) {
      await this.#learnAccess();
      if (this.reached) this.#open();
    }
    if (this.may === "nothing") return;
    const sent = performance.now();
    try {
      const answer = await fetch("/v1/time", { signal: AbortSignal.timeout(PATIENCE_MS), cache: "no-store" });
      const came = performance.now();
      if (answer.status === 401 || answer.status === 403) return this.#shut();
      if (!answer.ok) throw new Error(String(answer.status));
      const { monotonic_ns } = await answer.json();
      this.#trips.push([came - sent, monotonic_ns / NS_PER_MS - (sent + came) / 2, came]);
      if (this.#trips.length > TRIPS) this.#trips.shift();
      const error = ([trip, , at]) => trip / 2 + (came - at) * DRIFT;
      [this.tripMs, this.offsetMs] = this.#trips.reduce((least, trip) => (error(trip) < error(least) ? trip : least));
      this.heardAt = came;
      if (this.#source?.readyState === EventSource.CLOSED) this.#open();
      if (!this.live) {
        // what was on the page is of another time: it is live again with the first status
        const before = this.#statusAt;
        await this.refresh();
        if (this.#statusAt > before) this.#setLive(true);
      }
    } catch {
      this.#setLive(false);
    }
  }

  #shut() {
    this.may = "nothing";
    this.#source?.close();
    this.#setLive(false);
    this.#tell("access");
  }

  #setLive(live) {
    if (!live) this.#trips.length = 0; // another server may come, after the tablet has slept
    if (this.live === live) return;
    this.live = live;
    this.#tell("live");
  }

  // Ask for the status; what changes while an answer is on its way is asked for once more.
  refresh() {
    this.#dirty = true;
    this.#asking ??= this.#ask().finally(() => { this.#asking = null; });
    return this.#asking;
  }

  async #ask() {
    while (this.#dirty) {
      this.#dirty = false;
      try {
        const answer = await fetch("/v1/status", { signal: AbortSignal.timeout(3000), cache: "no-store" });
        if (!answer.ok) return;
        this.status = await answer.json();
      } catch {
        return; // the pulse says so
      }
      this.#statusAt = performance.now();
      this.#tell("status");
    }
  }
}
