// The page of the trends. Its address holds the whole view: p (the points of a chart, parted by commas), span or from and
// to, with (the range laid over).

import { get, type Entry, type Exposure, type ExposureTable, type Marks, type Panel, type PointTrend, type Trend } from "./api";
import type { Beyond } from "./beyond";
import { Chart, rangeWords, type Range } from "./chart";
import { arrange, byId, h, mark, say, svg } from "./dom";
import { drawing } from "./drawing";
import { excursionList } from "./excursions";
import { frame, inLight, onChange, onLook, start, type Frame } from "./frame";
import { placeName } from "./names";
import { dayYear, daysBefore, fromInput, full, lasting, moment, toInput } from "./time";
import { area, areaUnit, figure, unitOf } from "./units";
import { alarmTitle, entryText, kindText, quantityWords, split } from "./words";
import "./trend.css";

const HOUR = 3600e3,
  DAY = 24 * HOUR;
const spans: [string, string, number][] = [
  ["1d", "1 day", DAY],
  ["1w", "1 week", 7 * DAY],
  ["1m", "1 month", 30 * DAY],
  ["1y", "1 year", 365 * DAY],
];
const overlays: [string, string, string][] = [
  ["", "nothing", ""],
  ["1d", "the day before", "a day before"],
  ["7d", "the week before", "a week before"],
  ["28d", "four weeks before", "four weeks before"],
  ["365d", "the year before", "a year before"],
  ["dates", "other dates…", ""],
];
const isDate = (text: string): boolean => /^\d{4}-\d\d-\d\d$/.test(text);
const SHORTEST = 60e3,
  LONGEST = 10 * 365 * DAY;
const MOST_CHARTS = 8;
const MOST_TOGETHER = 4;
const DAYS_BEYOND = 60 * DAY; // a longer range is shown by local days

// shownPoints are the points of all charts.
const shownPoints = (): string[] => [...new Set(view.charts.flatMap((chart) => chart.split(",")))];

const iso = (ms: number): string => new Date(ms).toISOString();

// View is what the address says.
interface View {
  charts: string[]; // the points of each, parted by commas
  span: string;
  from: number;
  to: number;
  overlay: string; // one of the overlays, or the day on which the range laid over begins
  beyond: Beyond | null; // null for the limit in force
}
const view: View = { charts: [], span: "1d", from: 0, to: 0, overlay: "", beyond: null };

function readAddress(): void {
  const q = new URLSearchParams(location.search);
  const charts = q.getAll("p").map((p) => [...new Set(p.split(","))].slice(0, MOST_TOGETHER).join(","));
  view.charts = [...new Set(charts)].slice(0, MOST_CHARTS);
  const from = Date.parse(q.get("from") ?? ""),
    to = Date.parse(q.get("to") ?? "");
  const fixed = from < to;
  view.span = fixed ? "" : spans.some(([id]) => id === q.get("span")) ? q.get("span")! : "1d";
  if (fixed) [view.from, view.to] = [from, to];
  const other = q.get("with") ?? "";
  view.overlay = isDate(other) || overlays.some(([id]) => id === other && id !== "dates") ? other : "";
  const [point = "", side = "", value = ""] = (q.get("beyond") ?? "").split(":");
  view.beyond =
    value !== "" && (side === "above" || side === "below") && isFinite(Number(value)) ? { point, side, value: Number(value) } : null;
}

function writeAddress(push: boolean): void {
  const q = new URLSearchParams();
  for (const chart of view.charts) q.append("p", chart);
  if (view.span) q.set("span", view.span);
  else {
    const precise = view.to - view.from < 3 * HOUR ? 19 : 16;
    q.set("from", new Date(view.from).toISOString().slice(0, precise) + "Z");
    q.set("to", new Date(view.to).toISOString().slice(0, precise) + "Z");
  }
  if (view.overlay) q.set("with", view.overlay);
  if (view.beyond) q.set("beyond", `${view.beyond.point}:${view.beyond.side}:${view.beyond.value}`);
  const address = `${location.pathname}?${q.toString().replaceAll("%2F", "/").replaceAll("%3A", ":").replaceAll("%2C", ",")}`;
  if (address === location.pathname + location.search) return;
  history[push ? "pushState" : "replaceState"](null, "", address);
}

