// A place: one line of what it is like there, and each of its points with its band when the line is opened.

import type { PlaceNow, PointNow, Zone } from "./api";
import { arrange, h, mark, say } from "./dom";
import type { Frame } from "./frame";
import { gauge } from "./gauge";
import { zoneGlyph } from "./glyph";
import { otherName, placeName } from "./names";
import { direction, RECENT_HOURS, sparkline } from "./recent";
import { clockSeconds, lasting, since } from "./time";
import { bandText, difference, figure, unitOf, withUnit } from "./units";
import { quantityWords, zoneWords } from "./words";

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
      h("h4", {}, this.name),
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
    const line = sparkline(p, f);
    this.spark.replaceChildren(...(line ? [line, h("span", {}, direction(p, f) || `last ${RECENT_HOURS} h`)] : []));
  }
}

export const severity: Zone[] = ["critical-high", "critical-low", "high", "low", "unknown", "in-band", "no-band"];

export const inhabited = (p: PlaceNow): boolean => !p.room && p.cohorts.some((c) => c.stage);
export const outside = (zone: Zone): boolean => severity.indexOf(zone) < 4;

// worstZone is the zone of a place that matters first.
export const worstZone = (p: PlaceNow): Zone =>
  p.points
    .filter((x) => x.band)
    .map((x) => x.zone)
    .sort((a, b) => severity.indexOf(a) - severity.indexOf(b))[0] ?? "no-band";

// Place shows a place in one line, and its points when it is opened.
export class Place {
  readonly element = h("details", { class: "place" });
  private readonly line = h("summary");
  private readonly tenants = h("p", { class: "tenants" });
  private readonly rows = h("div");
  private readonly others = h("p", { class: "others" });
  private readonly humid = h("a", {}, "Humidity and misting: the days, and what another schedule would bring");
  private readonly further = h("p", { class: "others", hidden: true }, this.humid);
  private readonly shown = new Map<string, Row>();
  private readonly careText = h("div");
  private readonly care = h(
    "details",
    { class: "care", hidden: true, toggle: () => this.showCare() },
    h("summary", {}, "What to see and do at this stage"),
    this.careText,
  );
  private animals = "";

  constructor(private readonly id: string) {
    this.element.append(this.line, this.tenants, this.rows, this.others, this.further, this.care);
  }

  // showCare says what the care profile says about the animals of the place, while that is open.
  private showCare(): void {
    if (this.care.open) void import("./stagecare").then((m) => m.showCare(this.careText, this.id));
  }

  // showLine writes the one line: where, who, and the values that have a band.
  private showLine(place: PlaceNow, banded: PointNow[], f: Frame): void {
    const zone = worstZone(place),
      who =
        place.cohorts
          .filter((c) => c.stage)
          .map((c) => c.stage)
          .join(", ") || (place.room ? "room" : "");
    const out = banded.filter((p) => outside(p.zone)).sort((a, b) => severity.indexOf(a.zone) - severity.indexOf(b.zone));
    const values = (out.length ? out : banded.length ? banded : place.points).slice(0, 2).map((p) => ({
      zone: p.zone,
      band: p.band !== null,
      text: withUnit(p.quantity, f.temperature, p.value),
      name: quantityWords(p.quantity),
    }));
    const key = JSON.stringify([zone, who, values]);
    if (this.line.dataset.key === key) return;
    this.line.dataset.key = key;
    this.line.replaceChildren(
      zoneGlyph(zone),
      h("h3", {}, placeName(place.id)),
      h("span", { class: "dim" }, who),
      h(
        "span",
        { class: "values" },
        ...values.map((v) =>
          h(
            "span",
            { "data-zone": v.band ? v.zone : "no-band" },
            h("span", { class: "unseen" }, v.name + " "),
            h("b", {}, v.text),
            v.band && outside(v.zone) ? h("span", {}, ` ${zoneWords[v.zone]}`) : "",
            " ",
          ),
        ),
      ),
    );
  }

  update(place: PlaceNow, f: Frame): void {
    const cohorts = place.cohorts.filter((c) => c.stage);
    const who = cohorts.map(
      (c) =>
        `${c.id}: ${c.stage}${c.gosner ? ` (Gosner ${c.gosner})` : ""}` +
        (c.since ? `, ${lasting((f.at - Date.parse(c.since)) / 1000).replace(/ \d+ h$/, "")}` : ""),
    );
    const lead = [otherName(place.id), place.room ? "room" : ""].filter(Boolean);
    say(this.tenants, [...lead, ...who].join(" · "));
    const animals = cohorts.map((c) => c.id + c.stage).join();
    if (animals !== this.animals) {
      this.animals = animals;
      this.care.hidden = !animals;
      this.showCare();
    }
    const banded = place.points.filter((p) => p.band);
    this.humid.href = `/humidity/${place.id}`;
    this.further.hidden = place.room || !f.now!.history || !place.points.some((p) => p.quantity === "relative-humidity");
    this.showLine(place, banded, f);
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
