// Other limits, tried on past readings: what they would have brought beside what those in force have brought. Nothing is changed by it.

import { get } from "./api";
import { byId, h, say } from "./dom";
import { frame, onChange, start } from "./frame";
import { placeName } from "./names";
import { lasting, moment } from "./time";
import { differenceUnit, fixed, unitOf, convert, difference, type Temperature } from "./units";
import { alarmTitle, quantityWords, split } from "./words";
import "./try.css";

const LIMITS = ["critical-low", "low", "high", "critical-high"] as const;
type Limit = (typeof LIMITS)[number];
const limitWords: Record<Limit, string> = {
  "critical-low": "critically low",
  low: "low",
  high: "high",
  "critical-high": "critically high",
};

type Values = Record<Limit, number | null>;
interface Point {
  point: string;
  day: Values;
  night: Values;
  on_delay_s: number;
  critical_on_delay_s: number;
  off_delay_s: number;
  deadband: number;
}
interface Side {
  alarms: number;
  by_priority: Record<string, number>;
  outside_s: number;
  heard: Record<string, number>;
  silent: Record<string, number>;
}
interface Figures {
  alarms: number;
  below_s: number;
  above_s: number;
  longest_s: number;
}
interface Occurrence {
  priority: string;
  raised: string;
  cleared: string | null;
}
interface Result {
  from: string;
  to: string;
  in_force: Side;
  tried: Side;
  points: { point: string; in_force: Figures; tried: Figures }[];
  same: number;
  alarms: { alarm: string; in_force: Occurrence | null; tried: Occurrence | null }[];
  more: number;
  lines: string;
}
interface Trial {
  state: "none" | "running" | "done" | "failed" | "ended";
  by?: string;
  done: number;
  problem?: string;
  result: Result | null;
}
interface Trying {
  choices: { points: Point[] | null; cohorts: { cohort: string; profile: string }[] | null; profiles: string[] | null };
  trial: Trial;
  may_act: boolean;
}

// How often a trial that is running is looked at.
const LOOK_MS = 1000;

const message = h("p", { class: "message", role: "alert" });
const status = h("p", { role: "status" });
const bar = h("progress", { max: 1, value: 0, "aria-label": "how much of the past has been gone through", hidden: true });
const result = h("div", { id: "result" });

const what = h("select", { id: "try-point" });
const cohort = h("select", { id: "try-cohort" }),
  profile = h("select", { id: "try-profile" });
const day = new Map<Limit, HTMLInputElement>(),
  night = new Map<Limit, HTMLInputElement>();
const number = (id: string, words: string): HTMLInputElement =>
  h("input", { type: "text", inputmode: "decimal", id, autocomplete: "off", "aria-label": words, maxlength: 12 });
const delays = {
  on: number("try-on", "minutes that a limit must be broken"),
  critical: number("try-critical", "minutes that a critical limit must be broken"),
  off: number("try-off", "minutes that the value must be back"),
  deadband: number("try-deadband", "how far back inside"),
};
const unit = h("span", { class: "unit" }),
  deadbandUnit = h("span", { class: "unit" });

const limitRows = LIMITS.map((l) => {
  const byDay = number(`try-day-${l}`, `${limitWords[l]}, by day`),
    byNight = number(`try-night-${l}`, `${limitWords[l]}, by night`);
  day.set(l, byDay);
  night.set(l, byNight);
  return h("tr", {}, h("th", { scope: "row" }, limitWords[l]), h("td", {}, byDay), h("td", {}, byNight));
});
const limitTable = h(
  "table",
  { class: "limits" },
  h("thead", {}, h("tr", {}, h("td", {}, unit), h("th", { scope: "col" }, "by day"), h("th", { scope: "col" }, "by night"))),
  h("tbody", {}, ...limitRows),
);
const field = (of: HTMLInputElement, words: string, behind: Node | string): HTMLElement =>
  h("p", {}, h("label", { for: of.id }, words), h("span", { class: "with-unit" }, of, behind));

