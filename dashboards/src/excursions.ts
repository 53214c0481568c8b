// The list of the times that a value was beyond a limit of one's own, in the range of the trend.

import type { Trend } from "./api";
import { excursionsOf, usualLimit, type Beyond, type Excursion } from "./beyond";
import type { Range } from "./chart";
import { h, say } from "./dom";
import { frame } from "./frame";
import { placeName } from "./names";
import { full, lasting, moment } from "./time";
import { convert, difference, figure, fromShown, unitOf, withUnit } from "./units";
import { quantityWords, split } from "./words";

const MAX_ROWS = 60;

interface List {
  section: HTMLElement;
  show: (trend: Trend, beyond: Beyond | null, range: Range) => void;
}

// excursionList makes the section. chosen is called with a limit that a person has typed, zoom with the stretch that was pressed.
export function excursionList(chosen: (beyond: Beyond) => void, zoom: (range: Range) => void): List {
  const point = h("select", { id: "beyond-point", "aria-label": "of" }),
    side = h("select", { id: "beyond-side" }, h("option", { value: "above" }, "above"), h("option", { value: "below" }, "below")),
    value = h("input", { type: "number", id: "beyond-value", step: "any", inputmode: "decimal", "aria-label": "limit" }),
    unit = h("span", { class: "unit" }),
    note = h("p", { class: "dim", role: "status" }),
    rows = h("tbody"),
    table = h("table", {}, h("thead", {}, h("tr", {}, ...["From", "For", "Furthest"].map((t) => h("th", { scope: "col" }, t)))), rows);
  const form = h("form", { class: "inline beyond" }, h("label", { for: "beyond-side" }, "Times"), side, value, unit, point);
  const section = h(
    "section",
    { class: "excursions", "aria-labelledby": "excursions-title", hidden: true },
    h("h2", { id: "excursions-title" }, "Excursions"),
    form,
    note,
    h("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Excursions table" }, table),
  );
  const typed = (): void => {
    const shown = value.valueAsNumber;
    if (Number.isNaN(shown)) return;
    const canonical = fromShown(split(point.value).quantity, frame.temperature, shown);
    chosen({ point: point.value, side: side.value as Beyond["side"], value: Number(canonical.toFixed(4)) });
  };
  form.addEventListener("submit", (event) => event.preventDefault());
  for (const input of [side, value]) input.addEventListener("change", typed);
  let latest: Trend | null = null;
  point.addEventListener("change", () => {
    const other = latest?.points.find((p) => p.point === point.value);
    const usual = other && usualLimit(other);
    if (usual) chosen(usual);
    else value.value = "";
  });

  const show = (trend: Trend, beyond: Beyond | null, range: Range): void => {
    latest = trend;
    const of = trend.points.find((p) => p.point === beyond?.point) ?? trend.points[0];
    section.hidden = !of;
    if (!of) return;
    const names = trend.points.map((p) => p.point);
    if ([...point.options].map((o) => o.value).join() !== names.join()) {
      point.replaceChildren(
        ...trend.points.map((p) =>
          h("option", { value: p.point }, `${placeName(split(p.point).place)}, ${quantityWords(split(p.point).quantity)}`),
        ),
      );
    }
    const q = split(of.point).quantity,
      t = frame.temperature,
      limit = beyond && beyond.point === of.point ? beyond : usualLimit(of);
    point.value = of.point;
    say(unit, unitOf(q, t));
    if (limit) {
      side.value = limit.side;
      if (document.activeElement !== value) value.value = String(Math.round(convert(q, t, limit.value) * 100) / 100);
    }
    table.hidden = !limit;
    if (!limit) {
      say(note, "No limit is in force here: type one of your own.");
      return;
    }
    const column = trend.column_s * 1000,
      found = excursionsOf(of, column, range, limit.side, limit.value),
      all = found.reduce((sum, e) => sum + e.to - e.from, 0);
    table.hidden = !found.length;
    const count = found.length === 1 ? "Once" : `${found.length} times`,
      some = found.length > MAX_ROWS ? ` The longest ${MAX_ROWS} are listed.` : "",
      precision = lasting(Math.max(1, trend.column_s));
    say(
      note,
      found.length ? `${count}, ${lasting(all / 1000)} in all, each to ${precision}.${some}` : "Never in this range, while it was seen.",
    );
    const longest = [...found].sort((a, b) => b.to - b.from - (a.to - a.from)).slice(0, MAX_ROWS);
    const distance = (e: Excursion): string => (limit.side === "above" ? "+" : "−") + difference(q, t, Math.abs(e.worst - limit.value));
    rows.replaceChildren(
      ...longest.map((e) =>
        h(
          "tr",
          {},
          h("th", { scope: "row" }, h("button", { type: "button", class: "link", click: () => zoom(around(e)) }, full(frame.zone, e.from))),
          h("td", {}, lasting((e.to - e.from) / 1000)),
          h("td", {}, `${withUnit(q, t, e.worst)} (${distance(e)}) on ${moment(frame.zone, e.at)}`),
        ),
      ),
    );
    say(table.querySelector("th:nth-child(3)")!, `Furthest, limit ${figure(q, t, limit.value)} ${unitOf(q, t)}`);
  };
  return { section, show };
}

// around is an excursion with as much time before and after it.
function around(e: Excursion): Range {
  const more = Math.max(e.to - e.from, 1800e3);
  return { from: e.from - more, to: e.to + more };
}