function range(): Range {
  const length = spans.find(([id]) => id === view.span)?.[2];
  return length ? { from: frame.at - length, to: frame.at } : { from: view.from, to: view.to };
}

// overlayShift returns how much earlier the range laid over begins: whole local days, so that morning lies on morning.
function overlayShift(r: Range): number {
  if (isDate(view.overlay)) return r.from - fromInput(frame.zone, view.overlay + toInput(frame.zone, r.from).slice(10));
  const days = Number.parseInt(view.overlay, 10);
  return days ? r.from - daysBefore(frame.zone, r.from, days) : 0;
}

const overlayName = (): string =>
  isDate(view.overlay)
    ? `from ${dayYear(frame.zone, fromInput(frame.zone, view.overlay))}`
    : (overlays.find(([id]) => id === view.overlay)?.[2] ?? "");

// setRange takes over a range that was dragged, pinched or typed. While it is still moving the values wait a little.
let waiting: ReturnType<typeof setTimeout> | undefined;
function setRange(r: Range, settled: boolean): void {
  let { from, to } = r;
  const length = Math.min(LONGEST, Math.max(SHORTEST, to - from)),
    middle = (from + to) / 2;
  if (length !== to - from) [from, to] = [middle - length / 2, middle + length / 2];
  if (to > frame.at) [from, to] = [Math.min(from, frame.at - length), frame.at]; // there is nothing to see of the future
  Object.assign(view, { span: "", from: Math.round(from), to: Math.round(to) });
  showControls();
  for (const chart of charts.values()) chart.preview(view);
  clearTimeout(waiting);
  waiting = setTimeout(
    () => {
      writeAddress(settled);
      void load();
    },
    settled ? 0 : 160,
  );
}

// The parts of the page.

const panelChoice = h("select", { id: "panel" });
const panelRow = h("p", { class: "panel", hidden: true }, h("label", { for: "panel" }, "Panel"), panelChoice);
const chosen = h("div", { class: "choices" });
const chooserTitle = h("summary");
const chooser = h("details", { class: "chooser" }, chooserTitle, chosen);
const spanButtons = spans.map(([id, text]) => {
  const [number, unit] = text.split(" ") as [string, string];
  return h(
    "button",
    { type: "button", "data-span": id, "aria-label": text, click: () => pick({ span: id }) },
    h("span", { class: "wide" }, `${number}\u00a0`),
    h("span", { class: "wide" }, unit),
    h("span", { class: "narrow" }, unit),
  );
});
const earlier = h("button", { type: "button", "aria-label": "earlier", click: () => shift(-1) }, "←");
const later = h("button", { type: "button", "aria-label": "later", click: () => shift(1) }, "→");
const fromInputElement = h("input", { type: "datetime-local", id: "from" });
const toInputElement = h("input", { type: "datetime-local", id: "to" });
const show = h("button", { type: "submit" }, "Show");
const custom = h(
  "form",
  { class: "custom" },
  h("label", { for: "from" }, "from"),
  fromInputElement,
  h("label", { for: "to" }, "to"),
  toInputElement,
  show,
);
const overlay = h("select", { id: "with" }, ...overlays.map(([id, text]) => h("option", { value: id }, text)));
const overlayDay = h("input", { type: "date", id: "with-day", "aria-label": "first day of the dates to compare with" });
const csv = h("a", { class: "button" }, "Readings as CSV");
const picture = h("button", { type: "button", click: () => void savePicture() }, "PNG");
const vector = h("button", { type: "button", click: () => void saveDrawing() }, "SVG");
const humid = h("p", { class: "dim", hidden: true });
const rangeTitle = h("p", { class: "range-title", "aria-live": "polite" });
const message = h("p", { class: "message", role: "alert" });
const chartBox = h("div", { class: "charts" });
const legend = h("p", { class: "legend" });
const exposureHead = h("thead"),
  exposureBody = h("tbody"),
  exposureNote = h("p", { class: "dim" });