const range = h("select", { id: "try-range" }, ...["week", "month", "year"].map((r) => h("option", { value: r }, `the last ${r}`)));
const begin = h("button", { class: "first", type: "submit" }, "Try it on the past");
const end = h("button", { type: "button", hidden: true }, "End it");
const restore = h("button", { type: "button" }, "Back to what is in force");
const fields = h(
  "div",
  { class: "trying" },
  h(
    "fieldset",
    {},
    h("legend", {}, "Limits"),
    h("p", {}, h("label", { for: "try-point" }, "Of"), what),
    limitTable,
    h(
      "p",
      { class: "dim" },
      "An empty field is no limit. They hold for the whole time, whoever lived there, instead of the limits of its animals.",
    ),
  ),
  h(
    "fieldset",
    {},
    h("legend", {}, "How soon it is an alarm"),
    field(delays.on, "A limit is broken for", "min"),
    field(delays.critical, "A critical one for", "min"),
    field(delays.off, "It is over once back for", "min"),
    field(delays.deadband, "and back inside by", deadbandUnit),
  ),
  h(
    "fieldset",
    {},
    h("legend", {}, "Another care profile"),
    h("p", {}, h("label", { for: "try-cohort" }, "For"), cohort),
    h("p", {}, h("label", { for: "try-profile" }, "profile"), profile),
  ),
);
const form = h(
  "form",
  { novalidate: true },
  fields,
  h("p", { class: "ranges" }, h("label", { for: "try-range" }, "On the readings of"), range),
  h("p", { class: "buttons" }, begin, restore, end),
);
byId("page").replaceChildren(
  h(
    "p",
    {},
    "Change a limit, a delay or the care profile, and see which alarms and messages the past would have brought. " +
      "Nothing is sent and nothing changes: you get the lines for the configuration.",
  ),
  form,
  message,
  status,
  bar,
  result,
);
start();

let known: Trying | null = null,
  shown: Temperature | "" = "";
const points = (): Point[] => known?.choices.points ?? [];
const chosen = (): Point | undefined => points().find((p) => p.point === what.value);
const hasLimit = (p: Point): boolean => LIMITS.some((l) => p.day[l] !== null || p.night[l] !== null);

// short writes a number with as many digits as it needs, two at most.
const short = (v: number): string => String(Number(fixed(v, 2)));
const shownValue = (quantity: string, v: number | null): string => (v === null ? "" : short(convert(quantity, frame.temperature, v)));
const minutes = (s: number): string => short(s / 60);
// What a deadband is in the unit that is shown: differences have no zero to be shifted.
const shownDeadband = (quantity: string, v: number): string => short(Number(difference(quantity, frame.temperature, v, 3)));

// fill puts the limits in force into the fields.
function fill(): void {
  const p = chosen();
  if (!p) return;
  const { quantity } = split(p.point);
  for (const l of LIMITS) {
    day.get(l)!.value = shownValue(quantity, p.day[l]);
    night.get(l)!.value = shownValue(quantity, p.night[l]);
  }
  delays.on.value = minutes(p.on_delay_s);
  delays.critical.value = minutes(p.critical_on_delay_s);
  delays.off.value = minutes(p.off_delay_s);
  delays.deadband.value = shownDeadband(quantity, p.deadband);
  say(unit, unitOf(quantity, frame.temperature));
  say(deadbandUnit, differenceUnit(quantity, frame.temperature));
  shown = frame.temperature;
}

function fillProfiles(): void {
  const now = known?.choices.cohorts?.find((c) => c.cohort === cohort.value)?.profile ?? "";
  profile.replaceChildren(
    h("option", { value: "" }, now ? `as it is: ${now}` : "as it is"),
    ...(known?.choices.profiles ?? []).filter((p) => p !== now).map((p) => h("option", { value: p }, p)),
  );
  profile.value = "";
}

function offer(t: Trying): void {
  known = t;
  const wanted = what.value || new URLSearchParams(location.search).get("p") || "";
  const option = (p: Point): HTMLElement => {
    const { place, quantity } = split(p.point);
    return h("option", { value: p.point }, `${placeName(place)}, ${quantityWords(quantity)}`);
  };
  const first = points().filter(hasLimit),
    rest = points().filter((p) => !hasLimit(p));
  what.replaceChildren(
    h("optgroup", { label: "with limits now" }, ...first.map(option)),
    h("optgroup", { label: "without limits now" }, ...rest.map(option)),
  );
  what.value = points().some((p) => p.point === wanted) ? wanted : (first[0]?.point ?? points()[0]?.point ?? "");
  cohort.replaceChildren(...(t.choices.cohorts ?? []).map((c) => h("option", { value: c.cohort }, c.cohort)));
  fillProfiles();
  fill();
  if (!t.may_act) say(message, "You may look at what was tried, but not try: that needs an operator.");
}

