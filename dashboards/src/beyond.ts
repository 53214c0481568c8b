// Times beyond a limit of one's own, worked out from the columns of a trend.

import type { PointTrend } from "./api";
import type { Range } from "./chart";

// Beyond is a limit of one's own, in the canonical unit of its point.
export interface Beyond {
  point: string;
  side: "above" | "below";
  value: number;
}

// Excursion is a stretch beyond it, in milliseconds, with the value that was furthest out.
export interface Excursion extends Range {
  worst: number;
  at: number;
}

// excursionsOf finds the stretches of columns whose extreme is beyond a limit. A gap ends a stretch. Its ends are those of its columns.
export function excursionsOf(trend: PointTrend, column: number, range: Range, side: "above" | "below", limit: number): Excursion[] {
  const values = side === "above" ? trend.max : trend.min,
    further = (a: number, b: number): boolean => (side === "above" ? a > b : a < b),
    extreme = side === "above" ? trend.highest : trend.lowest,
    found: Excursion[] = [];
  let open: Excursion | null = null;
  trend.t.forEach((t, i) => {
    const v = values[i];
    if (v === null || v === undefined || !further(v, limit)) {
      open = null;
      return;
    }
    const from = Math.max(range.from, t * 1000 - column / 2),
      to = Math.min(range.to, t * 1000 + column / 2);
    if (!open) found.push((open = { from, to, worst: v, at: t * 1000 }));
    open.to = to;
    if (further(v, open.worst)) [open.worst, open.at] = [v, t * 1000];
  });
  for (const e of found) {
    const at = extreme ? Date.parse(extreme.at) : NaN; // known to the reading
    if (extreme && at >= e.from && at < e.to && !further(e.worst, extreme.value)) e.at = at;
  }
  return found;
}

// usualLimit is the limit in force at the end of the range: the upper one where there is one.
export function usualLimit(trend: PointTrend): Beyond | null {
  const l = trend.bands.findLast((b) => b.limits)?.limits;
  if (!l) return null;
  const high = l.high ?? l["critical-high"],
    low = l.low ?? l["critical-low"];
  if (high !== null) return { point: trend.point, side: "above", value: high };
  return low === null ? null : { point: trend.point, side: "below", value: low };
}
