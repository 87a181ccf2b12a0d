// What a finger, a key or a screen reader asks for: pressed or held, sent once, and answered in words.

import { el } from "./words.js";

export const HOLD_MS = 700;
const TRY_MS = 1500;
const TRIES = 2;

// Has things done over the API, and says what came of it in `line`, a live region.
export class Hand {
  #feed;
  #line;

  constructor(feed, line) {
    this.#feed = feed;
    this.#line = line;
  }

  say(text, wrong = false) {
    this.#line.classList.toggle("wrong", wrong);
    this.#line.textContent = text;
  }

  // Send a request that changes something; return the answer, or null when it was not done, which has been said by then. A try
  // that got no answer is made again under the same key, so that a song is never skipped.
  // `whole`: the answer's body is wanted; else none is asked for (RFC 7240), as the status follows anyway.
  // `always`: it may be done twice, and is tried even where the server does not answer.
  async ask(what, path, body = null, { method = "POST", headers = {}, on = {}, always = false, whole = false } = {}) {
    if (!this.#feed.live && !always) return this.#fail(`${what}: not sent, the server does not answer`);
    if (this.#feed.may !== "change") return this.#fail(`${what}: not sent, this page is read-only`);
    const key = crypto.randomUUID?.() ?? Array.from(crypto.getRandomValues(new Uint32Array(4)), (n) => n.toString(16)).join("-");
    for (let tries = 1; ; tries += 1) {
      let answer;
      try {
        answer = await fetch(path, {
          method,
          headers: { "Content-Type": "application/json", "Idempotency-Key": key, ...(whole ? {} : { Prefer: "return=minimal" }), ...headers },
          body: body === null ? undefined : JSON.stringify(body),
          signal: AbortSignal.timeout(TRY_MS * tries),
        });
      } catch {
        if (tries < (always ? 2 : TRIES)) continue;
        this.#feed.refresh();
        return this.#fail(`${what}: no answer; check whether it was done`);
      }
      if (answer.ok) {
        this.say(`${what}: done`);
        this.#feed.refresh();
        return answer;
      }
      const problem = await answer.json().catch(() => ({}));
      if (String(problem.type).endsWith("/under-way") && tries < 5) {
        await new Promise((done) => setTimeout(done, 300)); // the first try is still being carried out
        continue;
      }
      if (answer.status in on) return on[answer.status](problem);
      return this.#fail(`${what}: ${problem.detail ?? problem.title ?? `refused (${answer.status})`}`);
    }
  }

  #fail(text) {
    this.say(text, true);
    return null;
  }
}

// Have `act` done when a field is pressed. Where `held()` says so it has to be held: the field fills, and letting go before it
// is full does nothing. Enter and Space hold as a finger does. A screen reader's press has no length: there a second press does it.
export function press(button, hand, act, held = () => false) {
  let begun = null; // when it was taken hold of
  let frame = 0;
  let byHold = false; // the click that follows has been seen to
  let asked = false; // pressed once without a length
  const how = el("span", "held");
  how.ariaHidden = "true";
  button.append(how);

  const let_go = () => {
    cancelAnimationFrame(frame);
    begun = null;
    button.classList.remove("holding");
    how.style.removeProperty("transform");
  };
  const grow = (now) => {
    const share = Math.min(1, Math.max(0, (now - begun) / HOLD_MS));
    how.style.transform = `scaleX(${share})`;
    if (share < 1) {
      frame = requestAnimationFrame(grow);
    } else {
      let_go();
      asked = false;
      act();
    }
  };
  const take = () => {
    if (begun !== null || shut(button)) return;
    byHold = true;
    begun = performance.now();
    button.classList.add("holding");
    frame = requestAnimationFrame(grow);
  };
  const loose = () => {
    if (begun === null) return;
    let_go();
    hand.say(`${button.dataset.name ?? button.innerText}: hold until it is full`);
  };

  button.addEventListener("pointerdown", (event) => {
    byHold = false;
    if (event.button !== 0 || !held()) return;
    button.setPointerCapture(event.pointerId);
    take();
  });
  for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) button.addEventListener(end, loose);
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" && event.key !== " ") return;
    if (event.repeat) return event.preventDefault(); // a key that stays down is one press, also when the field means something else by now
    byHold = false;
    if (!held()) return;
    event.preventDefault();
    take();
  });
  button.addEventListener("keyup", (event) => {
    if ((event.key === "Enter" || event.key === " ") && byHold) {
      event.preventDefault();
      byHold = false;
      loose();
    }
  });
  button.addEventListener("blur", () => {
    asked = false;
    loose();
  });
  button.addEventListener("click", (event) => {
    if (byHold && event.detail > 0) return; // the end of a hold
    if (shut(button)) {
      hand.say(button.title || "not now", true);
      return;
    }
    if (!held() || asked) {
      asked = false;
      act();
    } else {
      asked = true;
      hand.say(`${button.dataset.name ?? button.innerText}: press again to do it`);
    }
  });
}

// A field that cannot be used now stays where it is, can be reached, and says why.
export function close(button, why) {
  if (why) button.setAttribute("aria-disabled", "true");
  else button.removeAttribute("aria-disabled");
  button.title = why || "";
}

function shut(button) {
  return button.getAttribute("aria-disabled") === "true";
}
