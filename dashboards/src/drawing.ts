// The charts as one SVG file, for paper and for reports: title, bands, envelope, mean, axes, captions and legend.

import type { PointTrend } from "./api";
import { BESIDE, type Chart, type Range } from "./chart";
import { svg } from "./dom";
import { moment } from "./time";

const WIDTH = 960;
const HEIGHT = 260;
const LEFT = 56;
const RIGHT = 16;
const TIME_TICKS = 6;
const VALUE_TICKS = 5;
const LINE_CHARACTERS = 130;

// Scene is what a chart shows, in the unit of the keeper.
export interface Scene {
  title: string;
  caption: string;
  trend: PointTrend;
  beside: PointTrend[]; // drawn together with it
  known: Range[];
  column: number; // milliseconds
  wide: boolean; // each column is drawn as one
  range: Range;
  values: [number, number]; // of the axis
  of: (canonical: number) => number;
  zone: string;
}

// drawing returns the charts below each other as the text of an SVG file.
export function drawing(title: string, charts: Chart[], legend: string): string {
  const style = getComputedStyle(document.documentElement),
    colour = (name: string): string => style.getPropertyValue("--" + name).trim();
  const picture = svg("svg", { xmlns: "http://www.w3.org/2000/svg", "font-family": "sans-serif", "font-size": 13 });
  const paper = svg("rect", { width: WIDTH, fill: colour("paper") });
  picture.append(svg("title", {}, title), paper);
  let y = 8;
  const write = (text: string, size: number, weight: number): void => {
    for (const line of wrapped(text)) {
      y += size * 1.4;
      picture.append(svg("text", { x: RIGHT, y, "font-size": size, "font-weight": weight, fill: colour("ink") }, line));
    }
  };
  write(title, 16, 600);
  for (const [i, chart] of charts.entries()) {
    const scene = chart.scene();
    if (!scene) continue;
    write(scene.title, 15, 600);
    picture.append(plot(scene, y + 8, `clip-${i}`, colour));
    y += HEIGHT + 34;
    write(scene.caption, 12, 400);
    y += 10;
  }
  write(legend, 12, 400);
  y += 16;
  picture.setAttribute("viewBox", `0 0 ${WIDTH} ${Math.ceil(y)}`);
  picture.setAttribute("width", String(WIDTH));
  paper.setAttribute("height", String(Math.ceil(y)));
  return new XMLSerializer().serializeToString(picture);
}

function wrapped(text: string): string[] {
  const lines = [""];
  for (const word of text.split(" ")) {
    if (`${lines.at(-1)} ${word}`.length > LINE_CHARACTERS) lines.push(word);
    else lines[lines.length - 1] = `${lines.at(-1)} ${word}`.trim();
  }
  return lines;
}

