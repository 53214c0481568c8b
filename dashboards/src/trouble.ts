// The card of an active alarm on the page of the current values: where, how far, since when, what to do, and one button.

import { order, outcomeText, SETTLE_MS } from "./act";
import type { AlarmNow, Outcome, PlaceNow } from "./api";
import { pointOf } from "./card";
import { h, mark, say } from "./dom";
import type { Frame } from "./frame";
import { gauge } from "./gauge";
import { priorityGlyph } from "./glyph";
import { direction, RECENT_HOURS, sparkline } from "./recent";
import { otherName } from "./names";
import { lasting, since } from "./time";
import { figure, unitOf, withUnit } from "./units";
import { alarmLink, alarmTitle, alsoText, distanceText, expectedText, limitText, livesThere, shortAdvice } from "./words";

// waits reports whether an alarm is to be acknowledged.
const waits = (a: AlarmNow): boolean => (a.state === "B" || a.state === "E") && Boolean(a.occurrence);

export class Trouble {
  readonly element = h("article", { class: "trouble" });
  private readonly link = h("a");
  private readonly title = h("h3", { tabindex: -1 }, this.link);
  private readonly who = h("p", { class: "who-lives" });
  private readonly figure = h("b");
  private readonly unit = h("span", { class: "unit" });
  private readonly distance = h("strong");
  private readonly number = h("p", { class: "value" }, this.figure, " ", this.unit, " ", this.distance);
  private readonly since = h("p");
  private readonly bar = h("div", { class: "bar" });
  private readonly spark = h("div", { class: "spark" });
  private readonly advice = h("p", { class: "do" });
  private readonly acknowledge = h(
    "button",
    { type: "button", class: "first", "data-acts": true, click: () => void this.press() },
    "Acknowledge",
  );
  private readonly result = h("p", { class: "result", role: "status" });
  private readonly noted = h("span", { class: "dim", hidden: true }, "acknowledged");
  private a: AlarmNow | null = null;
  private lesser: AlarmNow[] = [];
  private movedAt = -Infinity;
  private drawn = "";

  // acted is called with the card after its alarm was acknowledged.
  constructor(private readonly acted: (t: Trouble) => void) {
    this.element.append(
      this.title,
      this.who,
      this.number,
      this.since,
      this.bar,
      this.spark,
      this.advice,
      h("div", { class: "answer" }, this.acknowledge, this.noted, this.result),
    );
  }

  focus(): void {
    this.title.focus({ preventScroll: true });
  }
  // waits says whether the alarm is to be acknowledged.
  waits(): boolean {
    return !this.acknowledge.hidden;
  }

  // moved says that the card is now elsewhere in its list.
  moved(): void {
    this.movedAt = performance.now();
  }

  private async press(): Promise<void> {
    if (performance.now() - this.movedAt < SETTLE_MS) {
      this.say("The list has just moved: press again.", false);
      return;
    }
    this.acknowledge.disabled = true;
    this.say("sending…", true);
    let result: Outcome = { done: true, changed: false };
    for (const a of [this.a!, ...this.lesser].filter(waits)) {
      const one = await order({ verb: "acknowledge", alarm: a.alarm, occurrence: a.occurrence ?? "" });
      result = { ...one, changed: one.changed || result.changed };
      if (!one.done) break;
    }
    this.acknowledge.disabled = false;
    this.say(outcomeText(result, "Acknowledged."), result.done);
    if (!result.done) return;
    this.acknowledge.hidden = true;
    this.acted(this);
  }

  private say(text: string, done: boolean): void {
    say(this.result, text);
    mark(this.result, "data-done", String(done));
  }

  // over says that the condition has ended; the card keeps its size and place for a moment.
  over(f: Frame): void {
    if (this.element.classList.contains("leaving")) return;
    this.element.style.minHeight = `${this.element.offsetHeight}px`;
    this.element.classList.add("leaving");
    this.acknowledge.hidden = true;
    this.say(`Over since ${since(f.zone, f.at, f.at)}.`, true);
  }

  // update shows an alarm, and the lesser ones of the same point, which the same button acknowledges.
  update(a: AlarmNow, lesser: AlarmNow[], place: PlaceNow | undefined, f: Frame): void {
    if (this.element.classList.contains("leaving") || (this.a && this.a.occurrence !== a.occurrence)) {
      // it has come again
      this.element.classList.remove("leaving");
      this.element.style.minHeight = "";
      this.say("", true);
    }
    this.a = a;
    this.lesser = lesser;
    const p = pointOf(a, f),
      t = f.temperature;
    mark(this.element, "data-priority", a.priority);
    mark(this.link, "href", alarmLink(a.alarm));
    const title = alarmTitle(a.alarm);
    if (this.link.dataset.text !== title + a.priority) {
      this.link.dataset.text = title + a.priority;
      this.link.replaceChildren(title);
      this.title.replaceChildren(priorityGlyph(a.priority), h("span", { class: "priority" }, a.priority || "no priority"), " ", this.link);
    }
    say(this.who, [otherName(a.place), place ? livesThere(place) : "", alsoText(a)].filter(Boolean).join(" · "));
    this.who.hidden = !this.who.textContent;
    this.number.hidden = this.spark.hidden = !p;
    if (p) {
      mark(this.number, "data-zone", p.zone);
      say(this.figure, p.value === null ? "not known" : figure(p.quantity, t, p.value));
      say(this.unit, p.value === null ? "" : unitOf(p.quantity, t));
      say(this.distance, p.value === null ? "" : distanceText(a, p.value, t));
    }
    const began = a.since ?? a.raised;
    const parts = [began ? `since ${since(f.zone, f.at, Date.parse(began))} (${lasting((f.at - Date.parse(began)) / 1000)})` : ""];
    for (const other of [a, ...lesser]) {
      const foreseen = expectedText(other, f.at, [a, ...lesser]);
      if (foreseen) parts.push(foreseen + (other.setpoint === undefined ? "" : `, at ${withUnit(other.quantity, t, other.setpoint)}`));
      else if (other !== a && other.since && !other.expected)
        parts.push(`${limitText(other)} since ${since(f.zone, f.at, Date.parse(other.since))}`);
    }
    say(this.since, parts.filter(Boolean).join(" · "));
    const key = JSON.stringify([p?.value, p?.zone, p?.band, t]);
    if (key !== this.drawn) {
      this.drawn = key;
      this.bar.replaceChildren(...(p?.band && p.value !== null ? [gauge(p, t)] : []));
    }
    say(this.advice, shortAdvice(a.action));
    this.noted.hidden = [a, ...lesser].some(waits) || Boolean(this.result.textContent);
    const may = f.now!.commands && [a, ...lesser].some(waits);
    if (this.acknowledge.hidden === may) this.acknowledge.hidden = !may;
  }

  drawSpark(f: Frame): void {
    const p = this.a && pointOf(this.a, f),
      line = p ? sparkline(p, f) : null;
    this.spark.replaceChildren(...(line ? [line, h("span", {}, direction(p!, f) || `last ${RECENT_HOURS} h`)] : []));
  }
}
