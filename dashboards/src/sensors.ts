// The page of the sensors and the notifiers.

import type { NotifierNow, PointNow, SensorNow } from "./api";
import { arrange, byId, h, mark, say } from "./dom";
import { onChange, start, type Frame } from "./frame";
import { zoneGlyph } from "./glyph";
import { placeName } from "./names";
import { clockSeconds, full, lasting, since } from "./time";
import { difference, unitOf, withUnit } from "./units";
import { quantityWords, split } from "./words";

const flagWords: Record<number, string> = { 1: "pass", 2: "not evaluated", 3: "suspect", 4: "fail", 9: "missing" };

// sorted puts the good reads first, then the rest by number.
function reads(s: SensorNow): string {
  const all = Object.values(s.reads).reduce((a, b) => a + b, 0);
  if (!all) return "none yet";
  const parts = Object.entries(s.reads)
    .filter(([, n]) => n > 0)
    .sort(([a, m], [b, n]) => (a === "ok" ? -1 : b === "ok" ? 1 : n - m));
  return `${all.toLocaleString("en-GB")}: ` + parts.map(([result, n]) => `${n.toLocaleString("en-GB")} ${result}`).join(", ");
}

type Health = "good" | "failing" | "silent";

function health(s: SensorNow, f: Frame): [Health, string] {
  const last = s.last_success ? Date.parse(s.last_success) : NaN;
  if (Number.isNaN(last)) return ["silent", "has not been read yet"];
  if (s.failures_in_a_row > 0)
    return ["failing", s.failures_in_a_row === 1 ? "the last read failed" : `the last ${s.failures_in_a_row} reads failed`];
  const quiet = (f.at - last) / 1000;
  return quiet > 600 ? ["silent", `nothing for ${lasting(quiet)}`] : ["good", "reads well"];
}

function term(list: HTMLElement, name: string): HTMLElement {
  const value = h("dd");
  list.append(h("div", {}, h("dt", {}, name), value));
  return value;
}

class Sensor {
  readonly element = h("article", { class: "sensor" });
  private readonly title = h("h3");
  private readonly state = h("p", { class: "state" });
  private readonly list = h("dl");
  private readonly part = term(this.list, "part");
  private readonly last = term(this.list, "last good read");
  private readonly count = term(this.list, "reads");
  private readonly error = term(this.list, "last error");
  private readonly points = h("tbody");

  constructor(id: string) {
    say(this.title, id);
    this.element.append(
      this.title,
      this.state,
      this.list,
      h(
        "div",
        { class: "scroll", tabindex: 0, role: "region", "aria-label": `What ${id} feeds` },
        h(
          "table",
          {},
          h("thead", {}, h("tr", {}, ...["feeds", "now", "flag", "uncertainty"].map((t) => h("th", { scope: "col" }, t)))),
          this.points,
        ),
      ),
    );
  }

  update(s: SensorNow, points: Map<string, PointNow>, f: Frame): void {
    const [state, words] = health(s, f);
    mark(this.element, "data-health", state);
    if (this.state.dataset.text !== state + words) {
      this.state.dataset.text = state + words;
      this.state.replaceChildren(
        zoneGlyph(state === "good" ? "in-band" : state === "failing" ? "critical-high" : "unknown"),
        h("strong", {}, words),
      );
    }
    say(this.part, [s.part || s.driver, s.where].filter(Boolean).join(", at "));
    const last = s.last_success ? Date.parse(s.last_success) : NaN;
    say(this.last, Number.isNaN(last) ? "never" : `${since(f.zone, f.at, last)} (${lasting((f.at - last) / 1000)} ago)`);
    say(this.count, reads(s));
    say(this.error, s.last_error ? `${s.last_kind ? s.last_kind + ": " : "earlier: "}${s.last_error}` : "none since the start");
    const rows = s.feeds.map((name) => {
      const p = points.get(name),
        { place, quantity } = split(name);
      return [
        name,
        `${placeName(place)}, ${quantityWords(quantity)}`,
        p ? withUnit(quantity, f.temperature, p.value) : "not known",
        !p?.last_reading
          ? "no reading yet"
          : p.value === null
            ? `last ${since(f.zone, f.at, Date.parse(p.last_reading))}`
            : (flagWords[p.flag] ?? `flag ${p.flag}`),
        p && p.accuracy > 0 ? `±${difference(quantity, f.temperature, p.accuracy)} ${unitOf(quantity, f.temperature)}` : "not stated",
      ] as const;
    });
    const key = JSON.stringify(rows);
    if (this.points.dataset.key === key) return;
    this.points.dataset.key = key;
    const focused = this.points.contains(document.activeElement) ? document.activeElement?.getAttribute("href") : null;
    this.points.replaceChildren(
      ...rows.map(([name, text, value, flag, accuracy]) =>
        h(
          "tr",
          {},
          h("th", { scope: "row" }, h("a", { href: `/trend?p=${name}&span=1d` }, text)),
          h("td", { class: "number" }, value),
          h("td", {}, flag),
          h("td", {}, accuracy),
        ),
      ),
    );
    if (focused) [...this.points.querySelectorAll("a")].find((a) => a.getAttribute("href") === focused)?.focus();
  }
}

