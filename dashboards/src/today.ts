// The page of the day: what is out of band, last night, what is due with a button for each, and what comes. Made for one hand.

import { SETTLE_MS, signed } from "./act";
import { get, type Day, type NightExtreme, type PlaceNow, type Task } from "./api";
import { arrange, byId, h, mark, say, type Child } from "./dom";
import { frame, onChange, start, type Frame } from "./frame";
import { zoneGlyph } from "./glyph";
import { placeName } from "./names";
import { Answer, leftovers, leftoverText, openSheet, plainTask, RECORDED, taskCommand, upperFirst } from "./record";
import { clock, dayYear, since } from "./time";
import { figure, unitOf, withUnit } from "./units";
import { livesThere, quantityWords, split, zoneWords } from "./words";

let day: Day | null = null;

const ms = (iso: string): number => Date.parse(iso);
const at = (iso: string): string => since(frame.zone, frame.at, ms(iso));

// Part is a section with a heading, hidden while it has nothing to say.
class Part {
  readonly list = h("ul");
  readonly element: HTMLElement;
  readonly head: HTMLElement;

  constructor(title: string, id: string, ...more: Child[]) {
    this.head = h("h2", { id, tabindex: -1 }, title);
    this.element = h("section", { "aria-labelledby": id }, this.head, this.list, ...more);
  }

  show(rows: HTMLElement[]): void {
    arrange(this.list, rows);
    this.element.hidden = !rows.length;
  }
}

const verdict = h("h2", { class: "verdict", id: "verdict", tabindex: -1 });
const missing = h("p", { class: "message", role: "status" });
const out = new Part("Out of band now", "out");
const night = new Part("Last night", "night");
const due = new Part("To do", "due");
const later = new Part("Within a day", "later");
const windows = new Part("Stages to come", "windows");
const calibrations = new Part("Calibrations due", "calibrations");
const homes = new Part("The animals", "homes", signed);
const nothingDue = h("p", { class: "none" }, "Nothing is due.");

// action is a button whose name says what it is about as well.
const action = (text: string, about: string, click: () => void, kind = ""): HTMLButtonElement =>
  h(
    "button",
    { type: "button", class: kind, "data-acts": true, "aria-label": about ? `${text}: ${about}` : null, disabled: frame.lost, click },
    text,
  );

const keyOf = (t: Task): string => [t.do, t.place, t.cohort ?? ""].join("|");
const titleOf = (t: Task): string => `${plainTask(t.do)}, ${placeName(t.place)}${t.cohort ? ` (${t.cohort})` : ""}`;

// Row is a task with its buttons. After it is done it keeps its place and its size, with what is on record and the way back.
class Row {
  readonly element = h("li", { class: "task" });
  private readonly what = h("strong");
  private readonly where = h("span");
  private readonly when = h("p", { class: "dim" });
  private readonly how = h("p", { class: "how" });
  private readonly done = action("Done", "", () => this.order(), "first");
  private readonly left = action("Leftovers…", "", () => this.toggle());
  private readonly choice = h("div", { class: "choice", role: "group", hidden: true });
  private readonly more = h("div", {}, this.when, this.how, this.left, this.choice);
  private readonly answer = new Answer((back) => {
    if (back) this.release();
  });
  held = false; // it was done here, and is shown as done
  private doneAt = 0;
  task!: Task;

  constructor() {
    mark(this.left, "aria-expanded", "false");
    this.choice.append(
      h("p", {}, "Fed. What was left over from the last time?"),
      ...leftovers.map((l) => action(upperFirst(l), "", () => this.order(leftoverText(l)))),
    );
    this.element.append(
      h("div", { class: "press" }, this.done, this.answer.undo), // one in the place of the other, so that nothing moves
      h("div", { class: "facts" }, h("p", { class: "what" }, this.what, " ", this.where), this.more, this.answer.element),
    );
  }

  private toggle(): void {
    this.choice.hidden = !this.choice.hidden;
    mark(this.left, "aria-expanded", String(!this.choice.hidden));
  }

