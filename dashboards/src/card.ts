// The card of an alarm: where, how far, since when, what to do, and the buttons.

import { order, outcomeText, SETTLE_MS } from "./act";
import type { AlarmNow, Command, Outcome, PointNow } from "./api";
import { h, mark, say } from "./dom";
import type { Frame } from "./frame";
import { priorityGlyph } from "./glyph";
import { direction } from "./recent";
import { lasting, since } from "./time";
import { figure, unitOf } from "./units";
import { alarmFigures, alarmTitle, alsoText, distanceText, expectedText, plainReason } from "./words";

const shelves: [number, string][] = [
  [1800, "30 minutes"],
  [3600, "1 hour"],
  [7200, "2 hours"],
  [14400, "4 hours"],
  [28800, "8 hours"],
  [43200, "12 hours"],
];

// pointOf returns the point of an alarm; none for the fault of a sensor.
export const pointOf = (a: AlarmNow, f: Frame): PointNow | undefined =>
  f.now!.places.find((p) => p.id === a.place)?.points.find((p) => p.quantity === a.quantity);

let forms = 0;

export class Card {
  readonly element = h("article", { class: "alarm" });
  private readonly title = h("h3", { tabindex: -1 });
  private readonly present = h("p", { class: "present" });
  private readonly state = h("p", { class: "state" });
  private readonly figures = h("p", { class: "figures" });
  private readonly reason = h("p", { class: "reason" });
  private readonly consequence = h("p");
  private readonly action = h("p");
  private readonly advice = h(
    "div",
    { class: "advice" },
    h("p", { class: "label" }, "What to do"),
    this.action,
    h("p", { class: "label" }, "Risk"),
    this.consequence,
  );
  private readonly buttons = h("div", { class: "buttons" });
  private readonly result = h("p", { class: "result", role: "status" });
  private readonly acknowledge = this.button("Acknowledge", "first", () =>
    this.press({ verb: "acknowledge", alarm: this.a!.alarm, occurrence: this.a!.occurrence ?? "" }, "Acknowledged."),
  );
  private readonly reset = this.button("Reset", "", () => this.press({ verb: "reset", alarm: this.a!.alarm }, "Reset."));
  private readonly unshelve = this.button("End the shelf", "", () =>
    this.press({ verb: "unshelve", alarm: this.a!.alarm }, "The shelf has ended."),
  );
  private readonly shelve = this.button("Shelve…", "", () => this.toggle(this.shelf, this.shelve));
  private readonly note = this.button("Note…", "", () => this.toggle(this.noting, this.note));
  private readonly trend = h("a", { class: "button" }, "Trend");
  private readonly shelf = h("form", { class: "inline", hidden: true });
  private readonly noting = h("form", { class: "inline", hidden: true });
  private readonly length = h("select");
  private a: AlarmNow | null = null;
  private movedAt = -Infinity;

  // acted is called with a card after a command of it was carried out.
  constructor(private readonly acted: (card: Card, verb: string) => void) {
    this.buttons.append(this.acknowledge, this.shelve, this.unshelve, this.reset, this.note, this.trend);
    this.element.append(
      h("div", { class: "facts" }, this.title, this.present, this.state, this.figures, this.reason),
      this.advice,
      this.buttons,
      this.shelf,
      this.noting,
      this.result,
    );
    this.shelfForm();
    this.noteForm();
  }

  private button(text: string, kind: string, click: () => void): HTMLButtonElement {
    return h("button", { type: "button", class: kind, "data-acts": true, click }, text);
  }

  private toggle(form: HTMLFormElement, by: HTMLButtonElement): void {
    form.hidden = !form.hidden;
    by.setAttribute("aria-expanded", String(!form.hidden));
    if (!form.hidden) form.querySelector<HTMLElement>("select, input, textarea")?.focus();
  }

  focus(): void {
    this.title.focus({ preventScroll: true });
  }

  // moved says that the card is now elsewhere in its list.
  moved(): void {
    this.movedAt = performance.now();
  }