class Notifier {
  readonly element = h("article", { class: "sensor" });
  private readonly title = h("h3");
  private readonly state = h("p", { class: "state" });
  private readonly list = h("dl");
  private readonly waiting = term(this.list, "waiting");
  private readonly sent = term(this.list, "sent");
  private readonly error = term(this.list, "last error");

  constructor(name: string) {
    say(this.title, name);
    this.element.append(this.title, this.state, this.list);
  }

  update(o: NotifierNow, f: Frame): void {
    const works = o.connected && !o.failing_since;
    mark(this.element, "data-health", works ? "good" : "failing");
    const words = works
      ? "reaches the other end"
      : `does not deliver${o.failing_since ? ` since ${since(f.zone, f.at, Date.parse(o.failing_since))}` : ""}`;
    if (this.state.dataset.text !== words) {
      this.state.dataset.text = words;
      this.state.replaceChildren(zoneGlyph(works ? "in-band" : "critical-high"), h("strong", {}, words));
    }
    say(
      this.waiting,
      o.pending ? `${o.pending}, the oldest since ${o.oldest ? since(f.zone, f.at, Date.parse(o.oldest)) : "not known"}` : "nothing",
    );
    say(
      this.sent,
      o.sent.toLocaleString("en-GB") + (o.dropped ? `, and ${o.dropped.toLocaleString("en-GB")} dropped because too much was waiting` : ""),
    );
    say(this.error, o.failure || o.last_error || "none since the start");
  }
}

const tally = h("p", { class: "tally-text" });
const sensorList = h("div", { class: "cards" });
const notifierHead = h("h2", {}, "Notifiers");
const notifierList = h("div", { class: "cards" });
const own = h("dl", { class: "own" });
const started = term(own, "running since");
const clockState = term(own, "clock");
const configuration = term(own, "configuration");
const late = term(own, "readings that came too late to count");
const sensors = new Map<string, Sensor>(),
  notifiers = new Map<string, Notifier>();

byId("page").replaceChildren(
  h("h2", { class: "unseen" }, "Health of the sensors"),
  tally,
  sensorList,
  notifierHead,
  notifierList,
  h("h2", {}, "dewline itself"),
  own,
);
start();
onChange((f) => {
  const now = f.now!,
    points = new Map(now.places.flatMap((p) => p.points).map((p) => [p.point, p]));
  const order: Record<Health, number> = { failing: 0, silent: 1, good: 2 };
  const sorted = now.sensors.map((s) => ({ s, rank: order[health(s, f)[0]] })).sort((a, b) => a.rank - b.rank);
  const bad = sorted.filter((s) => s.rank < 2).length;
  say(
    tally,
    now.sensors.length
      ? `${now.sensors.length} sensors, ${bad ? `${bad} of them in trouble (listed first)` : "all of them read well"}.`
      : "The site has no sensors.",
  );
  arrange(
    sensorList,
    sorted.map(({ s }) => {
      let shown = sensors.get(s.id);
      if (!shown) sensors.set(s.id, (shown = new Sensor(s.id)));
      shown.update(s, points, f);
      return shown.element;
    }),
  );
  notifierHead.hidden = !now.outlets.length;
  arrange(
    notifierList,
    now.outlets.map((o) => {
      let shown = notifiers.get(o.name);
      if (!shown) notifiers.set(o.name, (shown = new Notifier(o.name)));
      shown.update(o, f);
      return shown.element;
    }),
  );
  say(started, now.started ? `${full(f.zone, Date.parse(now.started))} (run ${now.run})` : "not known");
  say(clockState, now.clock_confirmed ? `confirmed, ${clockSeconds(f.zone, f.at)}` : "not confirmed yet: times may be wrong");
  say(configuration, now.configuration_ok ? "in force" : "the last attempt to load it was refused: the one before is in force");
  say(late, now.late_readings.toLocaleString("en-GB"));
});