  private order(text?: string): void {
    if (performance.now() - movedAt < SETTLE_MS) {
      this.answer.refuse("The list has just moved: press again.");
      return;
    }
    const t = this.task;
    this.element.style.minHeight = `${this.element.offsetHeight}px`;
    this.disable(true);
    this.held = true;
    void this.answer.carryOut([taskCommand(t.do, { place: t.place, ...(t.cohort && { cohort: t.cohort }) }, text)]).then((fine) => {
      this.disable(frame.lost);
      if (!fine) {
        this.release();
        return;
      }
      this.doneAt = frame.at;
      this.done.hidden = this.more.hidden = true;
      mark(this.element, "data-state", "done");
      this.answer.text.focus({ preventScroll: true });
    });
  }

  private disable(disabled: boolean): void {
    for (const b of this.element.querySelectorAll("button")) b.disabled = disabled;
  }

  // release makes it a task to do again; what was said last stays to be read.
  private release(): void {
    this.held = false;
    this.element.style.minHeight = "";
    this.more.hidden = false;
    this.choice.hidden = true;
    mark(this.left, "aria-expanded", "false");
    if (this.task) this.update(this.task, frame);
  }

  // update shows a task; one that was done here is shown as done until it is due for the next time.
  update(t: Task, f: Frame): void {
    if (this.held && (t.state === "later" || !this.doneAt || ms(t.due) <= this.doneAt)) return;
    if (this.held) {
      this.answer.clear();
      this.held = false;
      this.release();
    }
    this.task = t;
    mark(this.element, "data-state", t.state);
    say(this.what, upperFirst(plainTask(t.do)) + (t.turn ? `, this time ${t.turn}` : ""));
    say(this.where, `${placeName(t.place)} (${t.cohorts.join(", ")})`);
    const times = { overdue: `overdue since ${at(t.due)}`, due: `due since ${at(t.due)}`, later: `due at ${at(t.due)}` };
    say(this.when, `${!t.last && t.state === "due" ? "due" : times[t.state]} · ${t.last ? `last ${at(t.last)}` : "never on record"}`);
    say(this.how, t.note ?? "");
    this.how.hidden = !t.note;
    this.done.hidden = !f.now!.commands;
    this.left.hidden = t.do !== "feed" || !f.now!.commands;
    mark(this.done, "aria-label", `Done: ${titleOf(t)}`);
    mark(this.left, "aria-label", `Leftovers…: ${titleOf(t)}`);
    mark(this.choice, "aria-label", `What was left over: ${titleOf(t)}`);
  }
}

// When the list of the tasks was last moved by what is above it.
let movedAt = -Infinity;

const rows = new Map<string, Row>();
let order: string[] = [];

function rowOf(t: Task): Row {
  let row = rows.get(keyOf(t));
  if (!row) rows.set(keyOf(t), (row = new Row()));
  row.update(t, frame);
  return row;
}

// showTasks lists what is due. What was done on this page keeps its place, so that nothing moves under a finger.
function showTasks(d: Day): void {
  const shown = d.tasks.map((t) => ({ key: keyOf(t), row: rowOf(t), state: t.state, soon: ms(t.due) - ms(d.at) <= 86400e3 }));
  const now = shown.filter((s) => s.state !== "later").map((s) => s.key);
  const holds = (key: string): boolean => rows.get(key)?.held ?? false,
    inDue = (key: string): boolean => now.includes(key) || (order.includes(key) && holds(key));
  order = order.some(holds) ? [...order.filter(inDue), ...now.filter((key) => !order.includes(key))] : now;
  due.show(order.map((key) => rows.get(key)!.element));
  due.element.hidden = false;
  nothingDue.hidden = order.length > 0;
  later.show(shown.filter((s) => s.state === "later" && s.soon && !order.includes(s.key)).map((s) => s.row.element));
  for (const key of rows.keys()) if (!shown.some((s) => s.key === key) && !order.includes(key)) rows.delete(key);
}

function showVerdict(d: Day): void {
  const gone = d.out_of_band.filter((o) => o.value === null).length,
    beyond = d.out_of_band.length - gone;
  const open = d.tasks.filter((t) => t.state !== "later").length,
    overdue = d.tasks.filter((t) => t.state === "overdue").length;
  const parts = [
    beyond ? `${beyond} out of band` : "nothing out of band",
    gone ? `${gone} not measured` : "",
    overdue && overdue === open ? "" : open ? `${open} to do` : "nothing to do",
    overdue ? `${overdue} ${overdue === open ? "" : "of them "}overdue` : "",
  ];
  say(verdict, upperFirst(parts.filter(Boolean).join(", ")));
  mark(verdict, "data-zone", d.out_of_band.some((o) => o.zone.startsWith("critical")) ? "critical-high" : "in-band");
}

