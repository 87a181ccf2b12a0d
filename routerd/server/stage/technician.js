// The technician's view: what is wrong first, then what keeps time, then what one changes before and between songs.

import { close, press } from "./act.js";
import { Monitor } from "./monitor.js";
import { begin, feed, hand } from "./page.js";
import { SetList } from "./setlist.js";
import { byId, change, el, leader, plural, problemText, put, release, span } from "./words.js";
import { Wires } from "./wires.js";

new SetList(feed, hand);
new Wires(feed);
new Monitor(feed, hand);

// A table or list whose rows stay the same elements while what they say changes: nothing jumps, focus stays.
export function rows(parent, items, make, fill) {
  const known = new Map([...parent.children].map((row) => [row.dataset.key, row]));
  items.forEach(([key, item], at) => {
    let row = known.get(key);
    known.delete(key);
    if (!row) {
      row = make(item);
      row.dataset.key = key;
    }
    if (parent.children[at] !== row) parent.insertBefore(row, parent.children[at] ?? null);
    fill(row, item);
  });
  for (const row of known.values()) row.remove();
}

const cells = (count) => () => {
  const row = el("tr");
  row.append(...Array.from({ length: count }, (_, at) => el(at ? "td" : "th")));
  row.firstChild.scope = "row";
  return row;
};

// Problems and ports

const SIGNS = { open: "●", opening: "○", missing: "✕", failed: "✕", disconnected: "✕", stalled: "▲", contested: "▲" };

function health({ problems, ports }) {
  const texts = problems.length ? problems.map(problemText) : ["none"];
  byId("problems").classList.toggle("none", problems.length === 0);
  rows(byId("problems"), texts.map((text) => [text, text]), () => el("li"), (row, text) => put(row, problems.length ? `▲ ${text}` : "✓ none"));
  const sorted = [...ports].sort((one, other) => (one.state === "open") - (other.state === "open"));
  rows(byId("ports"), sorted.map((port) => [`${port.device}/${port.direction}`, port]), cells(4), (row, port) => {
    const [device, way, state, name] = row.children;
    put(device, port.device);
    put(way, port.direction === "input" ? "in" : "out");
    put(state, `${SIGNS[port.state] ?? "▲"} ${port.state}`);
    row.classList.toggle("wrong", port.state !== "open");
    put(name, port.error ?? port.port ?? `nothing fits ${port.pattern}`);
  });
}

// Mutes

let muteWords = "";
const asked = {}; // device or route, by its key

function mutes(status) {
  const subjects = new Set(status.ports.filter((port) => port.direction === "output").map((port) => `device ${port.device}`));
  for (const one of [...status.muted, ...status.soloed]) subjects.add(one);
  const known = [...subjects].join("\n");
  if (known !== muteWords) {
    muteWords = known;
    rows(byId("mutes"), [...subjects].map((one) => [one, one]), (subject) => {
      const [, kind, name] = subject.match(/^(device|route) (.*)$/s);
      asked[subject] = { [kind]: name };
      const row = el("li", "row");
      row.append(el("span", "name", kind === "route" ? subject : name));
      for (const word of ["mute", "solo"]) {
        const button = el("button", word, word === "mute" ? "Mute" : "Solo");
        button.type = "button";
        button.ariaLabel = `${button.textContent} ${subject}`;
        press(button, hand, () => {
          const on = button.getAttribute("aria-pressed") !== "true";
          hand.ask(`${button.ariaLabel} ${on ? "on" : "off"}`, `/v1/${word}`, { ...asked[subject], on });
        });
        row.append(button);
      }
      return row;
    }, () => {});
  }
  for (const row of byId("mutes").children) {
    const is = { mute: status.muted.includes(row.dataset.key), solo: status.soloed.includes(row.dataset.key) };
    for (const word of ["mute", "solo"]) {
      const button = row.querySelector(`.${word}`);
      button.setAttribute("aria-pressed", String(is[word]));
    }
  }
}

for (const word of ["mute", "solo"]) {
  press(byId(`${word}-route`), hand, () => {
    const route = byId("route").value.trim();
    if (route) hand.ask(`${word} route ${route}`, `/v1/${word}`, { route });
    else hand.say("Write the route's name first", true);
  });
}

// Tuning

