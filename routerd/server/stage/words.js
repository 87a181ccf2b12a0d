// How things are put into words, and into the page: always as text, never as markup.

export const byId = (id) => document.getElementById(id);

export function el(name, className = "", text = "") {
  const made = document.createElement(name);
  if (className) made.className = className;
  if (text) made.textContent = text;
  return made;
}

// Write a text where it differs: a live region speaks of what has changed only, and a selection stays.
export function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

export const plural = (count, one, many = `${one}s`) => `${count} ${count === 1 ? one : many}`;

export function span(seconds) {
  const whole = Math.floor(Math.abs(seconds));
  const hours = Math.floor(whole / 3600);
  const minutes = Math.floor(whole / 60) % 60;
  const two = (number) => String(number).padStart(2, "0");
  return hours ? `${hours}:${two(minutes)}:${two(whole % 60)}` : `${minutes}:${two(whole % 60)}`;
}

const STATES = {
  free: "not heard, the rig's own clock leads",
  acquiring: "heard, not trusted yet",
  locked: "followed",
  holdover: "has just fallen silent, its tempo goes on",
};

export function leader(status) {
  if (status.following) return `${status.following.device}: ${STATES[status.following.state] ?? status.following.state}`;
  if (status.clock_source !== "internal") return `${status.clock_source} leads`;
  return { song: "the song's tempo", hand: "tempo set by hand", source: "tempo of the last source" }[status.tempo.set_by] ?? "";
}

const ACTS = {
  "next-section": "next section",
  "previous-section": "previous section",
  "song-tempo": "the song's tempo",
  "clock-source": "clock source",
};

export function change(armed) {
  const name = ACTS[armed.action] ?? armed.action;
  return armed.argument === null ? name : `${name} ${armed.title ?? armed.argument}`;
}

export function release(armed) {
  const { when, left } = armed;
  if (when === "next-press") return "until go, or the next press of next";
  if (when === "release") return "until all keys and pedals are released";
  if (when === "beat") return "until the next beat";
  if (/^bar \d+$/.test(when)) return `until ${when} of the song`;
  return left > 1 ? `for ${left} more bar lines` : "until the next bar line";
}

export const problemText = (problem) => (typeof problem === "string" ? problem : [problem.text, problem.remedy].filter(Boolean).join("; "));
