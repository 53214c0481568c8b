// The page of the current values.

import { get, type PlaceNow, type PointNow, type PointTrend, type Trend, type Zone } from "./api";
import { arrange, byId, h, mark, say, svg } from "./dom";
import { frame, onChange, start, type Frame } from "./frame";
import { gauge } from "./gauge";
import { priorityGlyph, zoneGlyph } from "./glyph";
import { clockSeconds, lasting, since } from "./time";
import { bandText, difference, figure, unitOf, withUnit } from "./units";
import { alarmTitle, byUrgency, quantityWords, zoneWords } from "./words";

const SPARK_HOURS = 6;
const SPARK_COLUMNS = 72;
const SPARK_EVERY_MS = 60e3;

const sparks = new Map<string, PointTrend>();

const trendLink = (...points: string[]): string => "/trend?" + points.map((p) => "p=" + p).join("&") + "&span=1d";

// Row shows one point that has a band.
class Row {
  readonly element = h("article", { class: "point" });
  private readonly name = h("a");
  private readonly value = h("b");
  private readonly unit = h("span", { class: "unit" });
  private readonly old = h("span", { class: "old" }, "old");
  private readonly bar = h("div", { class: "bar" });
  private readonly spark = h("div", { class: "spark" });
  private readonly zone = h("p", { class: "zone" });
  private readonly today = h("p", { class: "today" });
  private drawn = "";

  constructor(point: string) {
    this.name.href = trendLink(point);
    this.element.append(
      h("h3", {}, this.name),
      h("p", { class: "value" }, this.value, " ", this.unit, this.old),
      this.bar,
      this.spark,
      this.zone,
      this.today,
    );
  }

  update(p: PointNow, f: Frame): void {
    const t = f.temperature;
    say(this.name, quantityWords(p.quantity));
    mark(this.element, "data-zone", p.zone);
    say(this.value, p.value === null ? "no data" : figure(p.quantity, t, p.value));
    say(this.unit, p.value === null ? "" : unitOf(p.quantity, t));
    const key = JSON.stringify([p.value, p.zone, p.band, p.accuracy, t]);
    if (key !== this.drawn) {
      this.drawn = key;
      this.bar.replaceChildren(gauge(p, t));
    }
    this.words(p, f);
    const e = p.today,
      s = e.seconds;
    const above = s.high + s["critical-high"],
      below = s.low + s["critical-low"];
    const parts = [];
    if (above >= 1) parts.push(`${lasting(above)} above`);
    if (below >= 1) parts.push(`${lasting(below)} below`);
    if (!parts.length) parts.push(s["in-band"] >= 1 ? "in band while seen" : "nothing seen");
    if (above + below >= 1) parts.push(`longest ${lasting(e.longest_excursion_s)}`);
    if (s["no-band"] >= 60) parts.push(`${lasting(s["no-band"])} without a band`);
    if (s.unknown >= 60) parts.push(`${lasting(s.unknown)} not seen`);
    if (p.last_reading) parts.push(`last read ${clockSeconds(f.zone, Date.parse(p.last_reading))}`);
    say(this.today, `Today: ${parts.join(", ")}`);
  }

  private words(p: PointNow, f: Frame): void {
    const b = p.band!;
    let text = zoneWords[p.zone];
    if (p.since) text += ` since ${since(f.zone, f.at, Date.parse(p.since))} (${lasting((f.at - Date.parse(p.since)) / 1000)})`;
    if (p.certainty === "too close to call")
      text += `, but too close to call: ±${difference(p.quantity, f.temperature, p.accuracy)} ${unitOf(p.quantity, f.temperature)}`;
    if (p.flag === 3) text += ", reading suspect";
    let band = `band ${bandText(p.quantity, f.temperature, b.low ?? b["critical-low"], b.high ?? b["critical-high"])}`;
    if (p.zone === "high" || p.zone === "critical-high")
      band += b["critical-high"] === null ? "" : `, critical from ${figure(p.quantity, f.temperature, b["critical-high"])}`;
    if (p.zone === "low" || p.zone === "critical-low")
      band += b["critical-low"] === null ? "" : `, critical from ${figure(p.quantity, f.temperature, b["critical-low"])}`;
    const whole = `${text} · ${band}`;
    if (this.zone.dataset.text === whole) return;
    this.zone.dataset.text = whole;
    this.zone.replaceChildren(zoneGlyph(p.zone), h("strong", {}, text), ` · ${band}`);
  }

  drawSpark(p: PointNow, f: Frame): void {
    const trend = sparks.get(p.point);
    this.spark.replaceChildren();
    if (!trend) return;
    const known = trend.mean.map((v, i) => ({ t: trend.t[i]!, v })).filter((s): s is { t: number; v: number } => s.v !== null);
    if (known.length < 2) {
      this.spark.append(h("span", {}, `last ${SPARK_HOURS} h: nothing seen`));
      return;
    }
    this.spark.append(sparkline(trend, p, f.at / 1000), h("span", {}, rate(known, p, f)));
  }
}