const tables = h("div", { class: "tables" });
const happenings = h("tbody"),
  happeningsNote = h("p", { class: "dim" });
const more = h(
  "details",
  { class: "more" },
  h("summary", { class: "button" }, "More", h("span", { class: "unseen" }, ": what to look at, custom dates, compare, files")),
  h(
    "div",
    {},
    chooser,
    h("p", { class: "label" }, "Custom dates"),
    custom,
    h("div", { class: "compare" }, h("label", { for: "with" }, "Compare with"), overlay, overlayDay),
    h("div", { class: "files" }, csv, picture, vector),
  ),
);
const { section: excursions, show: showExcursions } = excursionList(
  (beyond) => {
    view.beyond = beyond;
    writeAddress(false);
    if (shown) showExcursions(shown.trend, beyond, shown.range);
  },
  (r) => setRange(r, true),
);
const tryLink = h("a", { href: "/try" }, "Try other limits on past readings");
const page = byId("page");
page.replaceChildren(
  h(
    "div",
    { class: "board" },
    panelRow,
    h(
      "div",
      { class: "controls" },
      h("div", { class: "spans", role: "group", "aria-label": "Range" }, earlier, ...spanButtons, later),
      more,
    ),
    humid,
    message,
  ),
  chartBox,
  rangeTitle,
  legend,
  tables,
);
tables.append(
  excursions,
  h(
    "section",
    { "aria-labelledby": "exposure-title" },
    h("h2", { id: "exposure-title" }, "Exposure in this range"),
    h(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "Exposure table" },
      h("table", { class: "exposure" }, exposureHead, exposureBody),
    ),
    exposureNote,
    h("p", {}, tryLink),
  ),
  h(
    "section",
    { "aria-labelledby": "happenings-title" },
    h("h2", { id: "happenings-title" }, "What happened"),
    happeningsNote,
    h(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "What happened in this range" },
      h(
        "table",
        { class: "stack" },
        h("thead", {}, h("tr", {}, ...["When", "What", "Where", "Details"].map((t) => h("th", { scope: "col" }, t)))),
        happenings,
      ),
    ),
  ),
);
custom.addEventListener("submit", (event) => {
  event.preventDefault();
  const from = fromInput(frame.zone, fromInputElement.value),
    to = fromInput(frame.zone, toInputElement.value);
  if (!(from < to)) {
    say(message, "The range must begin before it ends.");
    return;
  }
  say(message, "");
  setRange({ from, to }, true);
});
panelChoice.addEventListener("change", () => {
  const panel = (frame.now?.panels ?? [])[Number(panelChoice.value)];
  if (panel) pick({ charts: chartsOf(panel), span: panel.span });
});
overlay.addEventListener("change", () => {
  if (overlay.value !== "dates") return pick({ overlay: overlay.value });
  const { from, to } = range();
  pick({ overlay: toInput(frame.zone, from - (to - from)).slice(0, 10) });
  overlayDay.focus();
});
overlayDay.addEventListener("change", () => {
  if (isDate(overlayDay.value)) pick({ overlay: overlayDay.value });
});

function pick(change: Partial<View>): void {
  Object.assign(view, change);
  writeAddress(true);
  showControls();
  void load();
}

function shift(by: number): void {
  const { from, to } = range(),
    step = (to - from) * 0.75 * by;
  setRange({ from: from + step, to: to + step }, true);
}

const charts = new Map<string, Chart>();

function showControls(): void {
  const r = range();
  for (const b of spanButtons) mark(b, "aria-pressed", String(b.dataset.span === view.span));
  later.disabled = r.to >= frame.at;
  overlay.value = isDate(view.overlay) ? "dates" : view.overlay;
  overlayDay.hidden = !isDate(view.overlay);
  if (document.activeElement !== overlayDay) overlayDay.value = isDate(view.overlay) ? view.overlay : "";
  for (const [input, ms] of [
    [fromInputElement, r.from],
    [toInputElement, r.to],
  ] as const) {
    if (document.activeElement !== input) input.value = toInput(frame.zone, ms);
  }
  say(rangeTitle, rangeWords(frame.zone, r) + (view.span ? ", live" : ""));
  showPanels();
  csv.href = `/api/readings.csv?${points()}&from=${iso(r.from)}&to=${iso(r.to)}&temperature=${frame.temperature}`;
  csv.hidden = picture.hidden = vector.hidden = !view.charts.length;
  showHumid();
  say(
    chooserTitle,
    view.charts.length
      ? `${view.charts.length === 1 ? "1 chart" : `${view.charts.length} charts`}: choose others`
      : "Choose what to look at",
  );
}

