// The player's view: where the show stands, for reading at two metres, and the few things that a finger does.

import { close, press } from "./act.js";
import { awake, begin, feed, hand, recall, remember } from "./page.js";
import { MODES, Rail } from "./rail.js";
import { byId, change, el, leader, plural, problemText, put, release, span } from "./words.js";

const NARROWEST = 0.55; // so far a long title is narrowed; its height is what is read at two metres
const rail = new Rail(feed);
const WHEN = { now: "at once", bar: "at the bar", "next-press": "at go" };

// The bead

const calm = matchMedia("(prefers-reduced-motion: reduce)");
function setBead(mode) {
  rail.mode = mode;
  put(byId("bead"), `Bead ${mode === "moves" ? "moves" : mode === "steps" ? "steps" : "hidden"}`);
}
const beadWanted = () => recall("bead") ?? (calm.matches ? "steps" : "moves");
byId("bead").addEventListener("click", () => {
  remember("bead", MODES[(MODES.indexOf(document.body.dataset.bead) + 1) % MODES.length]);
  setBead(recall("bead") ?? MODES[(MODES.indexOf(document.body.dataset.bead) + 1) % MODES.length]);
});
calm.addEventListener("change", () => setBead(beadWanted()));
setBead(beadWanted());

// Fields

const running = () => feed.status?.transport !== "stopped";
const when = () => document.querySelector("input[name=when]:checked").value;
const moment = () => (when() === "now" ? {} : { when: when() });

async function ask(what, path, body = {}) {
  const { when: later } = moment();
  const words = later ? `${what}, ${WHEN[later]}` : what;
  if (await hand.ask(words, path, { ...body, ...moment() })) {
    byId("word").dataset.last = path;
    document.querySelector("input[name=when][value=now]").checked = true; // it holds for one press
    fields();
  }
}

// While the sequencers run, another song cannot be taken back: it would begin anew. What waits can be forgotten.
const leaves = () => running() && when() === "now";
press(byId("forward"), hand, () => ask("Next", "/v1/next"), leaves);
press(byId("previous"), hand, () => ask("Previous", "/v1/previous"), leaves);
press(byId("go"), hand, () => hand.ask("Go", "/v1/go"));
press(byId("cancel"), hand, () => hand.ask("Forget", "/v1/cancel"));
press(byId("run"), hand, () => (running() ? hand.ask("Stop", "/v1/stop") : hand.ask("Start", "/v1/start")), running);
press(byId("panic"), hand, () => hand.ask("Panic", "/v1/panic", null, { always: true }));
for (const radio of document.querySelectorAll("input[name=when]")) radio.addEventListener("change", fields);

function fields() {
  const { status } = feed;
  const why = !feed.live ? "the server does not answer" : feed.may !== "change" ? "this page is read-only" : "";
  const hold = leaves() ? "hold" : "";
  const at = when() === "now" ? "" : WHEN[when()];
  const set = (id, name, small, shut = "") => {
    const button = byId(id);
    put(button.querySelector("b"), name);
    put(button.querySelector("i"), [small, why || shut ? "" : button === byId("forward") || button === byId("previous") ? hold || at : ""].filter(Boolean).join(" · "));
    button.dataset.name = name;
    close(button, why || shut);
  };
  const first = status?.armed?.when === "next-press" ? change(status.armed) : ""; // the next press of next does that
  set("previous", "Previous", "");
  set("forward", "Next", first, status && !status.next_song && !first ? "this is the last song" : "");
  set("go", "Go", status?.armed ? change(status.armed) : "nothing armed", status?.armed ? "" : "nothing armed");
  set("run", running() && status ? "Stop" : "Start", running() && status ? "hold" : "");
  set("panic", "Panic", feed.live ? "ends every sound" : "tried all the same");
  if (feed.may === "change") close(byId("panic"), ""); // what hurts is not left to a page that may be wrong about its server
  close(byId("cancel"), why);
  for (const button of byId("sections").children) close(button, why);
  for (const button of byId("steps").querySelectorAll("button")) close(button, why);
}

// What the status says

let lastSections = "";
let lastSteps = "";

function sections(status) {
  const known = JSON.stringify([status.song?.song, status.song?.sections]);
  if (known !== lastSections) {
    lastSections = known;
    byId("sections").replaceChildren(
      ...(status.song?.sections ?? []).map((section) => {
        const button = el("button");
        button.type = "button";
        button.append(el("b", "", section.name || `section ${section.number}`));
        button.dataset.number = section.number;
        button.dataset.name = section.name;
        press(button, hand, () => ask(`Section ${section.name || section.number}`, "/v1/section", { section: section.number }));
        return button;
      }),
    );
  }
  const row = byId("sections");
  for (const button of row.children) {
    const on = Number(button.dataset.number) === status.section?.number;
    if (on && !button.hasAttribute("aria-current")) { // within its row: the page is never scrolled under a finger
      row.scrollLeft += button.getBoundingClientRect().left - row.getBoundingClientRect().left - row.clientWidth / 3;
      row.scrollTop += button.getBoundingClientRect().top - row.getBoundingClientRect().top - 8;
    }
    if (on) button.setAttribute("aria-current", "true");
    else button.removeAttribute("aria-current");
  }
}