  private press(command: Command, done: string): void {
    if (performance.now() - this.movedAt < SETTLE_MS) this.say("The list has just moved: press again.", false);
    else void this.order(command, done);
  }

  // order carries out a command and says inside the card what came of it. Meanwhile the card keeps its size; it does so longer
  // where it will leave its place, so that no other card moves under a finger.
  async order(command: Command, done: string): Promise<Outcome> {
    const leaves = command.verb !== "note";
    if (leaves) this.hold();
    this.say("sending…", true);
    const result = await order(command);
    this.say(outcomeText(result, done), result.done);
    if (!leaves || !result.done) this.letGo();
    if (result.done) this.acted(this, command.verb);
    return result;
  }

  private say(text: string, done: boolean): void {
    say(this.result, text);
    mark(this.result, "data-done", String(done));
  }

  // acknowledgeNow acknowledges the occurrence that is shown.
  acknowledgeNow(): Promise<Outcome> {
    return this.order({ verb: "acknowledge", alarm: this.a!.alarm, occurrence: this.a!.occurrence ?? "" }, "Acknowledged.");
  }

  // hold keeps the card as large as it is, with what is said in place of its buttons.
  hold(): void {
    if (this.element.classList.contains("leaving")) return;
    this.element.style.minHeight = `${this.element.offsetHeight}px`;
    this.element.classList.add("leaving");
  }

  // release lets the card go to another place, or stay in this one as if nothing had been said.
  release(): void {
    this.letGo();
    this.say("", true);
  }

  private letGo(): void {
    this.element.style.minHeight = "";
    this.element.classList.remove("leaving");
  }

  // over says that the alarm is back to normal.
  over(): void {
    say(this.state, "over and acknowledged");
  }

  private shelfForm(): void {
    const n = ++forms;
    this.length.id = `length-${n}`;
    const reason = h("input", { type: "text", id: `reason-${n}`, maxlength: 200, required: true });
    this.shelve.setAttribute("aria-expanded", "false");
    this.shelf.append(
      h("p", {}, "A shelved alarm stays silent until its end, and is listed all the while."),
      h("label", { for: this.length.id }, "for"),
      this.length,
      h("label", { for: reason.id }, "because"),
      reason,
      h("button", { type: "submit", class: "first", "data-acts": true }, "Shelve"),
    );
    this.shelf.addEventListener("submit", (event) => {
      event.preventDefault();
      void this.order(
        { verb: "shelve", alarm: this.a!.alarm, for_seconds: Number(this.length.value), reason: reason.value.trim() },
        "Shelved.",
      ).then(({ done }) => {
        if (!done) return;
        reason.value = "";
        this.toggle(this.shelf, this.shelve);
      });
    });
  }

  private noteForm(): void {
    const n = ++forms;
    const text = h("textarea", { id: `note-${n}`, rows: 2, maxlength: 500, required: true });
    this.note.setAttribute("aria-expanded", "false");
    this.noting.append(
      h("label", { for: text.id }, "note for the journal"),
      text,
      h("button", { type: "submit", class: "first", "data-acts": true }, "Write the note"),
    );
    this.noting.addEventListener("submit", (event) => {
      event.preventDefault();
      const place = this.a!.limit === "fault" ? {} : { place: this.a!.place };
      void this.order(
        { verb: "note", text: `${alarmTitle(this.a!.alarm)}: ${text.value.trim()}`, ...place },
        "The note is in the journal.",
      ).then(({ done }) => {
        if (!done) return;
        text.value = "";
        this.toggle(this.noting, this.note);
      });
    });
  }

