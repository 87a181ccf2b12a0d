// The set list: moved by dragging or by buttons, each change guarded by the list's entity tag (If-Match), so that two people do not
// undo each other. When somebody was faster the list is shown as it is now, and the change that was not made is kept to be made again.

import { press } from "./act.js";
import { byId, el, plural, put, span } from "./words.js";

export class SetList {
  #feed;
  #hand;
  #list = null;
  #tag = null;
  #order = byId("order");
  #waiting = null; // a change that was not made: [words, path, body, options]
  #busy = false;

  constructor(feed, hand) {
    this.#feed = feed;
    this.#hand = hand;
    feed.addEventListener("live", () => feed.live && this.#read());
    feed.addEventListener("happened", ({ detail }) => {
      if (["set-list", "loaded", "hello", "song", "encore-gone"].includes(detail.kind)) this.#read();
    });
    feed.addEventListener("status", () => this.#mark());
    press(byId("insert"), hand, () => {
      const to = byId("insert-to").value ? { to: Number(byId("insert-to").value) } : {};
      const select = byId("insert-song");
      this.#change(`Insert ${select.selectedOptions[0]?.textContent ?? ""}`, "insert", { song: select.value, ...to });
    });
    press(byId("undo"), hand, () => this.#change("Undo", "undo"));
    press(byId("no-encore"), hand, () => this.#change("No encore", "encore", {}));
    press(byId("take-set"), hand, () => {
      const { value } = byId("other-set");
      this.#change(`Set list ${value}`, "", { name: value }, { method: "PUT" });
    });
    press(byId("save"), hand, async () => {
      const answer = await this.#change("Save", "save", {}, { whole: true });
      if (answer) hand.say(`Saved in ${(await answer.json()).file}`);
    }, () => true);
    press(byId("again"), hand, () => {
      const [words, path, body, more] = this.#waiting;
      this.#settle();
      this.#change(words, path, body, more);
    });
    byId("leave").addEventListener("click", () => this.#settle());
  }

  async #read() {
    if (this.#busy) return;
    this.#busy = true;
    try {
      const [answer, songs] = await Promise.all([fetch("/v1/set-list", { cache: "no-store" }), fetch("/v1/songs", { cache: "no-store" })]);
      if (answer.ok) {
        this.#tag = answer.headers.get("ETag");
        this.#list = await answer.json();
        this.#show();
      }
      if (songs.ok) fill(byId("insert-song"), (await songs.json()).songs.map(({ song, title }) => [song, title]));
    } catch {
      // the pulse says so
    } finally {
      this.#busy = false;
    }
  }

  async #change(words, path, body = {}, more = {}) {
    const lost = (problem) => this.#keep(words, path, body, more, problem);
    const answer = await this.#hand.ask(words, `/v1/set-list${path && `/${path}`}`, body, {
      ...more,
      headers: this.#tag ? { "If-Match": this.#tag } : {},
      on: { 409: lost, 412: lost },
    });
    await this.#read();
    return answer;
  }

  // Somebody else has changed the list: say so, show it as it is, and keep what was wanted.
  #keep(words, path, body, more, problem) {
    if (!String(problem.type).endsWith("changed-meanwhile")) {
      this.#hand.say(`${words}: ${problem.detail}`, true);
      return null;
    }
    this.#waiting = [words, path, body, more];
    this.#hand.say(`${words}: not done`, true);
    put(byId("conflict").querySelector("p"), `Somebody else has changed the set list meanwhile; here it is as it is now. Not done: ${words}.`);
    byId("conflict").hidden = false;
    return null;
  }

  #settle() {
    this.#waiting = null;
    byId("conflict").hidden = true;
  }