const chartsOf = (panel: Panel): string[] => panel.charts.map((chart) => chart.join(","));

// showPanels offers the panels of the configuration, and says which one is shown.
let panelsFor = "";
function showPanels(): void {
  const panels = frame.now?.panels ?? [],
    key = JSON.stringify(panels);
  panelRow.hidden = !panels.length;
  if (key !== panelsFor) {
    panelsFor = key;
    panelChoice.replaceChildren(
      h("option", { value: "", disabled: true }, "my own choice"),
      ...panels.map((p, i) => h("option", { value: i }, p.title)),
    );
  }
  const at = panels.findIndex((p) => chartsOf(p).join(" ") === view.charts.join(" "));
  panelChoice.value = at < 0 ? "" : String(at);
}

// showHumid links the enclosures whose humidity is shown to the page that their misting is decided on, and the first point to the one on
// which its limits are tried.
function showHumid(): void {
  tryLink.href = view.charts.length ? `/try?p=${shownPoints()[0]}` : "/try";
  const places = shownPoints()
    .map(split)
    .filter((p) => p.quantity === "relative-humidity" && frame.now?.places.some((one) => one.id === p.place && !one.room))
    .map((p) => p.place);
  humid.hidden = !places.length;
  humid.replaceChildren(
    "Days and mistings: ",
    ...places.flatMap((id, i) => [i ? ", " : "", h("a", { href: `/humidity/${id}` }, placeName(id))]),
  );
}

// showChoices lists all points, by place.
let choicesFor = "";
function showChoices(f: Frame): void {
  const key = JSON.stringify(f.now!.places.map((p) => [p.id, p.points.map((x) => x.point)]));
  if (key === choicesFor) return;
  choicesFor = key;
  chosen.replaceChildren(
    ...f
      .now!.places.filter((p) => p.points.length)
      .map((p) =>
        h(
          "fieldset",
          {},
          h("legend", {}, placeName(p.id)),
          ...p.points.map((x) => {
            const box = h("input", { type: "checkbox", value: x.point });
            box.addEventListener("change", () => {
              const without = view.charts.map((c) => c.split(",").filter((p) => p !== x.point));
              const charts = box.checked ? [...view.charts, x.point] : without.filter((c) => c.length).map((c) => c.join(","));
              if (charts.length > MOST_CHARTS) {
                box.checked = false;
                say(message, `At most ${MOST_CHARTS} charts at once.`);
                return;
              }
              say(message, "");
              pick({ charts });
            });
            return h("label", {}, box, quantityWords(x.quantity));
          }),
        ),
      ),
  );
}

function showChecked(): void {
  for (const box of chosen.querySelectorAll("input")) box.checked = shownPoints().includes(box.value);
}

// load asks for everything that the view shows. Only the newest question counts.
let asked: AbortController | null = null;
let loadedAt = 0, // by the clock of the site
  askedAt = -Infinity;
// A range that goes on is asked for again when a new column is due, but not more often than this.
const MIN_PAUSE_MS = 5e3;
let shown: { trend: Trend; other: Trend | null; marks: Marks | null; shift: number; range: Range } | null = null;

