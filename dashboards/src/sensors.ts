// The page of the sensors and the notifiers.

import { get, type NotifierNow, type PointNow, type SensorNow } from "./api";
import { compare } from "./compare";
import { arrange, byId, h, mark, say } from "./dom";
import { frame, onChange, start, type Frame } from "./frame";
import { zoneGlyph } from "./glyph";
import { placeName } from "./names";
import { clockSeconds, dayYear, full, lasting, since } from "./time";
import { difference, differenceUnit, withUnit } from "./units";
import { quantityWords, split } from "./words";

// Calibration is what is in force for a channel of a sensor.
interface Calibration {
  sensor: string;
  point: string;
  origin: string;
  since: string | null;
  method: string;
  correction?: number;
  due: string | null;
  overdue: boolean;
  drift?: { since: string | null; of: number; uncertainty?: number; significant: boolean };
  replaced: string | null;
  lapsed: boolean;
  checked: string | null;
}

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

// calibrationWords says which calibration of a channel is in force, and where it comes from.
function calibrationWords(c: Calibration | undefined, f: Frame): string {
  if (!c) return "not known";
  if (!c.origin) return c.lapsed ? "none: that of the configuration was of the part before" : "none";
  const date = c.since ? `${dayYear(f.zone, Date.parse(c.since))}, ` : "";
  return `${date}${c.method}${c.origin === "configuration" ? " (configuration)" : ""}`;
}

// signed writes a difference with its sign and unit.
function signed(quantity: string, f: Frame, v: number): string {
  const text = difference(quantity, f.temperature, Math.abs(v), 2);
  const sign = /^[0.]+$/.test(text) ? "" : v < 0 ? "−" : "+";
  return `${sign}${text} ${differenceUnit(quantity, f.temperature)}`;
}

function driftWords(c: Calibration, quantity: string, f: Frame): string {
  if (!c.drift) return "no earlier calibration to compare with";
  const since = c.drift.since ? `on ${dayYear(f.zone, Date.parse(c.drift.since))}` : "before";
  const told = c.drift.significant || c.drift.uncertainty === undefined ? "" : ", less than can be told apart";
  return `${signed(quantity, f, c.drift.of)} against the reading ${since}${told}`;
}

const columns = ["sensor", "now", "health", "calibrated", "correction", "last checked", "due", "more"] as const;

// Row is a channel of a sensor: one line, and what is rarely asked for behind it.
class Row {
  readonly element = h("tr", { class: "sensor", role: "row" });
  private readonly cells = new Map<string, HTMLElement>();
  private readonly more = h("dl");
  private readonly part = term(this.more, "part");
  private readonly last = term(this.more, "last good read");
  private readonly count = term(this.more, "reads");
  private readonly error = term(this.more, "last error");
  private readonly flag = term(this.more, "flag");
  private readonly accuracy = term(this.more, "uncertainty");
  private readonly drift = term(this.more, "drift");
  private readonly replaced = term(this.more, "replaced");
  private readonly link = h("a");

  constructor(id: string, point: string) {
    for (const name of columns) {
      const cell = name === "sensor" ? h("th", { scope: "row", role: "rowheader" }) : h("td", { role: "cell", "data-label": name });
      this.cells.set(name, cell);
      this.element.append(cell);
    }
    if (point) this.link.setAttribute("href", `/trend?p=${point}&span=1d`);
    this.cell("sensor").append(h("strong", {}, id), " ", this.link);
    this.cell("more").append(
      h("details", {}, h("summary", {}, "details", h("span", { class: "unseen" }, ` of ${id} ${point}`)), this.more),
    );
  }

  private cell(name: (typeof columns)[number]): HTMLElement {
    return this.cells.get(name)!;
  }

