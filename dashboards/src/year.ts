// A year at a glance: for each place a table of its days, a column for each month, each day coloured by its worst zone and a link to its
// trend. A day of which nothing is known looks unlike a good one.

import { get, type Day, type Days, type PlaceNow } from "./api";
import { arrange, byId, h, say } from "./dom";
import { frame, onChange, start, type Frame } from "./frame";
import { placeName } from "./names";
import { inhabited, outside, worstZone } from "./place";
import { daysBefore, fromInput, toInput } from "./time";
import { withUnit } from "./units";
import { livesThere, quantityWords, split, zoneWords } from "./words";
import "./year.css";

const DAYS = 365;
// Days of which less than this share was seen are not called good.
const MIN_SEEN = 0.75;
// The data are asked for again after an hour of the site, but not more often than this.
const AGAIN_MS = 3600e3,
  MIN_PAUSE_MS = 30e3;

const months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

// look is how a day is shown: its zone, or that too little of it was seen to call it good.
const look = (d: Day): string => (d.zone === "in-band" && d.seen < MIN_SEEN ? "partly" : d.zone);

function dayWords(d: Day, f: Frame): string {
  const [year, month, day] = d.day.split("-"),
    date = `${Number(day)} ${months[Number(month) - 1]} ${year}`;
  if (look(d) === "partly") return `${date}: in band while seen, ${Math.round(d.seen * 100)} % of the day`;
  if (!d.point || d.value === undefined) return `${date}: ${zoneWords[d.zone]}`;
  const { quantity } = split(d.point);
  return `${date}: ${zoneWords[d.zone]}, ${quantityWords(quantity)} ${withUnit(quantity, f.temperature, d.value)}`;
}

// Year is the table of one place.
class Year {
  readonly element = h("section", { class: "year" });
  private readonly title = h("h2");
  private readonly who = h("p", { class: "dim" });
  private readonly count = h("p");
  private readonly table = h("table");
  private loaded: Days | null = null;
  private loading = false;

  constructor(private readonly place: string) {
    const box = h("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": `Days of ${placeName(place)}` }, this.table);
    this.element.append(this.title, this.who, this.count, box);
    this.table.addEventListener("keydown", (event) => this.key(event));
    this.table.addEventListener("focusin", (event) => this.rove(event.target as HTMLElement));
  }

  update(p: PlaceNow): void {
    say(this.title, placeName(p.id));
    say(this.who, livesThere(p) || (p.room ? "room" : "no animals"));
  }

  // load asks for the days, and leaves what is there where they do not come.
  async load(from: number, to: number): Promise<void> {
    if (this.loading) return;
    this.loading = true;
    if (!this.loaded) say(this.count, "asking for the days…");
    try {
      this.loaded = await get<Days>(`/api/days?place=${this.place}&from=${new Date(from).toISOString()}&to=${new Date(to).toISOString()}`);
      this.draw(frame);
    } catch (problem) {
      say(this.count, (problem as Error).message);
    }
    this.loading = false;
  }

  draw(f: Frame): void {
    const days = this.loaded?.days;
    if (!days) return;
    const of = (...zones: string[]): number => days.filter((d) => zones.includes(look(d))).length;
    const critical = of("critical-low", "critical-high"),
      parts = [
        critical ? `${critical} critical` : "",
        of("low", "high") ? `${of("low", "high")} out of the band` : "",
        of("in-band") ? `${of("in-band")} in band` : "",
        of("no-band") ? `${of("no-band")} without a band` : "",
        of("unknown", "partly") ? `${of("unknown", "partly")} not known, or too little of it` : "",
      ];
    say(this.count, `${days.length} days: ${parts.filter(Boolean).join(", ")}`);
    const columns = [...new Set(days.map((d) => d.day.slice(0, 7)))],
      byDay = new Map(days.map((d) => [d.day, d]));
    const focused = this.table.contains(document.activeElement) ? (document.activeElement as HTMLElement).dataset.day : undefined;
    const points = f.now!.places.find((p) => p.id === this.place)?.points ?? [],
      usual = (points.find((p) => p.band) ?? points[0])?.point ?? "";
    const cell = (month: string, n: number): HTMLElement => {
      const d = byDay.get(`${month}-${String(n).padStart(2, "0")}`);
      if (!d) return h("td");
      const words = dayWords(d, f),
        current = d === days.at(-1);
      const link = h("a", {
        href: `/trend?p=${d.point ?? usual}&from=${d.from.slice(0, 16)}Z&to=${d.to.slice(0, 16)}Z`,
        "aria-label": words,
        title: words,
        "data-day": d.day,
        "data-zone": look(d),
        "aria-current": current && "date",
        tabindex: current ? 0 : -1,
      });
      return h("td", {}, link);
    };
    this.table.replaceChildren(
      h("caption", { class: "unseen" }, `Days of ${placeName(this.place)}: a column for each month. Arrow keys go from day to day.`),
      h(
        "thead",
        {},
        h(
          "tr",
          {},
          h("td"),
          ...columns.map((c, i) => {
            const month = months[Number(c.slice(5)) - 1]!,
              year = i === 0 || month === "Jan" ? c.slice(0, 4) : "";
            return h("th", { scope: "col" }, month, h("span", {}, year));
          }),
        ),
      ),
      h(
        "tbody",
        {},
        ...Array.from({ length: 31 }, (_, i) =>
          h("tr", {}, h("th", { scope: "row" }, String(i + 1)), ...columns.map((c) => cell(c, i + 1))),
        ),
      ),
    );
    if (focused) this.table.querySelector<HTMLElement>(`[data-day="${focused}"]`)?.focus();
  }

  // rove makes the day that has the focus the one that the tab key comes back to.
  private rove(target: HTMLElement): void {
    if (!target.dataset.day) return;
    for (const link of this.table.querySelectorAll('a[tabindex="0"]')) link.setAttribute("tabindex", "-1");
    target.tabIndex = 0;
  }

  private key(event: KeyboardEvent): void {
    const day = (event.target as HTMLElement).dataset.day,
      days = this.loaded?.days;
    if (!day || !days || event.altKey || event.ctrlKey || event.metaKey) return;
    const here = days.findIndex((d) => d.day === day),
      month = (by: number): number => {
        const [y, m, d] = day.split("-").map(Number) as [number, number, number],
          there = new Date(Date.UTC(y, m - 1 + by, 1)).toISOString().slice(0, 7);
        return days.findLastIndex((x) => x.day.startsWith(there) && Number(x.day.slice(8)) <= d);
      };
    const to: Record<string, number> = {
      ArrowUp: here - 1,
      ArrowDown: here + 1,
      ArrowLeft: month(-1),
      ArrowRight: month(1),
      Home: 0,
      End: days.length - 1,
    };
    const next = days[to[event.key] ?? -1];
    if (!(event.key in to)) return;
    event.preventDefault();
    if (next) this.table.querySelector<HTMLElement>(`[data-day="${next.day}"]`)?.focus();
  }
}