// rate says how the value has changed over the last hour.
function rate(known: { t: number; v: number }[], p: PointNow, f: Frame): string {
  const last = known.at(-1)!;
  if (f.at / 1000 - last.t > 1800) return `last ${SPARK_HOURS} h`;
  const before = known.findLast((s) => s.t <= last.t - 3500);
  if (!before || last.t - before.t > 5400) return `last ${SPARK_HOURS} h`;
  const text = difference(p.quantity, f.temperature, last.v - before.v);
  const flat = /^−?[0.]+$/.test(text);
  return flat ? "steady for 1 h" : `${text.startsWith("−") ? text : "+" + text} ${unitOf(p.quantity, f.temperature)} in 1 h`;
}

function sparkline(trend: PointTrend, p: PointNow, now: number): SVGSVGElement {
  const b = p.band;
  const width = 150,
    height = 34,
    from = now - SPARK_HOURS * 3600;
  const values = trend.mean.filter((v): v is number => v !== null);
  let low = Math.min(...values),
    high = Math.max(...values);
  const edges = [b?.low ?? b?.["critical-low"] ?? null, b?.high ?? b?.["critical-high"] ?? null];
  for (const edge of edges) {
    // limits that are near belong into the picture
    if (edge !== null && edge > low - 2 * (high - low) - 0.5 && edge < high + 2 * (high - low) + 0.5) {
      low = Math.min(low, edge);
      high = Math.max(high, edge);
    }
  }
  const pad = Math.max((high - low) * 0.08, 1e-9);
  const x = (t: number): number => (width * (t - from)) / (SPARK_HOURS * 3600);
  const y = (v: number): number => height - 2 - ((height - 4) * (v - low + pad)) / (high - low + 2 * pad);
  let path = "",
    open = false;
  trend.mean.forEach((v, i) => {
    if (v === null) {
      open = false;
      return;
    }
    path += `${open ? "L" : "M"}${x(trend.t[i]!).toFixed(1)} ${y(v).toFixed(1)}`;
    open = true;
  });
  const picture = svg("svg", { viewBox: `0 0 ${width} ${height}`, preserveAspectRatio: "none", "aria-hidden": "true", focusable: "false" });
  const top = edges[1] === null || edges[1]! > high + pad ? 0 : Math.max(0, y(edges[1]!));
  const bottom = edges[0] === null || edges[0]! < low - pad ? height : Math.min(height, y(edges[0]!));
  if (bottom > top) picture.append(svg("rect", { class: "inside", x: 0, width, y: top, height: bottom - top }));
  picture.append(svg("path", { d: path, class: "trace" }));
  return picture;
}

// Place shows a place with its points.
class Place {
  readonly element = h("section", { class: "place" });
  private readonly title = h("h2");
  private readonly tenants = h("p", { class: "tenants" });
  private readonly rows = h("div");
  private readonly others = h("p", { class: "others" });
  private readonly shown = new Map<string, Row>();

  constructor() {
    this.element.append(h("div", { class: "place-head" }, this.title, this.tenants), this.rows, this.others);
  }

  update(place: PlaceNow, f: Frame): void {
    say(this.title, place.id);
    const cohorts = place.cohorts.filter((c) => c.stage);
    const who = cohorts.map(
      (c) =>
        `${c.id}: ${c.stage}${c.gosner ? ` (Gosner ${c.gosner})` : ""}` +
        (c.since ? `, ${lasting((f.at - Date.parse(c.since)) / 1000).replace(/ \d+ h$/, "")}` : ""),
    );
    const lead = place.title && place.title.toLowerCase() !== place.id ? [place.title] : place.room ? ["room"] : [];
    say(this.tenants, [...lead, ...who].join(" · "));
    const banded = place.points.filter((p) => p.band);
    arrange(
      this.rows,
      banded.map((p) => {
        let row = this.shown.get(p.point);
        if (!row) {
          this.shown.set(p.point, (row = new Row(p.point)));
          row.drawSpark(p, f);
        }
        row.update(p, f);
        return row.element;
      }),
    );
    this.element.classList.toggle("bare", !banded.length);
    this.otherPoints(
      place.points.filter((p) => !p.band),
      banded.length > 0,
      f,
    );
  }

  // otherPoints lists what has no band: it is measured and recorded, and nothing is judged.
  private otherPoints(points: PointNow[], also: boolean, f: Frame): void {
    const text = points.map((p) => p.point + (p.value === null ? "" : figure(p.quantity, f.temperature, p.value))).join() + f.temperature;
    if (this.others.dataset.text === text) return;
    this.others.dataset.text = text;
    this.others.hidden = !points.length;
    const focused = this.others.contains(document.activeElement)
      ? (document.activeElement as HTMLAnchorElement).getAttribute("href")
      : null;
    this.others.replaceChildren(also ? "Without a band: " : "");
    points.forEach((p, i) => {
      if (i) this.others.append(" · ");
      this.others.append(
        h("a", { href: trendLink(p.point) }, quantityWords(p.quantity)),
        " ",
        p.value === null
          ? h("b", { class: "gone" }, zoneGlyph("unknown"), "not known")
          : h("b", {}, withUnit(p.quantity, f.temperature, p.value)),
      );
    });
    if (focused) this.others.querySelector<HTMLAnchorElement>(`a[href="${CSS.escape(focused)}"]`)?.focus();
  }