const trendLink = (point: string): string => `/trend?p=${point}&span=1d`;

function showOut(d: Day, f: Frame): void {
  out.show(
    d.out_of_band.map((o) => {
      const { place, quantity } = split(o.point),
        live = f.now!.places.find((p) => p.id === place)?.points.find((p) => p.point === o.point);
      const value = live ? live.value : o.value,
        zone = live?.zone ?? o.zone;
      const limit = o.limit === null ? "" : `, limit ${withUnit(quantity, f.temperature, o.limit)}`;
      return h(
        "li",
        { class: "outside", "data-zone": zone },
        zoneGlyph(zone),
        h("a", { href: trendLink(o.point) }, `${placeName(place)}, ${quantityWords(quantity)}`),
        " ",
        h("span", { class: "values" }, h("b", {}, withUnit(quantity, f.temperature, value))),
        h("p", { class: "dim" }, `${zoneWords[zone]}${limit}${o.since ? `, since ${at(o.since)}` : ""}`),
      );
    }),
  );
  if (!d.out_of_band.length) {
    out.element.hidden = false;
    arrange(out.list, [h("li", { class: "none" }, "Every point that has a band is inside it.")]);
  }
}

const beyond = h("ul"),
  calmTitle = h("summary"),
  calm = h("ul"),
  calmBox = h("details", {}, calmTitle, calm);

function extreme(e: NightExtreme, f: Frame): HTMLElement {
  const { place, quantity } = split(e.point),
    t = f.temperature;
  const words = [e.below ? "below its limits" : "", e.above ? "above its limits" : ""].filter(Boolean).join(" and ");
  return h(
    "li",
    { class: "extreme" },
    words ? zoneGlyph(e.above ? "high" : "low") : null,
    h("a", { href: trendLink(e.point) }, `${placeName(place)}, ${quantityWords(quantity)}`),
    " ",
    h("span", { class: "values" }, `${figure(quantity, t, e.min)} to ${figure(quantity, t, e.max)} ${unitOf(quantity, t)}`),
    words ? h("p", { class: "dim" }, `at times ${words}`) : null,
  );
}

function showNight(d: Day, f: Frame): void {
  const { from, to, extremes } = d.night,
    bad = extremes.filter((e) => e.below || e.above),
    good = extremes.filter((e) => !e.below && !e.above);
  say(night.head, `Last night, ${clock(f.zone, ms(from))} to ${clock(f.zone, ms(to))}`);
  arrange(
    beyond,
    bad.map((e) => extreme(e, f)),
  );
  arrange(
    calm,
    good.map((e) => extreme(e, f)),
  );
  say(calmTitle, `${good.length} stayed within ${bad.length ? "theirs" : "their limits"}`);
  calmBox.hidden = !good.length;
  night.element.hidden = !extremes.length;
}

function showComing(d: Day, f: Frame): void {
  windows.show(
    d.windows.map((w) =>
      h(
        "li",
        { class: "coming" },
        h("p", {}, w.words),
        f.now!.commands ? action("Move or stage…", w.cohort, () => openSheet("move", { cohort: w.cohort, place: w.place })) : null,
      ),
    ),
  );
  calibrations.show(
    d.calibrations_due.map((c) =>
      h(
        "li",
        {},
        h("a", { href: "/sensors" }, c.sensor),
        `: its ${quantityWords(c.channel)} was last calibrated on ${dayYear(f.zone, ms(c.last))}`,
      ),
    ),
  );
}

// Home is a place with animals, and what is done there most.
class Home {
  readonly element = h("li", { class: "home" });
  private readonly name = h("strong");
  private readonly who = h("span", { class: "dim" });
  private readonly answer = new Answer();
  private readonly mist: HTMLButtonElement;
  private readonly water: HTMLButtonElement;
  private readonly buttons: HTMLElement;

