// Shapes that say a zone or a priority without colour.

import type { Zone } from "./api";
import { svg } from "./dom";

const shapes: Record<Zone, string> = {
  "in-band": "M2 8.5 6 12.5 14 3.5",
  low: "M2 4H14L8 13Z",
  high: "M2 12H14L8 3Z",
  "critical-low": "M2 1H14L8 8ZM2 8H14L8 15Z",
  "critical-high": "M2 8H14L8 1ZM2 15H14L8 8Z",
  "no-band": "M3 8H13",
  unknown: "M5 5.5A3 3 0 1 1 8 8.5V10.5M8 13V13.6",
};

export function zoneGlyph(zone: Zone): SVGSVGElement {
  const open = zone === "in-band" || zone === "no-band" || zone === "unknown";
  return svg(
    "svg",
    { class: "glyph", "data-zone": zone, viewBox: "0 0 16 16", "aria-hidden": "true", focusable: "false" },
    svg("path", { d: shapes[zone], class: open ? "open" : "solid" }),
  );
}

// priorityGlyph fills one of four bars for each step.
export function priorityGlyph(priority: string): SVGSVGElement {
  const steps = ["low", "medium", "high", "critical"].indexOf(priority) + 1;
  const bars = [0, 1, 2, 3].map((i) =>
    svg("rect", { x: 1 + i * 5, width: 4, y: 12 - 3 * i, height: 4 + 3 * i, class: i < steps ? "full" : "empty" }),
  );
  return svg(
    "svg",
    { class: "steps", "data-priority": priority, viewBox: "0 0 21 17", "aria-hidden": "true", focusable: "false" },
    ...bars,
  );
}
