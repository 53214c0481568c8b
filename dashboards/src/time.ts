// Times are shown in the zone of the site, wherever the reader is.

const formats = new Map<string, Intl.DateTimeFormat>();

function format(zone: string, options: Intl.DateTimeFormatOptions): Intl.DateTimeFormat {
  const key = zone + JSON.stringify(options);
  let f = formats.get(key);
  if (!f) formats.set(key, (f = new Intl.DateTimeFormat("en-GB", { timeZone: zone, hourCycle: "h23", ...options })));
  return f;
}

export const clock = (zone: string, ms: number): string => format(zone, { hour: "2-digit", minute: "2-digit" }).format(ms);
export const clockSeconds = (zone: string, ms: number): string =>
  format(zone, { hour: "2-digit", minute: "2-digit", second: "2-digit" }).format(ms);
export const day = (zone: string, ms: number): string => format(zone, { day: "numeric", month: "short" }).format(ms);
export const dayYear = (zone: string, ms: number): string => format(zone, { day: "numeric", month: "short", year: "numeric" }).format(ms);
export const moment = (zone: string, ms: number): string => `${day(zone, ms)} ${clock(zone, ms)}`;
export const full = (zone: string, ms: number): string => `${dayYear(zone, ms)} ${clock(zone, ms)}`;

// since says a time as shortly as is clear: today by the clock, else with the day, else with the year.
export function since(zone: string, now: number, ms: number): string {
  if (dayYear(zone, now) === dayYear(zone, ms)) return clock(zone, ms);
  return now - ms < 300 * 86400e3 ? moment(zone, ms) : full(zone, ms);
}

export function zoneName(zone: string, ms: number): string {
  const part = format(zone, { timeZoneName: "short" })
    .formatToParts(ms)
    .find((p) => p.type === "timeZoneName");
  return `${zone.replaceAll("_", " ")}${part ? `, ${part.value}` : ""}`;
}

// wall returns what the clocks of the zone show, as if it were UTC.
function wall(zone: string, ms: number): number {
  const parts: Record<string, number> = {};
  const f = format(zone, { year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", second: "2-digit" });
  for (const p of f.formatToParts(ms)) if (p.type !== "literal") parts[p.type] = Number(p.value);
  return Date.UTC(parts.year!, parts.month! - 1, parts.day!, parts.hour!, parts.minute!, parts.second!);
}

// fromWall returns the instant at which the clocks of the zone show the given time; the first one where they do twice.
export function fromWall(zone: string, shown: number): number {
  let at = shown;
  for (let i = 0; i < 3; i++) at += shown - wall(zone, at);
  const earlier = at - 3600e3;
  return wall(zone, earlier) === shown ? earlier : at;
}

// A local time as the inputs of the browser take it: 2026-07-14T13:00.
export const toInput = (zone: string, ms: number): string => new Date(wall(zone, ms)).toISOString().slice(0, 16);

export function fromInput(zone: string, text: string): number {
  const shown = Date.parse(text + (text.length === 10 ? "T00:00Z" : "Z"));
  return Number.isNaN(shown) ? NaN : fromWall(zone, shown);
}

// daysBefore moves a time by whole local days, so that seven days before nine in the morning is nine in the morning.
export function daysBefore(zone: string, ms: number, days: number): number {
  const second = Math.floor(ms / 1000) * 1000;
  return fromWall(zone, wall(zone, second) - days * 86400e3) + (ms - second);
}

// lasting says a length of time in at most two units.
export function lasting(seconds: number): string {
  const s = Math.max(0, Math.round(seconds));
  if (s < 60) return `${s} s`;
  const minutes = Math.round(s / 60);
  if (minutes < 60) return `${minutes} min`;
  if (minutes < 48 * 60) {
    const rest = minutes % 60;
    return `${Math.floor(minutes / 60)} h${rest ? ` ${rest} min` : ""}`;
  }
  const hours = Math.round(s / 3600);
  return `${Math.floor(hours / 24)} d${hours % 24 ? ` ${hours % 24} h` : ""}`;
}