async function load(): Promise<void> {
  if (!frame.now) return;
  showChecked();
  asked?.abort();
  const controller = (asked = new AbortController()),
    r = range();
  loadedAt = frame.at;
  askedAt = performance.now();
  arrange(
    chartBox,
    view.charts.map((c) => {
      let chart = charts.get(c);
      if (!chart) charts.set(c, (chart = new Chart(c.split(",")[0]!, setRange)));
      return chart.element;
    }),
  );
  for (const [p, chart] of charts)
    if (!view.charts.includes(p)) {
      chart.destroy();
      charts.delete(p);
    }
  for (const chart of charts.values()) chart.preview(r);
  legend.hidden = !view.charts.length;
  if (!view.charts.length) {
    shown = null;
    exposureBody.replaceChildren();
    happenings.replaceChildren();
    excursions.hidden = true;
    return;
  }
  if (!frame.now.history) {
    say(message, "This site keeps no history, so there is no past to show.");
    return;
  }
  page.classList.add("busy");
  const columns = r.to - r.from > DAYS_BEYOND ? "days" : Math.min(1500, Math.max(200, Math.floor(chartBox.clientWidth - 60)));
  const ask = (from: number, to: number): Promise<Trend> =>
    get<Trend>(`/api/trend?${points()}&from=${iso(from)}&to=${iso(to)}&columns=${columns}`, controller.signal);
  const by = overlayShift(r);
  try {
    const [trend, other, marks] = await Promise.all([
      ask(r.from, r.to),
      by ? ask(r.from - by, r.to - by) : null,
      get<Marks>(
        `/api/marks?from=${iso(r.from)}&to=${iso(r.to)}&` +
          [...new Set(shownPoints().map((p) => split(p).place))].map((p) => "place=" + p).join("&"),
        controller.signal,
      ),
    ]);
    say(message, "");
    shown = { trend, other, marks, shift: by, range: r };
    draw();
    showHappenings(marks);
    showExcursions(trend, view.beyond, r);
    void loadExposure(r, by, controller.signal);
  } catch (problem) {
    if (!controller.signal.aborted) say(message, (problem as Error).message);
  } finally {
    if (asked === controller) page.classList.remove("busy");
  }
}

const points = (): string =>
  shownPoints()
    .map((p) => "point=" + p)
    .join("&");

function draw(): void {
  if (!shown) return;
  const { trend, other, marks, shift, range } = shown;
  const of = (t: Trend | null, point: string): PointTrend[] => t?.points.filter((p) => p.point === point) ?? [];
  for (const chart of view.charts) {
    const [point, ...others] = chart.split(","),
      [one] = of(trend, point!);
    if (!one) continue;
    charts.get(chart)?.show({
      trend: one,
      other: of(other, point!)[0] ?? null,
      beside: others.flatMap((p) => of(trend, p)),
      column: trend.column_s * 1000,
      shift,
      otherName: overlayName(),
      marks,
      range,
      zone: frame.zone,
      temperature: frame.temperature,
    });
  }
  page.dataset.drawn = `${range.from}-${range.to}`;
  showLegend();
}

const LEGEND_MEAN = "line: mean; grey: lowest to highest; in colour: beyond the band";
const LEGEND_BAND = "green: the band as it was then; dashed: critical limits";

function showLegend(): void {
  const key = (text: string, ...shapes: SVGElement[]): HTMLElement =>
    h("span", {}, svg("svg", { viewBox: "0 0 26 16", "aria-hidden": "true", focusable: "false" }, ...shapes), text);
  const css = (name: string): string => `var(--${name})`;
  const marks = shown!.marks;
  legend.replaceChildren(
    key(
      LEGEND_MEAN,
      svg("path", { d: "M0 4H26V12H0Z", fill: css("ink"), "fill-opacity": 0.22 }),
      svg("path", { d: "M0 8H26", stroke: css("ink"), "stroke-width": 2 }),
    ),
    key(
      LEGEND_BAND,
      svg("path", { d: "M0 4H26V14H0Z", fill: css("band"), stroke: css("bandline") }),
      svg("path", { d: "M0 1H26", stroke: css("rust"), "stroke-dasharray": "5 4", "stroke-width": 1.5 }),
    ),
    view.overlay
      ? key(overlayName(), svg("path", { d: "M0 8H26", stroke: css("second"), "stroke-width": 2, "stroke-dasharray": "7 4" }))
      : "",
    marks?.light.length ? key("shaded: lights off", svg("path", { d: "M0 0H26V16H0Z", fill: css("night"), stroke: css("edge") })) : "",
    key("misting", svg("path", { d: "M13 0Q22 12 13 15Q4 12 13 0Z", fill: css("dew") })),
    key("note", svg("path", { d: "M8 1H18V15H8Z", fill: css("dew") })),
    key("stage", svg("path", { d: "M13 0 20 8 13 16 6 8Z", fill: css("second") })),
    key(
      "alarm; the upper bar: critical",
      svg("path", { d: "M0 11H26V15H0Z", fill: css("ochre") }),
      svg("path", { d: "M6 3H26V7H6Z", fill: css("rust") }),
    ),
  );
}

