// The bar that shows where a value is in its band: the band as a thick stretch between its two limits, the critical limits
// as double ticks, and a drop that hangs at the value, with the uncertainty of the value as a whisker below it.

import type { PointNow } from "./api";
import { svg } from "./dom";
import { figure, type Temperature } from "./units";

export function gauge(p: PointNow, t: Temperature): SVGSVGElement {
  const b = p.band!;
  const limits = [b["critical-low"], b.low, b.high, b["critical-high"]].filter((v): v is number => v !== null);
  let lowest = Math.min(...limits),
    highest = Math.max(...limits);
  const width = highest - lowest || Math.max(1, Math.abs(highest) * 0.1);
  const percent = p.quantity === "relative-humidity";
  lowest -= width * (b["critical-low"] === null && b.low === null ? 0.9 : 0.22);
  highest += width * (b["critical-high"] === null && b.high === null ? 0.9 : 0.22);
  if (percent) {
    highest = Math.min(highest, 101);
    lowest = Math.max(lowest, 0);
  }
  const x = (v: number): number => Math.min(98.5, Math.max(1.5, 2 + (96 * (v - lowest)) / (highest - lowest)));
  const at = (v: number): string => `${x(v).toFixed(2)}%`;

  const picture = svg("svg", { class: "gauge", "aria-hidden": "true", focusable: "false", width: "100%", height: 46 });
  picture.append(svg("line", { class: "track", x1: "1%", x2: "99%", y1: 25, y2: 25 }));
  const low = b.low ?? b["critical-low"],
    high = b.high ?? b["critical-high"];
  const from = low === null ? 1 : x(low),
    to = high === null ? 99 : x(high);
  picture.append(svg("rect", { class: "inside", x: `${from}%`, width: `${Math.max(0.5, to - from)}%`, y: 20, height: 10 }));
  const tick = (v: number, kind: string): void => {
    picture.append(svg("line", { class: kind, x1: at(v), x2: at(v), y1: 17, y2: 33 }));
  };
  for (const v of [b.low, b.high]) if (v !== null) tick(v, "limit");
  for (const v of [b["critical-low"], b["critical-high"]]) {
    if (v === null) continue;
    tick(v, "critical");
    picture.append(svg("svg", { x: at(v), y: 17, overflow: "visible" }, svg("line", { class: "critical", x1: 3, x2: 3, y1: 0, y2: 16 })));
  }
  // Figures stand under the limits; one that would run into its neighbour is left out, the inner ones first in line.
  const used: number[] = [];
  for (const v of [b.low, b.high, b["critical-low"], b["critical-high"]]) {
    if (v === null || used.some((other) => Math.abs(other - x(v)) < 15)) continue;
    used.push(x(v));
    picture.append(svg("text", { x: `${Math.min(94, Math.max(6, x(v)))}%`, y: 44, "text-anchor": "middle" }, figure(p.quantity, t, v)));
  }
  if (p.value !== null) {
    if (p.accuracy > 0)
      picture.append(svg("line", { class: "whisker", x1: at(p.value - p.accuracy), x2: at(p.value + p.accuracy), y1: 25, y2: 25 }));
    picture.append(
      svg(
        "svg",
        { x: at(p.value), y: 25, overflow: "visible" },
        svg("path", { class: "drop", "data-zone": p.zone, d: "M0 1C-2-7-6.5-10-6.5-15.5A6.5 6.5 0 0 1 6.5-15.5C6.5-10 2-7 0 1Z" }),
      ),
    );
  }
  return picture;
}