async function tune() {
  const measured = byId("measured").value.trim();
  const query = measured ? `?measured=${encodeURIComponent(measured)}` : "";
  let note;
  try {
    const answer = await fetch(`/v1/tuning${query}`, { signal: AbortSignal.timeout(3000) });
    note = await answer.json();
    if (!answer.ok) return put(byId("cents"), note.detail);
  } catch {
    return put(byId("cents"), "the server does not answer");
  }
  put(byId("note"), `${note.name} · ${note.frequency_hz} Hz · ${note.volts} V${note.key ? ` · ${note.key}` : ""}`);
  const off = note.off_cents;
  byId("needle").hidden = off === null;
  if (off === null) return put(byId("cents"), "– cents");
  put(byId("cents"), off === 0 ? "in tune" : `${Math.abs(off)} cents ${off > 0 ? "sharp ▲" : "flat ▼"}`);
  byId("needle").style.left = `${50 + Math.max(-50, Math.min(50, off))}%`;
}

let tuneFor = null;
byId("measured").addEventListener("input", tune);
press(byId("sound"), hand, () => {
  hand.ask("Sound it", "/v1/tuning/note", { device: byId("tune-device").value, channel: Number(byId("tune-channel").value) });
}, () => true);
press(byId("unsound"), hand, () => {
  hand.ask("End it", "/v1/tuning/note", { device: byId("tune-device").value, channel: Number(byId("tune-channel").value), on: false });
});

// Learning

for (const what of ["control", "pedal", "nothing"]) {
  press(byId(`learn-${what}`), hand, () => hand.ask(what === "nothing" ? "Stop learning" : `Learn a ${what}`, "/v1/learn", { what }));
}

function learning({ learning: round }) {
  const entry = byId("learn-entry");
  entry.hidden = !round?.entry;
  put(entry, round?.entry ?? "");
  if (!round) return put(byId("learn-state"), "");
  const heard = round.message ? `heard ${round.message} from ${round.device}` : "nothing heard yet";
  const ends = round.low === null ? "" : `, ends ${round.low} and ${round.high}`;
  const ask = round.learns === "pedal" ? "move the pedal to both ends" : "press the control";
  put(byId("learn-state"), round.over ? `Over: ${heard}${ends}.` : `Learning a ${round.learns}: ${ask}; ${heard}${ends}.`);
}

// Soundcheck

let checkRuns = false;

async function json(path) {
  const answer = await fetch(path, { signal: AbortSignal.timeout(5000), cache: "no-store" });
  return answer.ok ? answer.json() : null;
}

async function soundcheck() {
  let state;
  let kept;
  try {
    [state, kept] = await Promise.all([json("/v1/soundcheck/state"), json("/v1/soundchecks")]);
  } catch {
    return;
  }
  if (!state) return;
  checkRuns = state.running;
  rows(byId("cautions"), state.cautions.map((text) => [text, text]), () => el("li"), put);
  if (byId("stages").querySelector("input") === null) {
    for (const stage of state.of) {
      const label = el("label", "tick");
      const box = el("input");
      box.type = "checkbox";
      box.value = stage;
      box.checked = stage !== "unplug";
      label.append(box, el("span", "", stage));
      byId("stages").append(label);
    }
  }
  put(byId("check-now"), state.running ? `Under way: ${state.now ?? "it begins"}` : state.last ? `The last one ended: ${state.last}.` : "None has been made yet.");
  rows(byId("check-stages"), state.stages.map((stage, at) => [`${at} ${stage.stage}`, stage]), () => el("li"), (row, stage) => {
    const sign = { done: "✓", stopped: "■", running: "▶" }[stage.state];
    put(row, `${sign} ${stage.stage}, ${stage.state}, ${span(stage.seconds)}: ${stage.words}`);
  });
  const names = [...(kept?.soundchecks ?? [])].reverse();
  rows(byId("check-name"), names.map((name) => [name, name]), (name) => new Option(name, name), () => {});
  byId("check-page").hidden = names.length === 0;
  pageOf();
  doors();
}

const pageOf = () => {
  byId("check-page").href = `/v1/soundcheck?name=${encodeURIComponent(byId("check-name").value)}&format=html`;
};
byId("check-name").addEventListener("change", pageOf);
byId("levels").addEventListener("change", doors);

press(byId("check-begin"), hand, async () => {
  const stages = [...byId("stages").querySelectorAll("input:checked")].map((box) => box.value);
  if (stages.length === 0) return hand.say("Begin: choose a stage first", true);
  await hand.ask("Soundcheck begun", "/v1/soundcheck", { levels_down: byId("levels").checked, stages, seconds: Number(byId("seconds").value) });
  soundcheck();
}, () => true);
press(byId("check-stop"), hand, async () => {
  await hand.ask("Soundcheck stopped", "/v1/soundcheck/stop");
  soundcheck();
});
press(byId("check-read"), hand, () => read(`/v1/soundcheck?name=${encodeURIComponent(byId("check-name").value)}&format=text`, byId("check-text")));

