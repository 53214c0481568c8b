// The last hours of points: a small line, and which way the value goes.

import { get, type PointNow, type PointTrend, type Trend } from "./api";
import { svg } from "./dom";
import type { Frame } from "./frame";
import { difference, unitOf } from "./units";

export const RECENT_HOURS = 6;
const COLUMNS = 72;
const EVERY_MS = 60e3;
const POINTS_AT_ONCE = 16;

const trends = new Map<string, PointTrend>();
let askedAt = -Infinity;
let askedFor = "";

// recentOf returns the last hours of a point, undefined before they have come.
export const recentOf = (point: string): PointTrend | undefined => trends.get(point);

// refreshRecent asks for the last hours of points, at most once a minute unless there is a new one, and calls drawn when they have come.
export async function refreshRecent(f: Frame, points: string[], drawn: () => void): Promise<void> {
  const unknown = points.filter((p) => !trends.has(p)).join();
  if (!f.now?.history || f.lost || document.hidden || !points.length) return;
  if (performance.now() - askedAt < EVERY_MS && (!unknown || unknown === askedFor)) return;
  askedAt = performance.now();
  askedFor = unknown;
  const range = `from=${new Date(f.at - RECENT_HOURS * 3600e3).toISOString()}&to=${new Date(f.at).toISOString()}&columns=${COLUMNS}`;
  for (let i = 0; i < points.length; i += POINTS_AT_ONCE) {
    try {
      const trend = await get<Trend>(
        `/api/trend?${points
          .slice(i, i + POINTS_AT_ONCE)
          .map((p) => "point=" + p)
          .join("&")}&${range}`,
      );
      for (const p of trend.points) trends.set(p.point, p);
    } catch {
      // the next round tries again; a line that is lost says so by itself
      return;
    }
  }
  drawn();
}

// direction says how the value has changed over the last hour, "" where that is not known.
export function direction(p: PointNow, f: Frame): string {
  const trend = trends.get(p.point);
  if (!trend) return "";
  const known = trend.mean.flatMap((v, i) => (v === null ? [] : [{ t: trend.t[i]!, v }])),
    last = known.at(-1);
  if (!last || f.at / 1000 - last.t > 1800) return "";
  const before = known.findLast((s) => s.t <= last.t - 3500);
  if (!before || last.t - before.t > 5400) return "";
  const text = difference(p.quantity, f.temperature, last.v - before.v);
  if (/^−?[0.]+$/.test(text)) return "steady for 1 h";
  const up = !text.startsWith("−");
  return `${up ? "rising, +" : "falling, "}${text} ${unitOf(p.quantity, f.temperature)} in 1 h`;
}

// sparkline draws the last hours of a point over its band; null where fewer than two values were seen.
export function sparkline(p: PointNow, f: Frame): SVGSVGElement | null {
  const trend = trends.get(p.point);
  if (!trend || trend.mean.filter((v) => v !== null).length < 2) return null;
  const b = p.band;
  const width = 150,
    height = 34,
    from = f.at / 1000 - RECENT_HOURS * 3600;
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
  const x = (t: number): number => (width * (t - from)) / (RECENT_HOURS * 3600);
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
