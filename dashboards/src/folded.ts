// The drawings of the humidity page: the strips of the days, and the day that is folded from them.

import type { HumidityDay, HumidityPage, HumiditySpan } from "./api";
import { svg } from "./dom";

const DAY_MIN = 1440;
const percent = (minute: number): string => `${((100 * minute) / DAY_MIN).toFixed(3)}%`;

// Where a zone is drawn in a strip says it without colour: the band is a rail, what is below hangs under it, what is above is over it.
const RAIL = 26;
const blocks: Record<string, { name: string; y: number; height: number } | undefined> = {
  i: { name: "in-band", y: RAIL, height: 5 },
  l: { name: "low", y: RAIL, height: 11 },
  L: { name: "critical-low", y: RAIL, height: 18 },
  h: { name: "high", y: RAIL - 6, height: 11 },
  H: { name: "critical-high", y: RAIL - 12, height: 17 },
  n: { name: "no-band", y: RAIL + 2, height: 1 },
};
const STRIP = 46;

export type DropState = HumidityDay["mistings"][number]["state"];

// drop draws a misting: filled when it is on record, open when it was only seen, crossed when it was missed, with a pool when it stuck.
export function drop(state: DropState): SVGElement {
  const shape = "M0 0C3.4 4.6 5 7 5 9.4A5 5 0 0 1-5 9.4C-5 7-3.4 4.6 0 0Z";
  const mark = svg("g", { class: "mist", "data-state": state }, svg("path", { d: shape }));
  if (state === "missed") mark.append(svg("path", { class: "cross", d: "M-6 1 6 14M6 1-6 14" }));
  if (state === "stuck") mark.append(svg("path", { class: "pool", d: "M-7 16.5H22" }));
  return mark;
}

// strip draws a day: night, zones, mistings and, where the schedule was changed, a flag.
export function strip(page: HumidityPage, day: HumidityDay, changed: number[], words: string): SVGSVGElement {
  const picture = svg("svg", { class: "strip", height: STRIP, role: "img", "aria-label": words });
  for (const [from, to] of page.night)
    picture.append(svg("rect", { class: "dark", x: percent(from), width: percent(to - from), y: 0, height: STRIP }));
  for (const hour of [6, 12, 18])
    picture.append(svg("line", { class: "hour", x1: percent(hour * 60), x2: percent(hour * 60), y1: 0, y2: STRIP }));
  for (let i = 0; i < day.zones.length;) {
    const zone = day.zones[i]!;
    let j = i + 1;
    while (day.zones[j] === zone) j++;
    const block = blocks[zone];
    if (block)
      picture.append(
        svg("rect", {
          "data-zone": block.name,
          x: percent(i * page.cell_min),
          width: percent((j - i) * page.cell_min),
          y: block.y,
          height: block.height,
        }),
      );
    i = j;
  }
  for (const minute of changed)
    picture.append(
      svg("svg", { x: percent(minute), y: 0, overflow: "visible", class: "change" }, svg("path", { d: `M0 ${STRIP}V1L9 4.5 0 8` })),
    );
  for (const m of day.mistings) picture.append(svg("svg", { x: percent(m.minute), y: 3, overflow: "visible" }, drop(m.state)));
  return picture;
}

const HEIGHT = 240;
const LEFT = 34;
const BOTTOM = 20;
const TOP = 6;

// foldedDay draws the usual day of one or two spans, with the range of four of five days.
export function foldedDay(page: HumidityPage, width: number, words: string): SVGSVGElement {
  const picture = svg("svg", { class: "folded", width, height: HEIGHT, role: "img", "aria-label": words });
  const spans: [HumiditySpan, string][] = page.against ? [[page.against, "against"]] : [];
  spans.push([page.this, "this"]);
  const values = [...spans.flatMap(([s]) => [...s.low, ...s.high]), ...page.limits.low].filter((v): v is number => v !== null);
  const low = Math.max(0, Math.floor((Math.min(...values, 100) - 3) / 10) * 10);
  const x = (minute: number): number => LEFT + ((width - LEFT - 6) * minute) / DAY_MIN;
  const y = (v: number): number => TOP + ((HEIGHT - TOP - BOTTOM) * (100 - v)) / (100 - low || 1);
  for (const [from, to] of page.night)
    picture.append(svg("rect", { class: "dark", x: x(from), width: x(to) - x(from), y: TOP, height: HEIGHT - TOP - BOTTOM }));
  for (let v = low; v <= 100; v += low >= 60 ? 10 : 20) {
    picture.append(svg("line", { class: "hour", x1: LEFT, x2: width - 6, y1: y(v), y2: y(v) }));
    picture.append(svg("text", { x: LEFT - 6, y: y(v) + 4, "text-anchor": "end" }, String(v)));
  }
  for (let hour = 0; hour <= 24; hour += width < 420 ? 6 : 3)
    picture.append(
      svg("text", { x: x(hour * 60), y: HEIGHT - 4, "text-anchor": hour === 24 ? "end" : hour === 0 ? "start" : "middle" }, `${hour}`),
    );
  const middle = (i: number): number => x((i + 0.5) * page.cell_min);
  const stairs = (limits: (number | null)[]): string =>
    runs(limits)
      .map((run) => "M" + run.map((i) => `${x(i * page.cell_min)} ${y(limits[i]!)}H${x((i + 1) * page.cell_min)}`).join("L"))
      .join("");
  for (const [span, name] of spans) {
    const area = runs(span.low)
      .map((run) => {
        const along = (of: (number | null)[], order: number[]): string => order.map((i) => `${middle(i)} ${y(of[i]!)}`).join("L");
        return `M${along(span.high, run)}L${along(span.low, [...run].reverse())}Z`;
      })
      .join("");
    const line = runs(span.median)
      .map((run) => "M" + run.map((i) => `${middle(i)} ${y(span.median[i]!)}`).join("L"))
      .join("");
    picture.append(
      svg("path", { class: "ribbon", "data-span": name, d: area }),
      svg("path", { class: "median", "data-span": name, d: line }),
    );
  }
  picture.append(svg("path", { class: "limit", d: stairs(page.limits.low) }), svg("path", { class: "limit", d: stairs(page.limits.high) }));
  return picture;
}

// runs returns the stretches of cells that are known.
function runs(values: (number | null)[]): number[][] {
  const found: number[][] = [];
  let open: number[] | null = null;
  values.forEach((v, i) => {
    if (v === null) open = null;
    else if (open) open.push(i);
    else found.push((open = [i]));
  });
  return found;
}