  update(a: AlarmNow, f: Frame): void {
    if (this.a && this.a.occurrence !== a.occurrence) this.say("", true); // what was said was of an earlier occurrence
    this.a = a;
    const t = f.temperature,
      at = (iso: string): string => since(f.zone, f.at, Date.parse(iso));
    mark(this.element, "id", a.alarm);
    mark(this.element, "data-priority", a.priority);
    mark(this.element, "data-state", a.state);
    const title = alarmTitle(a.alarm);
    if (this.title.dataset.text !== title + a.priority) {
      this.title.dataset.text = title + a.priority;
      this.title.replaceChildren(priorityGlyph(a.priority), h("span", { class: "priority" }, a.priority || "no priority"), " ", title);
    }
    this.showPresent(a, f);
    const state = [a.words];
    if (a.since && a.active) state.push(`since ${at(a.since)} (${lasting((f.at - Date.parse(a.since)) / 1000)})`);
    if (a.since && !a.active && a.cleared) state.push(`from ${at(a.since)} to ${at(a.cleared)}`);
    if (a.state === "G" && a.until) state.push(`until ${at(a.until)}${a.active ? ", and still active underneath" : ""}`);
    if (a.state === "H" && a.by) state.push(`covered by ${alarmTitle(a.by)}`);
    if (a.repeats) state.push(a.repeats === 1 ? "called again once" : `called again ${a.repeats} times`);
    say(this.state, state.join(", "));
    say(this.figures, alarmFigures(a, t));
    const also = alsoText(a) && `${alsoText(a)}.`;
    const doubt = a.doubt ? `Its sensor is in doubt: ${plainReason(a.doubt)}.` : "";
    const why = expectedText(a, f.at) || plainReason(a.reason ?? "");
    say(this.reason, [why, doubt, also].filter(Boolean).join(" "));
    this.reason.hidden = !this.reason.textContent;
    this.figures.hidden = !this.figures.textContent;
    say(this.consequence, a.consequence);
    say(this.action, a.action);
    this.advice.hidden = !a.active || a.state === "H"; // what covers it says what to do
    this.offer(a, f);
  }

  // showPresent says the present value, how far it is beyond the limit, and which way it goes.
  private showPresent(a: AlarmNow, f: Frame): void {
    const p = pointOf(a, f);
    this.present.hidden = !p;
    if (!p) return;
    const known = p.value !== null,
      parts = [known ? distanceText(a, p.value!, f.temperature) : "", known ? direction(p, f) : ""].filter(Boolean).join(" · ");
    const value = known ? figure(p.quantity, f.temperature, p.value) : "not known",
      unit = known ? unitOf(p.quantity, f.temperature) : "";
    const key = JSON.stringify([value, unit, parts, p.zone]);
    if (this.present.dataset.key === key) return;
    this.present.dataset.key = key;
    mark(this.present, "data-zone", p.zone);
    this.present.replaceChildren(h("span", { class: "value" }, h("b", {}, value), ` ${unit}`), " ", h("span", {}, parts));
  }

  private offer(a: AlarmNow, f: Frame): void {
    const may = f.now!.commands;
    this.buttons.hidden = !may && a.limit === "fault"; // a viewer may still look
    this.acknowledge.hidden = !may || !["B", "D", "E"].includes(a.state) || !a.occurrence;
    this.reset.hidden = !may || a.state !== "F";
    this.unshelve.hidden = !may || a.state !== "G";
    this.shelve.hidden = !may || a.state === "I";
    this.note.hidden = !may;
    say(this.shelve, a.state === "G" ? "Shelve again…" : "Shelve…");
    const offered = shelves.filter(([seconds]) => seconds <= a.longest_shelf_s);
    if (this.length.options.length !== offered.length) {
      this.length.replaceChildren(...offered.map(([seconds, text]) => h("option", { value: seconds }, text)));
    }
    this.trend.hidden = a.limit === "fault";
    const from = a.since ? Date.parse(a.since) - 6 * 3600e3 : f.at - 86400e3;
    const to = Math.min(f.at, (a.cleared ? Date.parse(a.cleared) : f.at) + 3 * 3600e3);
    const iso = (ms: number): string => new Date(ms).toISOString().slice(0, 16) + "Z";
    mark(this.trend, "href", `/trend?p=${a.place}/${a.quantity}&from=${iso(from)}&to=${iso(Math.max(to, from + 3600e3))}`);
  }
}