// The exposure of exactly the range, and of the one laid over it.
let exposureShown: { now: ExposureTable; other: ExposureTable | null } | null = null;

async function loadExposure(r: Range, by: number, signal: AbortSignal): Promise<void> {
  say(exposureNote, "adding up…");
  const ask = (from: number, to: number): Promise<ExposureTable> =>
    get<ExposureTable>(`/api/exposure?${points()}&from=${iso(from)}&to=${iso(to)}`, signal);
  try {
    exposureShown = { now: await ask(r.from, r.to), other: by ? await ask(r.from - by, r.to - by) : null };
    showExposure();
  } catch (problem) {
    if (!signal.aborted) say(exposureNote, (problem as Error).message);
  }
}

function showExposure(): void {
  if (!exposureShown) return;
  const t = frame.temperature;
  // A column for each point, and beside it one for the range laid over: what is to be compared is side by side.
  const columns = exposureShown.now.points.flatMap((p) => {
    const { place, quantity } = split(p.point),
      name = `${placeName(place)}, ${quantityWords(quantity)}`;
    const older = exposureShown!.other?.points.find((o) => o.point === p.point);
    return [{ p, name }, ...(older ? [{ p: older, name: `the same, ${overlayName()}` }] : [])];
  });
  tables.classList.toggle("few", columns.length <= 3); // then there is room beside it for what happened
  exposureHead.replaceChildren(h("tr", {}, h("td"), ...columns.map((c) => h("th", { scope: "col" }, c.name))));
  type Cell = (e: Exposure, q: string, has: boolean) => string;
  const share = (e: Exposure, x: number): string => (e.elapsed_s > 0 && x > 0 ? ` (${((100 * x) / e.elapsed_s).toFixed(1)} %)` : "");
  const time =
    (of: (e: Exposure) => number): Cell =>
    (e, _, has) =>
      has ? lasting(of(e)) + share(e, of(e)) : "–";
  const value =
    (of: (e: Exposure) => number | null): Cell =>
    (e, q) =>
      of(e) === null ? "–" : `${figure(q, t, of(e))} ${unitOf(q, t)}`;
  const product =
    (of: (e: Exposure) => number): Cell =>
    (e, q, has) =>
      has ? `${area(q, t, of(e))} ${areaUnit(q, t)}` : "–";
  const rows: [string, Cell][] = [
    ["in band", time((e) => e.seconds["in-band"])],
    ["below it", time((e) => e.seconds.low + e.seconds["critical-low"])],
    ["of that critically", time((e) => e.seconds["critical-low"])],
    ["above it", time((e) => e.seconds.high + e.seconds["critical-high"])],
    ["of that critically", time((e) => e.seconds["critical-high"])],
    ...(columns.some((c) => c.p.has_band && c.p.exposure.seconds["no-band"] > 0)
      ? [["without a band", time((e) => e.seconds["no-band"])] as [string, Cell]]
      : []),
    ["not known", (e) => lasting(e.seconds.unknown) + share(e, e.seconds.unknown)],
    ["times outside", (e, _, has) => (has ? String(e.excursions) : "–")],
    ["longest time outside", (e, _, has) => (has ? lasting(e.longest_excursion_s) : "–")],
    ["degree-hours below", product((e) => e.degree_hours_below)],
    ["degree-hours above", product((e) => e.degree_hours_above)],
    ["lowest", value((e) => e.min)],
    ["mean", value((e) => e.mean)],
    ["highest", value((e) => e.max)],
    ["kinetic mean", value((e) => e.mean_kinetic?.value ?? null)],
  ];
  exposureBody.replaceChildren(
    ...rows.map(([name, cell]) =>
      h(
        "tr",
        {},
        h("th", { scope: "row" }, name),
        ...columns.map(({ p }) => h("td", {}, cell(p.exposure, split(p.point).quantity, p.has_band))),
      ),
    ),
  );
  const n = exposureShown.now,
    other = exposureShown.other;
  say(
    exposureNote,
    `From ${full(frame.zone, Date.parse(n.from))} to ${full(frame.zone, Date.parse(n.to))}` +
      `${other ? `, and ${overlayName()} (from ${full(frame.zone, Date.parse(other.from))})` : ""}. ` +
      "Time that was not seen counts as not known, never as in band. The kinetic mean weighs heat more (USP <1160>); " +
      "for animals it is an index of heat load, nothing more.",
  );
}