function steps(status) {
  const list = status.song?.checklist ?? [];
  const known = JSON.stringify([status.song?.song, list.map((step) => [step.number, step.text, step.who, step.section])]);
  if (known !== lastSteps) {
    lastSteps = known;
    byId("steps").replaceChildren(
      ...list.map((step) => {
        const item = el("li");
        const button = el("button", "step");
        button.type = "button";
        button.dataset.number = step.number;
        const who = [step.section && `in ${step.section}`, step.who].filter(Boolean).join(", ");
        button.append(el("span", "mark"), el("span", "text", who ? `${who}: ${step.text}` : step.text));
        press(button, hand, () => {
          const done = button.getAttribute("aria-pressed") !== "true";
          hand.ask(done ? "Step done" : "Step open again", "/v1/done", { number: step.number, done });
        });
        item.append(button);
        return item;
      }),
    );
  }
  for (const step of list) {
    byId("steps").querySelector(`[data-number="${step.number}"]`).setAttribute("aria-pressed", String(step.done));
  }
  const open = list.filter((step) => !step.done).length;
  put(byId("hand").querySelector("h2"), list.length ? `By hand: ${open ? `${open} of ${list.length} open` : "all done"}` : "By hand");
  byId("no-steps").hidden = list.length > 0;
}

function time(status) {
  const { slot_s, elapsed_s, over_s, planned_over_s } = status.durations;
  const off = over_s ?? planned_over_s;
  const gone = elapsed_s === null ? "not begun" : slot_s ? `${span(elapsed_s)} of ${span(slot_s)}` : span(elapsed_s);
  const rest = off === null ? "" : off > 0 ? `${span(off)} over` : `${span(off)} under`;
  put(byId("time"), [gone, rest].filter(Boolean).join(" · "));
  byId("time").classList.toggle("over", off > 0);
}

function show() {
  const { status } = feed;
  if (!status) return;
  const { set_list, song, section, next_song, tempo, armed, problems } = status;
  put(byId("where"), `${set_list.name} · ${set_list.position ? `${set_list.position} of ${set_list.songs}` : "between songs"}`);
  put(byId("song"), song?.title ?? "no song");
  put(byId("section"), section?.name || (section ? `section ${section.number}` : "–"));
  put(byId("next-title"), next_song?.title ?? "the end");
  put(byId("tempo"), `${tempo.bpm} BPM`);
  put(byId("meter"), status.meter);
  put(byId("leader"), leader(status));
  put(byId("transport"), { stopped: "■ stopped", starting: "▷ starting", running: "▶ running" }[status.transport]);
  document.body.dataset.transport = status.transport;
  if (status.transport === "stopped") {
    put(byId("bar"), String(status.position.bar));
    put(byId("beat"), String(status.position.beat));
  }
  byId("waits").hidden = !armed;
  put(byId("armed"), armed ? `${change(armed)}, ${release(armed)}` : "");
  put(byId("notes"), song?.notes ?? "");
  const more = problems.length > 1 ? ` (and ${plural(problems.length - 1, "more problem")})` : "";
  put(byId("problems"), problems.length ? `▲ ${problemText(problems[0])}${more}` : "");
  document.title = song ? `${song.title} · stage` : "Stage";
  time(status);
  sections(status);
  steps(status);
  fields();
  fit();
}

// Narrow what is too long for its line, never lower it. A title that is longer still is written out beside.
function fit() {
  byId("whole").hidden = true;
  for (const node of document.querySelectorAll(".far:not(.count)")) {
    node.style.setProperty("--squeeze", "1");
    const share = node.clientWidth / node.scrollWidth;
    if (share < 1) node.style.setProperty("--squeeze", String(Math.max(NARROWEST, Math.floor(share * 100) / 100)));
    if (share < NARROWEST && node.id === "song") {
      put(byId("whole"), node.textContent);
      byId("whole").hidden = false;
    }
  }
}

feed.addEventListener("status", show);
feed.addEventListener("live", () => {
  fields();
  if (feed.live) return;
  put(byId("transport"), "transport unknown");
  put(byId("problems"), "");
});
feed.addEventListener("access", fields);
// bar lines that a change still waits for are counted by the service
feed.addEventListener("beat", ({ detail }) => {
  if (detail.beat === 1 && feed.status?.armed) feed.refresh();
});
new ResizeObserver(fit).observe(document.body);
byId("asleep").hidden = awake;
begin();