  drawSparks(place: PlaceNow, f: Frame): void {
    for (const p of place.points) this.shown.get(p.point)?.drawSpark(p, f);
  }
}

const summary = h("div", { class: "summary" });
const list = h("div", { class: "places" });
const places = new Map<string, Place>();

function showSummary(f: Frame): void {
  const points = f.now!.places.flatMap((p) => p.points);
  const count: Partial<Record<Zone, number>> = {};
  let bandless = 0;
  for (const p of points) {
    if (!p.band) bandless++;
    else count[p.zone] = (count[p.zone] ?? 0) + 1;
  }
  const calling = f.now!.alarms.filter((a) => ["B", "D", "E"].includes(a.state));
  calling.sort(byUrgency);
  const quiet = f.now!.alarms.filter((a) => !["B", "D", "E"].includes(a.state) && (a.active || a.state !== "H")).length;
  const key = JSON.stringify([count, bandless, calling.map((a) => [a.alarm, a.state]), quiet, f.lost]);
  if (summary.dataset.key === key) return;
  summary.dataset.key = key;
  const zones: Zone[] = ["critical-high", "critical-low", "high", "low", "unknown", "in-band", "no-band"];
  const words: Record<Zone, string> = { ...zoneWords, unknown: "not known" };
  summary.replaceChildren(
    h(
      "ul",
      { class: "tally", "aria-label": "Points by zone" },
      ...zones.filter((z) => count[z]).map((z) => h("li", { "data-zone": z }, zoneGlyph(z), h("b", {}, String(count[z])), ` ${words[z]}`)),
      bandless > 0 && h("li", {}, h("b", {}, String(bandless)), " without a band"),
    ),
    calling.length
      ? h(
          "div",
          { class: "calling" },
          h("h2", {}, calling.length === 1 ? "One alarm waits for you" : `${calling.length} alarms wait for you`),
          h(
            "ul",
            {},
            ...calling
              .slice(0, 6)
              .map((a) =>
                h(
                  "li",
                  {},
                  priorityGlyph(a.priority),
                  h("a", { href: "/alarms" }, alarmTitle(a.alarm)),
                  ` ${a.priority}, ${a.active ? "still active" : "over, not confirmed"}`,
                ),
              ),
            calling.length > 6 && h("li", {}, h("a", { href: "/alarms" }, `and ${calling.length - 6} more`)),
          ),
        )
      : h(
          "p",
          { class: "no-calls" },
          "No alarm waits for you.",
          quiet ? " " : "",
          quiet > 0 &&
            h("a", { href: "/alarms" }, quiet === 1 ? "One is acknowledged or silenced." : `${quiet} are acknowledged or silenced.`),
        ),
  );
}

function show(f: Frame): void {
  if (!list.isConnected) byId("page").replaceChildren(summary, list);
  showSummary(f);
  arrange(
    list,
    f
      .now!.places.filter((p) => p.points.length || p.cohorts.length)
      .map((place) => {
        let shown = places.get(place.id);
        if (!shown) places.set(place.id, (shown = new Place()));
        shown.update(place, f);
        return shown.element;
      }),
  );
}

let sparksAt = -Infinity;
let sparkUnit = "";

async function refreshSparks(f: Frame): Promise<void> {
  if (!f.now?.history || f.lost || performance.now() - sparksAt < SPARK_EVERY_MS) return;
  sparksAt = performance.now();
  const points = f.now.places
    .flatMap((p) => p.points)
    .filter((p) => p.band)
    .map((p) => p.point);
  const range = `from=${new Date(f.at - SPARK_HOURS * 3600e3).toISOString()}&to=${new Date(f.at).toISOString()}&columns=${SPARK_COLUMNS}`;
  for (let i = 0; i < points.length; i += 16) {
    try {
      const trend = await get<Trend>(
        `/api/trend?${points
          .slice(i, i + 16)
          .map((p) => "point=" + p)
          .join("&")}&${range}`,
      );
      for (const p of trend.points) sparks.set(p.point, p);
    } catch {
      // the next round tries again; a line that is lost says so by itself
      return;
    }
  }
  drawSparks(frame);
}

function drawSparks(f: Frame): void {
  sparkUnit = f.temperature;
  for (const place of f.now?.places ?? []) places.get(place.id)?.drawSparks(place, f);
}

start();
onChange((f) => {
  show(f);
  if (sparkUnit !== f.temperature) drawSparks(f);
  void refreshSparks(f);
});