function showHappenings(m: Marks): void {
  const zone = frame.zone,
    rows: { at: number; cells: string[] }[] = [];
  let mistings = 0;
  for (const e of m.events) {
    if (e.kind === "misting" && m.events.length > 60) {
      mistings++;
      continue;
    }
    rows.push({
      at: Date.parse(e.at),
      cells: [
        kindText(e.kind),
        placeName(e.place ?? ""),
        [entryText({ ...e, seq: 0, run: "" } as Entry, frame.temperature), e.by ? `by ${e.by}` : ""].filter(Boolean).join(", "),
      ],
    });
  }
  for (const a of m.alarms) {
    if (!shownPoints().some((p) => a.alarm.startsWith(p + "/"))) continue;
    const from = Date.parse(a.since),
      until = a.cleared ? `to ${moment(zone, Date.parse(a.cleared))} (${lasting((Date.parse(a.cleared) - from) / 1000)})` : "still active";
    rows.push({ at: from, cells: [`alarm, ${a.priority}`, placeName(a.place), `${alarmTitle(a.alarm)}, ${until}`] });
  }
  rows.sort((a, b) => b.at - a.at);
  const most = 120;
  happenings.replaceChildren(
    ...rows.slice(0, most).map((r) => h("tr", {}, h("td", {}, full(zone, r.at)), ...r.cells.map((text) => h("td", {}, text)))),
  );
  const notes = [];
  if (!rows.length) notes.push("Nothing is on record for these points in this range.");
  if (mistings) notes.push(`${mistings} mistings are left out of the list.`);
  if (rows.length > most) notes.push(`The newest ${most} of ${rows.length} are listed.`);
  if (m.truncated) notes.push("There was too much to show all of it: the oldest is missing.");
  say(happeningsNote, notes.join(" "));
}

const localDay = (ms: number): string => toInput(frame.zone, ms).slice(0, 10);

// save hands the browser a file, named by the local days of the range.
function save(blob: Blob | null, extension: string): void {
  if (!blob) {
    say(message, "The browser could not make the picture.");
    return;
  }
  const { from, to } = range();
  const link = h("a", {
    href: URL.createObjectURL(blob),
    download: `${frame.now!.site}_${localDay(from)}_${localDay(to)}.${extension}`,
  });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10e3);
}

const pictureTitle = (): string => `${frame.now!.site}: ${rangeWords(frame.zone, range())}, times in ${frame.zone}`;

// savePicture puts the charts below each other in light colours, with what they show written beside them.
async function savePicture(): Promise<void> {
  let blob: Blob | null = null;
  await inLight(async () => {
    const canvas = composed();
    if (canvas) blob = await new Promise<Blob | null>((done) => canvas.toBlob(done, "image/png"));
  });
  save(blob, "png");
}

async function saveDrawing(): Promise<void> {
  let text = "";
  await inLight(async () => {
    const shown = view.charts.flatMap((c) => charts.get(c) ?? []);
    text = drawing(pictureTitle(), shown, `${LEGEND_MEAN} · ${LEGEND_BAND}`);
  });
  save(new Blob([text], { type: "image/svg+xml" }), "svg");
}