function plot(s: Scene, top: number, id: string, colour: (name: string) => string): SVGElement {
  const width = WIDTH - LEFT - RIGHT,
    [low, high] = s.values;
  const within = (v: number, size: number): number => Math.round(Math.min(size, Math.max(0, v)) * 10) / 10;
  const x = (ms: number): number => within((width * (ms - s.range.from)) / (s.range.to - s.range.from), width);
  const y = (shown: number): number => within((HEIGHT * (high - shown)) / (high - low), HEIGHT);
  const area = svg("g", { transform: `translate(${LEFT} ${top})` });
  area.append(svg("rect", { width, height: HEIGHT, fill: colour("sheet"), stroke: colour("rule") }));
  const path = envelope(s, x, y);
  const shape = (fill: string, opacity: number, clip: string | null): SVGElement =>
    svg("path", { d: path, fill, stroke: fill, "stroke-width": 1.5, opacity, "clip-path": clip });
  const beyond: SVGElement[] = [],
    lines: SVGElement[] = [];
  s.trend.bands.forEach((b, k) => {
    if (!b.limits) return;
    const { low, high, "critical-low": lowest, "critical-high": highest } = b.limits,
      left = x(Date.parse(b.from)),
      length = x(Date.parse(b.to)) - left;
    if (length <= 0) return;
    const at = (v: number | null, otherwise: number): number => (v === null ? otherwise : y(s.of(v)));
    const upper = at(high ?? highest, 0),
      lower = at(low ?? lowest, HEIGHT);
    for (const known of s.known) {
      const from = Math.max(left, x(known.from)),
        span = Math.min(left + length, x(known.to)) - from;
      if (span <= 0) continue;
      area.append(svg("rect", { x: from, width: span, y: upper, height: lower - upper, fill: colour("band"), stroke: colour("bandline") }));
      for (const v of [lowest, highest]) {
        const dashed = { stroke: colour("rust"), "stroke-dasharray": "5 4" };
        if (v !== null) lines.push(svg("line", { x1: from, x2: from + span, y1: at(v, 0), y2: at(v, 0), ...dashed }));
      }
    }
    const parts: [string, number, number][] = [
      ["ochre", 0, high === null && highest === null ? 0 : upper],
      ["rust", 0, at(highest, 0)],
      ["slate", low === null && lowest === null ? HEIGHT : lower, HEIGHT],
    ];
    for (const [name, from, to] of parts) {
      if (to <= from) continue;
      const clip = svg("clipPath", { id: `${id}-${k}-${name}` }, svg("rect", { x: left, width: length, y: from, height: to - from }));
      beyond.push(clip, shape(colour(name), 1, `url(#${id}-${k}-${name})`));
    }
  });
  area.append(
    shape(colour("ink"), 0.35, null),
    ...beyond,
    ...lines,
    svg("path", { d: mean(s, x, y), fill: "none", stroke: colour("ink") }),
    ...s.beside.map((trend, i) => {
      const { ink, dash } = BESIDE[i]!;
      return svg("path", { d: mean({ ...s, trend }, x, y), fill: "none", stroke: colour(ink), "stroke-dasharray": dash.join(" ") });
    }),
  );
  const label = { fill: colour("dim"), "font-size": 12 };
  for (let k = 0; k <= VALUE_TICKS; k++) {
    const v = low + ((high - low) * k) / VALUE_TICKS;
    area.append(svg("line", { x1: -4, x2: 0, y1: y(v), y2: y(v), stroke: colour("edge") }));
    area.append(svg("text", { x: -8, y: y(v) + 4, "text-anchor": "end", ...label }, v.toFixed(high - low < 2 ? 2 : 1).replace("-", "−")));
  }
  for (let k = 0; k <= TIME_TICKS; k++) {
    const ms = s.range.from + ((s.range.to - s.range.from) * k) / TIME_TICKS;
    area.append(svg("line", { x1: x(ms), x2: x(ms), y1: HEIGHT, y2: HEIGHT + 4, stroke: colour("edge") }));
    const anchor = k === 0 ? "start" : k === TIME_TICKS ? "end" : "middle";
    area.append(svg("text", { x: x(ms), y: HEIGHT + 18, "text-anchor": anchor, ...label }, moment(s.zone, ms)));
  }
  return area;
}

// runs returns the stretches of columns between gaps.
function runs(s: Scene): number[][] {
  const found: number[][] = [];
  let open: number[] | null = null;
  s.trend.t.forEach((_, i) => {
    if (s.trend.mean[i] === null || s.trend.mean[i] === undefined) open = null;
    else if (open) open.push(i);
    else found.push((open = [i]));
  });
  return found;
}

function envelope(s: Scene, x: (ms: number) => number, y: (shown: number) => number): string {
  const { t, min, max } = s.trend;
  return runs(s)
    .map((run) => {
      if (s.wide) {
        return run
          .map((i) => {
            const left = x(t[i]! * 1000 - s.column / 2),
              right = x(t[i]! * 1000 + s.column / 2);
            return `M${left} ${y(s.of(max[i]!))}H${right}V${y(s.of(min[i]!))}H${left}Z`;
          })
          .join("");
      }
      const along = (values: (number | null)[], order: number[]): string =>
        order.map((i) => `${x(t[i]! * 1000)} ${y(s.of(values[i]!))}`).join("L");
      return `M${along(max, run)}L${along(min, [...run].reverse())}Z`;
    })
    .join("");
}

const mean = (s: Scene, x: (ms: number) => number, y: (shown: number) => number): string =>
  runs(s)
    .map((run) => "M" + run.map((i) => `${x(s.trend.t[i]! * 1000)} ${y(s.of(s.trend.mean[i]!))}`).join("L"))
    .join("");