  #show() {
    const { order, encore, set_lists, name } = this.#list;
    const first = order.length - encore; // the encore's first index
    const focused = this.#order.contains(document.activeElement) ? document.activeElement : null;
    const [act, place] = focused ? [focused.dataset.act, Number(focused.closest("li").dataset.number)] : [];
    this.#order.replaceChildren(...order.map((song, index) => this.#row(song, index, order.length, encore > 0 && index === first)));
    if (act) {
      const there = this.#order.querySelector(`li[data-number="${this.#follow ?? place}"] [data-act="${act}"]`);
      (there ?? this.#order.querySelector("button"))?.focus();
    }
    this.#follow = null;
    fill(byId("other-set"), set_lists.map((one) => [one, one]));
    put(byId("h-set"), `Set list: ${name}, ${plural(order.length, "song")}${encore ? `, ${encore} of them encore` : ""}`);
    byId("insert-to").max = order.length + 1;
    this.#mark();
  }

  #follow = null; // the place that the keyboard's focus goes to with its song

  #row({ number, title }, index, count, beginsEncore) {
    const row = el("li", beginsEncore ? "song encore" : "song");
    row.dataset.number = number;
    const grip = el("span", "grip", "⣿");
    grip.ariaHidden = "true";
    row.append(grip, el("span", "number", String(number)), el("span", "name", title));
    const button = (act, text, label, does, shut = false) => {
      const made = el("button", "", text);
      made.type = "button";
      made.dataset.act = act;
      made.ariaLabel = label;
      if (shut) made.setAttribute("aria-disabled", "true");
      press(made, this.#hand, does);
      row.append(made);
    };
    const move = (to) => {
      this.#follow = to;
      return this.#change(`Move ${title} to ${to}`, "move", { song: number, to });
    };
    button("up", "▲", `Move ${title} up`, () => (number > 1 ? move(number - 1) : this.#hand.say(`${title} is the first`)));
    button("down", "▼", `Move ${title} down`, () => (number < count ? move(number + 1) : this.#hand.say(`${title} is the last`)));
    button("encore", "Encore", `The encore begins with ${title}`, () => this.#change(`Encore from ${title}`, "encore", { song: number }));
    button("drop", "Drop", `Drop ${title}`, () => this.#change(`Drop ${title}`, "drop", { song: number }));
    grip.addEventListener("pointerdown", (event) => this.#drag(event, row, move));
    return row;
  }

  // A finger or the mouse carries a row; a line shows where it would go; letting go puts it there.
  #drag(event, row, move) {
    if (event.button !== 0 || this.#feed.may !== "change") return;
    event.preventDefault();
    const grip = event.currentTarget;
    grip.setPointerCapture(event.pointerId);
    row.classList.add("carried");
    const all = [...this.#order.children];
    const from = Number(row.dataset.number);
    let to = from;
    const over = ({ clientY }) => {
      const before = all.filter((other) => other !== row && clientY > other.getBoundingClientRect().top + other.offsetHeight / 2).length;
      to = before + 1;
      for (const other of all) other.classList.remove("before", "after");
      if (to !== from) all[to - 1].classList.add(to < from ? "before" : "after");
    };
    const end = (done) => () => {
      grip.removeEventListener("pointermove", over);
      for (const other of all) other.classList.remove("before", "after", "carried");
      if (done && to !== from) move(to);
      to = from;
    };
    grip.addEventListener("pointermove", over);
    grip.addEventListener("pointerup", end(true), { once: true });
    grip.addEventListener("pointercancel", end(false), { once: true });
  }

  #mark() {
    const { status } = this.#feed;
    if (!status) return;
    for (const row of this.#order.children) {
      if (Number(row.dataset.number) === status.set_list.position) row.setAttribute("aria-current", "true");
      else row.removeAttribute("aria-current");
    }
    const { set_s, slot_s, planned_over_s, without_duration } = status.durations;
    const off = planned_over_s === null ? "" : `, ${span(planned_over_s)} ${planned_over_s > 0 ? "over" : "under"} the slot of ${span(slot_s)}`;
    const unknown = without_duration.length ? `; without a duration: ${without_duration.join(", ")}` : "";
    put(byId("set-times"), `The set takes ${span(set_s)}${off}${unknown}.`);
  }
}

function fill(select, options) {
  const known = JSON.stringify(options);
  if (select.dataset.known === known) return;
  select.dataset.known = known;
  const chosen = select.value;
  select.replaceChildren(...options.map(([value, text]) => new Option(text, value)));
  if (options.some(([value]) => value === chosen)) select.value = chosen;
}