  constructor(private readonly id: string) {
    const about = placeName(id),
      of = { place: id };
    this.mist = action("Misted now", about, () => void this.answer.carryOut([taskCommand("mist", of)]));
    this.water = action("Changed water", about, () => void this.answer.carryOut([taskCommand("change-water", of)]));
    this.buttons = h(
      "div",
      { class: "buttons" },
      this.mist,
      this.water,
      action("Count…", about, () => openSheet("count", of)),
      action("Move or stage…", about, () => openSheet("move", of)),
      action("Note…", about, () => openSheet("note", of)),
    );
    this.element.append(h("p", { class: "what" }, this.name, " ", this.who), this.buttons, this.answer.element);
  }

  update(p: PlaceNow, f: Frame, d: Day): void {
    say(this.name, placeName(p.id));
    const counts = p.cohorts.filter((c) => c.stage && c.count !== undefined).map((c) => `${c.count} animals`);
    say(this.who, [livesThere(p), ...counts].join(" · "));
    const has = (quantity: string, task: string): boolean =>
      p.points.some((x) => x.quantity === quantity) || d.tasks.some((t) => t.place === this.id && t.do === task);
    const wet = has("water-temperature", "change-water"),
      misted = has("relative-humidity", "mist");
    this.water.hidden = misted && !wet;
    this.mist.hidden = wet && !misted;
    this.buttons.hidden = !f.now!.commands;
  }
}

const home = new Map<string, Home>();

function showHomes(d: Day, f: Frame): void {
  const living = f.now!.places.filter((p) => p.cohorts.some((c) => c.stage));
  homes.show(
    living.map((p) => {
      let one = home.get(p.id);
      if (!one) home.set(p.id, (one = new Home(p.id)));
      one.update(p, f, d);
      return one.element;
    }),
  );
  signed.hidden = !f.now!.commands;
}

let drawn = "";

function show(f: Frame): void {
  const d = day;
  if (!d) return;
  if (!verdict.isConnected) {
    night.list.replaceWith(beyond);
    night.element.append(calmBox);
    due.list.before(nothingDue);
    const column = (...parts: Part[]): HTMLElement => h("div", {}, ...parts.map((p) => p.element));
    byId("page").replaceChildren(
      h("div", { class: "summary" }, verdict, missing),
      h("div", { class: "day" }, column(out, night), column(due, later, homes), column(windows, calibrations)),
    );
  }
  showVerdict(d);
  showTasks(d);
  showHomes(d, f);
  // What has links and no answers is drawn again only where it reads differently, so that the focus stays.
  const live = d.out_of_band.map((o) => f.now!.places.flatMap((p) => p.points).find((p) => p.point === o.point)?.value);
  const key = JSON.stringify([d, live, f.temperature, f.zone, f.now!.commands, f.lost]);
  if (key === drawn) return;
  const first = !drawn;
  drawn = key;
  const before = due.list.offsetTop;
  showOut(d, f);
  showNight(d, f);
  showComing(d, f);
  if (!first && due.list.offsetTop !== before) movedAt = performance.now();
}

// load asks for the day as it is now. What cannot be had is said above what was known before.
let asking = false;
let again = false;
async function load(): Promise<void> {
  if (asking) {
    again = true;
    return;
  }
  asking = true;
  try {
    day = await get<Day>("/api/today");
    say(missing, day.missing ? upperFirst(day.missing) : "");
  } catch (problem) {
    const known = day ? ` What is shown is of ${clock(frame.zone, ms(day.at))}.` : "";
    say(missing, `The day could not be loaded: ${(problem as Error).message}.${known}`);
    if (!missing.isConnected) byId("page").replaceChildren(missing);
  }
  asking = false;
  show(frame);
  if (again) {
    again = false;
    void load();
  }
}

// zonesOf says which point is in which zone: where that changes the day is another one.
const zonesOf = (f: Frame): string =>
  f.now!.places.flatMap((p) => [...p.points.map((x) => x.point + x.zone), ...p.cohorts.map((c) => c.id + c.stage)]).join();

const RELOAD_MS = 60e3;
let zones = "";

start();
const first = document.getElementById("day"); // what the server knew when it made this page
if (first) {
  day = JSON.parse(first.textContent ?? "") as Day;
  say(missing, day.missing ? upperFirst(day.missing) : "");
}
onChange((f) => {
  const fresh = zonesOf(f);
  if ((zones && zones !== fresh) || !day) void load();
  zones = fresh;
  show(f);
});
document.addEventListener(RECORDED, () => void load());
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) void load();
});
setInterval(() => {
  if (!document.hidden) void load();
}, RELOAD_MS);
