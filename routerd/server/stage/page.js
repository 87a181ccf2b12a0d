// What both views have: the feed, the line that says what came of a press, the banner when the server is lost, the token's field,
// dark and bright, and the screen that is kept awake.

import { Hand } from "./act.js";
import { Feed } from "./feed.js";
import { byId, put } from "./words.js";

export const feed = new Feed();
export const hand = new Hand(feed, byId("word"));

export function recall(name) {
  try { return localStorage.getItem(`routerd-${name}`); } catch { return null; }
}

export function remember(name, value) {
  try { localStorage.setItem(`routerd-${name}`, value); } catch { /* storage is forbidden here: it holds until the page is left */ }
}

const isDark = () => {
  const chosen = document.documentElement.dataset.theme;
  return chosen ? chosen === "dark" : !matchMedia("(prefers-color-scheme: light)").matches;
};

function themes() {
  const button = byId("theme");
  const name = () => put(button, isDark() ? "Bright" : "Dark");
  button.addEventListener("click", () => {
    const theme = isDark() ? "bright" : "dark";
    document.documentElement.dataset.theme = theme;
    remember("theme", theme);
    name();
  });
  matchMedia("(prefers-color-scheme: light)").addEventListener("change", name);
  name();
}

// Say that the server is lost, and since when what is shown has been old; both stay until it is heard again.
function watch() {
  const lost = byId("lost");
  const show = () => {
    const { live, may } = feed;
    document.body.dataset.live = live ? "yes" : "no";
    document.body.dataset.may = may;
    byId("entry").hidden = may !== "nothing" || !feed.reached;
    lost.hidden = live;
    if (live) {
      put(lost, "");
      put(byId("pulse"), may === "read" ? "live, read-only" : "live");
    } else if (may === "nothing" && feed.reached) {
      put(lost, "This page needs a token: scan the code that `routerd stage` prints once more, or enter the token here.");
      put(byId("pulse"), "no token");
    } else {
      const at = feed.heardAt ? ` What you see below dates from ${new Date(Date.now() - performance.now() + feed.heardAt).toLocaleTimeString([], { hour12: false })}.` : "";
      put(lost, `The server does not answer.${at} The show goes on without this page: use the foot switch.`);
      put(byId("pulse"), "not live");
    }
  };
  feed.addEventListener("live", show);
  feed.addEventListener("access", show);
  feed.addEventListener("refused", ({ detail }) => hand.say(`Token: ${detail}`, true));
  byId("entry").addEventListener("submit", async (event) => {
    event.preventDefault();
    const why = await feed.enter(byId("token").value.trim());
    byId("token").value = "";
    hand.say(why ? `Token: ${why}` : "Token: taken", Boolean(why));
  });
}

// A browser keeps a screen awake for a page that came over TLS, or from this machine, only (Screen Wake Lock, secure contexts).
function stayAwake() {
  if (!("wakeLock" in navigator) || !isSecureContext) return;
  const ask = () => {
    if (!document.hidden) navigator.wakeLock.request("screen").catch(() => {});
  };
  document.addEventListener("visibilitychange", ask);
  ask();
}

export const awake = isSecureContext;

export function begin() {
  themes();
  watch();
  stayAwake();
  feed.start();
}