const years = new Map<string, Year>();
const list = h("div", { class: "years" });
const moreList = h("div", { class: "years" });
const moreTitle = h("summary");
const more = h("details", { class: "empty-places", hidden: true }, moreTitle, moreList);
const problem = h("p", { class: "message", role: "alert" });

const sample = (zone: string, text: string): HTMLElement => h("span", {}, h("i", { "data-zone": zone, "aria-hidden": "true" }), text);
const legend = h(
  "p",
  { class: "legend" },
  ...(
    [
      ["in-band", "in band"],
      ["high", "above"],
      ["low", "below"],
      ["critical-high", "critically high"],
      ["critical-low", "critically low"],
      ["partly", "in band, but seen for less than three quarters of the day"],
      ["no-band", "no band"],
      ["unknown", "not known"],
    ] as const
  ).map(([zone, text]) => sample(zone, text)),
);

byId("page").replaceChildren(
  h("p", { class: "dim" }, "Each day by the worst that was in it. A day leads to its trend."),
  legend,
  problem,
  list,
  more,
);
start();

let loadedAt = -Infinity, // by the clock of the site
  askedAt = -Infinity,
  unit = "",
  loadedDay = "";

function show(f: Frame): void {
  const measured = f.now!.places.filter((p) => p.points.length);
  const first = measured.filter((p) => inhabited(p) || p.room || outside(worstZone(p)) || p.points.some((x) => x.band)),
    rest = measured.filter((p) => !first.includes(p));
  const element = (p: PlaceNow): HTMLElement => {
    let year = years.get(p.id);
    if (!year) years.set(p.id, (year = new Year(p.id)));
    year.update(p);
    return year.element;
  };
  arrange(list, [...first].sort((a, b) => Number(a.room) - Number(b.room)).map(element));
  arrange(moreList, rest.map(element));
  more.hidden = !rest.length;
  say(moreTitle, rest.length === 1 ? "1 place without a band" : `${rest.length} places without a band`);
}

// load asks for one place after the other: a board has few cores.
async function load(f: Frame): Promise<void> {
  askedAt = performance.now();
  loadedAt = f.at;
  loadedDay = toInput(f.zone, f.at).slice(0, 10);
  const from = daysBefore(f.zone, fromInput(f.zone, loadedDay), DAYS - 1);
  const wanted = [...years.values()].filter((y) => list.contains(y.element) || more.open);
  for (const year of wanted) await year.load(from, f.at);
  byId("page").dataset.drawn = loadedDay;
}
more.addEventListener("toggle", () => {
  if (more.open && frame.now?.history) void load(frame);
});

onChange((f) => {
  show(f);
  if (!f.now!.history) {
    say(problem, "This site keeps no history, so there is no past to show.");
    return;
  }
  const due = f.at - loadedAt > AGAIN_MS || toInput(f.zone, f.at).slice(0, 10) !== loadedDay;
  if (due && !f.lost && performance.now() - askedAt > MIN_PAUSE_MS) void load(f);
  else if (unit !== f.temperature) for (const year of years.values()) year.draw(f);
  unit = f.temperature;
});