// composed draws title, charts, captions and legend, each text in as many lines as it needs.
function composed(): HTMLCanvasElement | null {
  const parts = view.charts.map((c) => charts.get(c)?.canvas()).filter((p) => p !== null && p !== undefined);
  if (!parts.length) return null;
  const style = getComputedStyle(document.documentElement),
    p = devicePixelRatio,
    margin = 16 * p,
    family = getComputedStyle(document.body).fontFamily;
  const canvas = document.createElement("canvas"),
    ctx = canvas.getContext("2d")!,
    width = Math.max(...parts.map((c) => c.canvas.width));
  const lines = (text: string, font: string): string[] => {
    ctx.font = font;
    const broken = [""];
    for (const word of text.split(" ")) {
      const longer = `${broken.at(-1)} ${word}`.trim();
      if (ctx.measureText(longer).width <= width) broken[broken.length - 1] = longer;
      else broken.push(word);
    }
    return broken;
  };
  const strong = `600 ${15 * p}px ${family}`,
    plain = `${12 * p}px ${family}`;
  const pieces: ({ text: string; font: string; height: number } | { picture: HTMLCanvasElement; height: number })[] = [];
  const write = (text: string, font: string, height: number): void => {
    for (const line of lines(text, font)) pieces.push({ text: line, font, height: height * p });
  };
  write(pictureTitle(), strong, 22);
  for (const part of parts) {
    write(part.title, strong, 22);
    pieces.push({ picture: part.canvas, height: part.canvas.height + 4 * p });
    write(part.caption, plain, 17);
    pieces.push({ text: "", font: plain, height: 10 * p });
  }
  write(`${LEGEND_MEAN} · ${LEGEND_BAND}${view.overlay ? ` · broken line: ${overlayName()}` : ""} · bars below: alarms`, plain, 17);
  canvas.width = width + 2 * margin;
  canvas.height = pieces.reduce((sum, piece) => sum + piece.height, 2 * margin);
  ctx.fillStyle = style.getPropertyValue("--paper");
  ctx.fillRect(0, 0, canvas.width, canvas.height);
  ctx.fillStyle = style.getPropertyValue("--ink");
  ctx.textBaseline = "top";
  let y = margin;
  for (const piece of pieces) {
    if ("picture" in piece) ctx.drawImage(piece.picture, margin, y);
    else {
      ctx.font = piece.font;
      ctx.fillText(piece.text, margin, y);
    }
    y += piece.height;
  }
  return canvas;
}

readAddress();
addEventListener("popstate", () => {
  readAddress();
  showControls();
  void load();
});
start();

let unit = "";
let first = true;
onLook(() => {
  for (const chart of charts.values()) chart.redraw();
});
onChange((f) => {
  showChoices(f);
  showPanels(); // a number of the old list would choose another panel of a new configuration
  if (first) {
    first = false;
    const [panel] = f.now!.panels ?? [];
    if (!view.charts.length && panel) {
      view.charts = chartsOf(panel);
      if (view.span && !new URLSearchParams(location.search).has("span")) view.span = panel.span;
      writeAddress(false);
    } else if (!view.charts.length) {
      // what is out of its band first, else the first point that has one
      const all = f.now!.places.flatMap((p) => p.points).filter((p) => p.band);
      const out = all.filter((p) => p.zone !== "in-band");
      view.charts = (out.length ? out : all).slice(0, 2).map((p) => p.point);
      writeAddress(false);
    }
    showControls();
    void load();
  } else if (unit !== f.temperature) {
    showControls();
    draw();
    showExposure();
    if (shown?.marks) showHappenings(shown.marks);
    if (shown) showExcursions(shown.trend, view.beyond, shown.range);
  } else if (view.span && !f.lost) {
    // the range goes on: look again when a new column is due
    const due = Math.max(10e3, Math.min(300e3, (range().to - range().from) / 1200));
    if (f.at - loadedAt > due && performance.now() - askedAt > MIN_PAUSE_MS) {
      showControls();
      void load();
    }
  }
  unit = f.temperature;
});