// written is a field as the configuration writes it: its number with a unit.
const written = (of: HTMLInputElement, behind: string): string => (of.value.trim() ? `${of.value.trim().replace(",", ".")} ${behind}` : "");

// asked is what the fields say; nothing of the band where it is as it is in force.
function asked(): object {
  const p = chosen(),
    bands = [];
  if (p && changed(p)) {
    const { place, quantity } = split(p.point),
      limits = (of: Map<Limit, HTMLInputElement>): object =>
        Object.fromEntries(LIMITS.map((l) => [l, written(of.get(l)!, unitOf(quantity, frame.temperature))]));
    const time = (of: HTMLInputElement): string => {
      const m = Number(of.value.trim().replace(",", "."));
      return of.value.trim() === "" ? "" : Number.isFinite(m) ? `${Math.round(m * 60)}s` : of.value.trim();
    };
    bands.push({
      place,
      quantity,
      day: limits(day),
      night: limits(night),
      on_delay: time(delays.on),
      critical_on_delay: time(delays.critical),
      off_delay: time(delays.off),
      deadband: written(delays.deadband, differenceUnit(quantity, frame.temperature)),
      priority: "",
      foresee: "",
    });
  }
  return { range: range.value, bands, profiles: profile.value ? [{ cohort: cohort.value, profile: profile.value }] : [] };
}

function changed(p: Point): boolean {
  const { quantity } = split(p.point);
  return (
    LIMITS.some((l) => day.get(l)!.value !== shownValue(quantity, p.day[l]) || night.get(l)!.value !== shownValue(quantity, p.night[l])) ||
    delays.on.value !== minutes(p.on_delay_s) ||
    delays.critical.value !== minutes(p.critical_on_delay_s) ||
    delays.off.value !== minutes(p.off_delay_s) ||
    delays.deadband.value !== shownDeadband(quantity, p.deadband)
  );
}

async function order(method: "POST" | "DELETE", body?: object): Promise<Trial> {
  const response = await fetch("/api/try", {
    method,
    ...(body ? { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) } : {}),
  }).catch(() => null);
  if (!response) throw new Error("the server does not answer: it may have stopped, or the network is away");
  const answer = (await response.json()) as Trial & { message?: string };
  if (!response.ok) throw new Error(answer.message ?? `the server answered ${response.status}`);
  return answer;
}

function problemOf(problem: unknown): string {
  const text = problem instanceof Error ? problem.message : String(problem);
  return `Not tried: ${text}.`;
}

const span = (s: number): string => lasting(s);
const row = (name: string, a: string | number, b: string | number): HTMLElement =>
  h("tr", { class: String(a) !== String(b) && "differs" }, h("th", { scope: "row" }, name), h("td", {}, String(a)), h("td", {}, String(b)));
const table = (caption: string, rows: HTMLElement[]): HTMLElement =>
  h(
    "table",
    { class: "beside" },
    h("caption", { class: "unseen" }, caption),
    h("thead", {}, h("tr", {}, h("td"), h("th", { scope: "col" }, "in force"), h("th", { scope: "col" }, "tried"))),
    h("tbody", {}, ...rows),
  );

function totals(r: Result): HTMLElement {
  const rows = [row("alarms", r.in_force.alarms, r.tried.alarms)];
  for (const p of ["critical", "high", "medium", "low"]) {
    const a = r.in_force.by_priority[p] ?? 0,
      b = r.tried.by_priority[p] ?? 0;
    if (a + b) rows.push(row(`of them ${p}`, a, b));
  }
  const notifiers = [...new Set([...Object.keys(r.in_force.heard), ...Object.keys(r.tried.heard)])].sort();
  for (const name of notifiers) rows.push(row(`messages by ${name}`, r.in_force.heard[name] ?? 0, r.tried.heard[name] ?? 0));
  rows.push(row("time outside the bands, all points", span(r.in_force.outside_s), span(r.tried.outside_s)));
  return table("Totals", rows);
}