// Reports

async function read(path, into) {
  hand.say("Being made …");
  try {
    const answer = await fetch(path, { signal: AbortSignal.timeout(60_000) });
    const text = await answer.text();
    into.hidden = !answer.ok;
    put(into, answer.ok ? text : "");
    hand.say(answer.ok ? "" : (JSON.parse(text).detail ?? "it cannot be had"), !answer.ok);
    if (answer.ok) into.focus();
  } catch {
    hand.say("the server does not answer", true);
  }
}

press(byId("report-show"), hand, () => read("/v1/report?format=text", byId("report-text")));
press(byId("report-minute"), hand, () => read("/v1/report?format=text&span=minute", byId("report-text")));

async function recording() {
  const now = await json("/v1/recording").catch(() => null);
  if (!now) return;
  put(byId("recording"), `This show's log is ${now.folder}${now.dropped ? `; ${plural(now.dropped, "line")} could not be kept` : ""}.`);
  byId("record").setAttribute("aria-pressed", String(now.on));
  put(byId("record").firstChild, now.on ? "Every message is kept ✓" : "Keep every message");
}
async function shows() {
  const kept = await json("/v1/shows").catch(() => null);
  if (!kept) return;
  const before = kept.shows.filter((name) => name !== kept.now).reverse();
  options(byId("show-name"), before);
  byId("show-page").hidden = before.length === 0;
  showPage();
}
const reportOf = () => `/v1/report?show=${encodeURIComponent(byId("show-name").value)}&format=`;
const showPage = () => { byId("show-page").href = `${reportOf()}html`; };
byId("show-name").addEventListener("change", showPage);
press(byId("show-read"), hand, () => (byId("show-name").value ? read(`${reportOf()}text`, byId("report-text")) : hand.say("No other show is kept yet")));

press(byId("record"), hand, async () => {
  const on = byId("record").getAttribute("aria-pressed") !== "true";
  await hand.ask(on ? "Keep every message" : "Stop keeping messages", "/v1/recording", { on });
  recording();
});

// All of it

function options(select, names) {
  rows(select, names.map((name) => [name, name]), (name) => new Option(name, name), () => {});
}

// What changes something is shut while the server is lost, and on a read-only page.
function doors() {
  const why = !feed.live ? "the server does not answer" : feed.may !== "change" ? "this page is read-only" : "";
  for (const button of document.querySelectorAll("main button:not([type=submit])")) {
    if (!["listen", "clear", "report-show", "report-minute", "show-read", "check-read", "leave"].includes(button.id)) close(button, why);
  }
  if (why) return;
  close(byId("check-begin"), checkRuns ? "one is under way" : byId("levels").checked ? "" : "first confirm that levels are down");
  close(byId("check-stop"), checkRuns ? "" : "none is under way");
}

function show() {
  const { status } = feed;
  const { song, section, armed, transport, tempo, position } = status;
  put(byId("where"), `${song?.title ?? "No song"}${section?.name ? `, ${section.name}` : ""}`);
  const wait = armed ? ` · armed: ${change(armed)}, ${release(armed)}` : "";
  put(byId("state"), `${transport}${transport === "running" ? "" : ` at bar ${position.bar}`} · ${tempo.bpm} BPM ${status.meter}, ${leader(status)}${wait}`);
  health(status);
  mutes(status);
  learning(status);
  const outputs = [...new Set(status.ports.filter((port) => port.direction === "output").map((port) => port.device))];
  options(byId("tune-device"), outputs);
  if (tuneFor !== song?.song) {
    tuneFor = song?.song;
    tune();
  }
  doors();
}

feed.addEventListener("status", show);
feed.addEventListener("access", doors);
feed.addEventListener("live", () => {
  doors();
  if (!feed.live) {
    put(byId("state"), "not known now");
    rows(byId("problems"), [["lost", ""]], () => el("li"), (row) => put(row, "▲ not known: the server does not answer"));
    byId("problems").classList.remove("none");
    for (const row of byId("ports").children) put(row.children[2], `○ was ${row.children[2].textContent.replace(/^\S+ (was )?/, "")}`);
    return;
  }
  soundcheck();
  recording();
  shows();
  tune();
});
feed.addEventListener("happened", ({ detail }) => {
  if (detail.kind.startsWith("soundcheck")) soundcheck();
  if (detail.kind === "recording") recording();
});
setInterval(() => {
  if (feed.live && checkRuns) soundcheck();
}, 1000);
begin();
