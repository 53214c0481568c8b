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

const priorities: Record<string, { shape: string; solid: boolean }> = {
  critical: { shape: "M5 1H11L15 5V11L11 15H5L1 11V5Z", solid: true },
  high: { shape: "M8 1.5 15 14.5H1Z", solid: true },
  medium: { shape: "M8 2.5 14 13.5H2Z", solid: false },
  low: { shape: "M8 2.5A5.5 5.5 0 1 1 7.99 2.5Z", solid: false },
};

// priorityGlyph draws a filled octagon, a filled triangle, an open triangle or an open circle.
export function priorityGlyph(priority: string): SVGSVGElement {
  const { shape, solid } = priorities[priority] ?? priorities.low!;
  return svg(
    "svg",
    { class: "glyph rank", "data-priority": priority, viewBox: "0 0 16 16", "aria-hidden": "true", focusable: "false" },
    svg("path", { d: shape, class: solid ? "solid" : "open" }),
  );
}