function pointTable(p: Result["points"][number]): HTMLElement[] {
  const { place, quantity } = split(p.point);
  return [
    h("h3", {}, `${placeName(place)}, ${quantityWords(quantity)}`),
    table(p.point, [
      row("below its band", span(p.in_force.below_s), span(p.tried.below_s)),
      row("above its band", span(p.in_force.above_s), span(p.tried.above_s)),
      row("longest time outside", span(p.in_force.longest_s), span(p.tried.longest_s)),
      row("alarms", p.in_force.alarms, p.tried.alarms),
    ]),
  ];
}

function alarmList(r: Result): HTMLElement[] {
  if (!r.alarms.length) return [h("p", {}, "The alarms would have been the same.")];
  const when = (o: Occurrence | null): string => (o ? `${moment(frame.zone, Date.parse(o.raised))}, ${o.priority}` : "none");
  return [
    h("h3", {}, r.more ? `Alarms that differ: the latest ${r.alarms.length} of ${r.alarms.length + r.more}` : "Alarms that differ"),
    h(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "Alarms that differ" },
      table(
        "Alarms that differ",
        r.alarms.map((a) => row(alarmTitle(a.alarm), when(a.in_force), when(a.tried))),
      ),
    ),
  ];
}

function draw(r: Result): void {
  const date = (t: string): string => moment(frame.zone, Date.parse(t));
  result.replaceChildren(
    h("h2", {}, "What came of it"),
    h("p", {}, `What was tried is in the lines at the end. The readings from ${date(r.from)} to ${date(r.to)}, under both.`),
    totals(r),
    ...r.points.flatMap(pointTable),
    h("p", { class: "dim" }, r.same === 1 ? "1 other point is the same under both." : `${r.same} other points are the same under both.`),
    ...alarmList(r),
    h("h3", {}, "The changed lines"),
    h("pre", { tabindex: 0, role: "region", "aria-label": "The changed lines" }, r.lines),
    h("p", {}, h("a", { class: "button", href: "/api/try.yaml", download: "tried.yaml" }, "Download the changed lines")),
    h(
      "p",
      { class: "dim" },
      "It knows no one who acknowledges or silences an alarm, and what the sensors have shown: " +
        "not what a lid, a lamp or a mister would have done. You and your veterinarian decide.",
    ),
  );
}

let drawn: Result | null = null,
  timer = 0;

function show(t: Trial): void {
  const running = t.state === "running";
  bar.hidden = end.hidden = !running;
  bar.value = t.done;
  begin.disabled = running || !known?.may_act;
  end.disabled = !known?.may_act;
  const by = t.by && t.by !== "the pages" ? ` by ${t.by}` : "";
  const words = {
    none: "",
    running: `Trying${by}: ${Math.floor(100 * t.done)} % of the readings. The room is watched as ever; you may leave this page.`,
    done: `Tried${by}.`,
    failed: `The trial failed: ${t.problem ?? "no reason was given"}.`,
    ended: "Ended before it was done. Nothing has changed.",
  };
  say(status, words[t.state]);
  if (running || !t.result) result.replaceChildren();
  if (t.result && JSON.stringify(t.result) !== JSON.stringify(drawn)) draw(t.result);
  drawn = running ? null : t.result;
  byId("page").dataset.trial = t.state;
  clearTimeout(timer);
  if (running) timer = window.setTimeout(() => void look(), LOOK_MS);
}

async function look(): Promise<void> {
  try {
    show((await get<Trying>("/api/try?choices=no")).trial);
  } catch {
    timer = window.setTimeout(() => void look(), 5 * LOOK_MS);
  }
}

async function load(): Promise<void> {
  try {
    const t = await get<Trying>("/api/try");
    offer(t);
    show(t.trial);
    byId("page").dataset.drawn = "try";
  } catch (problem) {
    say(message, (problem as Error).message);
    form.hidden = true;
  }
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  say(message, "");
  order("POST", asked()).then(show, (problem) => say(message, problemOf(problem)));
});
end.addEventListener("click", () => {
  order("DELETE").then(show, (problem) => say(message, problemOf(problem)));
});
restore.addEventListener("click", () => {
  fill();
  fillProfiles();
  say(message, "");
});
what.addEventListener("change", fill);
cohort.addEventListener("change", fillProfiles);

let loading = false;
onChange((f) => {
  if (!loading) {
    loading = true;
    void load();
  } else if (shown && shown !== f.temperature) fill();
});