  update(s: SensorNow, point: string, p: PointNow | undefined, c: Calibration | undefined, f: Frame): void {
    const { place, quantity } = split(point);
    const [state, words] = health(s, f);
    mark(this.element, "data-health", state);
    say(this.link, point ? `${placeName(place)}, ${quantityWords(quantity)}` : "");
    say(this.cell("now"), p ? withUnit(quantity, f.temperature, p.value) : "–");
    const shown = this.cell("health");
    if (shown.dataset.text !== state + words) {
      shown.dataset.text = state + words;
      shown.replaceChildren(
        zoneGlyph(state === "good" ? "in-band" : state === "failing" ? "critical-high" : "unknown"),
        h("span", {}, words),
      );
    }
    say(this.cell("calibrated"), point ? calibrationWords(c, f) : "–");
    say(this.cell("correction"), c?.correction === undefined ? "–" : signed(quantity, f, c.correction));
    say(this.cell("last checked"), c?.checked ? dayYear(f.zone, Date.parse(c.checked)) : "–");
    say(this.cell("due"), c?.due ? `${c.overdue ? "since " : ""}${dayYear(f.zone, Date.parse(c.due))}` : "–");
    for (const name of ["calibrated", "correction", "last checked", "due"] as const)
      mark(this.cell(name), "data-empty", String(this.cell(name).textContent === "–"));
    mark(this.cell("due"), "data-overdue", String(Boolean(c?.overdue)));

    say(this.part, [s.part || s.driver, s.where].filter(Boolean).join(", at "));
    const last = s.last_success ? Date.parse(s.last_success) : NaN;
    say(this.last, Number.isNaN(last) ? "never" : `${since(f.zone, f.at, last)} (${lasting((f.at - last) / 1000)} ago)`);
    say(this.count, reads(s));
    say(this.error, s.last_error ? `${s.last_kind ? s.last_kind + ": " : "earlier: "}${s.last_error}` : "none since the start");
    say(
      this.flag,
      !p?.last_reading
        ? "no reading yet"
        : p.value === null
          ? `last reading ${since(f.zone, f.at, Date.parse(p.last_reading))}`
          : (flagWords[p.flag] ?? `flag ${p.flag}`),
    );
    say(
      this.accuracy,
      p && p.accuracy > 0
        ? `±${difference(quantity, f.temperature, p.accuracy)} ${differenceUnit(quantity, f.temperature)} (k = 2)`
        : "not stated",
    );
    say(this.drift, c?.origin ? driftWords(c, quantity, f) : "–");
    say(this.replaced, c?.replaced ? full(f.zone, Date.parse(c.replaced)) : "not on record");
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
const sensorRows = h("tbody", { role: "rowgroup" });
const sensorTable = h(
  "table",
  { class: "measure", role: "table", "aria-label": "Sensors" },
  h(
    "thead",
    { role: "rowgroup" },
    h("tr", { role: "row" }, ...columns.map((name) => h("th", { scope: "col", role: "columnheader" }, name))),
  ),
  sensorRows,
);
const trouble = h("p", { class: "tally-text", role: "status" });
const notifierHead = h("h2", {}, "Notifiers");
const notifierList = h("div", { class: "cards" });
const own = h("dl", { class: "own" });
const started = term(own, "running since");
const clockState = term(own, "clock");
const configuration = term(own, "configuration");
const late = term(own, "readings that came too late to count");
const rows = new Map<string, Row>(),
  notifiers = new Map<string, Notifier>();

byId("page").replaceChildren(
  h("h2", { class: "unseen" }, "Health of the sensors"),
  tally,
  sensorTable,
  trouble,
  ...compare(),
  notifierHead,
  notifierList,
  h("h2", {}, "dewline itself"),
  own,
);
// The calibrations change by the day: they are asked for at the start and then every five minutes, apart from the stream.
let calibrations: Calibration[] = [];
async function readCalibrations(): Promise<void> {
  try {
    const answer = await get<{ calibrations: Calibration[]; missing?: string }>("/api/calibrations");
    calibrations = answer.calibrations;
    say(trouble, answer.missing ? `When sensors were last checked is not known: ${answer.missing}` : "");
    redraw();
  } catch (problem) {
    say(trouble, `Calibrations are not known: ${problem instanceof Error ? problem.message : String(problem)}`);
  }
}
start();
void readCalibrations();
setInterval(() => document.hidden || void readCalibrations(), 300_000);
onChange(draw);

function redraw(): void {
  if (frame.now) draw(frame);
}

function draw(f: Frame): void {
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
  const wanted: Element[] = [];
  for (const { s } of sorted)
    for (const point of s.feeds.length ? s.feeds : [""]) {
      const name = `${s.id} ${point}`;
      let row = rows.get(name);
      if (!row) rows.set(name, (row = new Row(s.id, point)));
      row.update(
        s,
        point,
        points.get(point),
        calibrations.find((c) => c.sensor === s.id && c.point === point),
        f,
      );
      wanted.push(row.element);
    }
  arrange(sensorRows, wanted);
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
}
