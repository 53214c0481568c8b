// Words for what the server names by its terms.

import type { AlarmNow, Entry, PlaceNow, Zone } from "./api";
import { placeName } from "./names";
import { difference, figure, unitOf, withUnit, type Temperature } from "./units";

export function quantityWords(quantity: string): string {
  switch (quantity) {
    case "relative-humidity":
      return "relative humidity";
    case "pressure":
      return "air pressure";
    case "vapour-pressure-deficit":
      return "vapour-pressure deficit";
    case "oxygen-saturation":
      return "oxygen at saturation";
  }
  return quantity.replaceAll("-", " ");
}

export function split(point: string): { place: string; quantity: string } {
  const at = point.indexOf("/");
  return { place: point.slice(0, at), quantity: point.slice(at + 1) };
}

export const zoneWords: Record<Zone, string> = {
  "critical-low": "critically low",
  low: "below its band",
  "in-band": "in band",
  high: "above its band",
  "critical-high": "critically high",
  "no-band": "no band",
  unknown: "not known",
};

// livesThere names the animals of a place.
export const livesThere = (p: PlaceNow): string =>
  p.cohorts
    .filter((c) => c.stage)
    .map((c) => `${c.id}, ${c.stage}`)
    .join(" · ");

const limitWords: Record<string, string> = {
  "critical-low": "critically low",
  low: "too low",
  high: "too high",
  "critical-high": "critically high",
  stale: "no readings",
  rising: "will soon be too high",
  falling: "will soon be too low",
  fault: "sensor fault",
  "missed-misting": "a misting was missed",
  "stuck-mister": "its mister may be stuck on",
};

// alarmTitle says an alarm by place, quantity and limit.
export function alarmTitle(name: string): string {
  const [place = "", quantity = "", ...rest] = name.split("/");
  const limit = rest.at(-1) ?? "";
  if (rest.length > 1) return `${quantity}: ${rest[0]} cannot be believed`;
  if (limit === "fault" && quantity.startsWith("outlet-")) return `${quantity.slice(7)}: does not deliver`;
  if (limit === "fault") return `${quantity}: ${limitWords.fault}`;
  return `${placeName(place)}, ${quantityWords(quantity)}: ${limitWords[limit] ?? limit}`;
}

// alarmFigures says what the limit is and how far it went.
export function alarmFigures(a: AlarmNow, t: Temperature): string {
  const parts: string[] = [];
  if (a.setpoint !== undefined) parts.push(`limit ${withUnit(a.quantity, t, a.setpoint)}`);
  if (a.extreme !== undefined) parts.push(`worst ${withUnit(a.quantity, t, a.extreme)}`);
  return parts.join(", ");
}

const upper = (limit: string): boolean => ["high", "critical-high", "rising", "stuck-mister"].includes(limit);

// distanceText says how far a value is beyond the limit of an alarm, or inside of it.
export function distanceText(a: AlarmNow, value: number, t: Temperature): string {
  if (a.setpoint === undefined) return "";
  const beyond = upper(a.limit) ? value - a.setpoint : a.setpoint - value;
  const size = difference(a.quantity, t, Math.abs(beyond)),
    limit = figure(a.quantity, t, a.setpoint).replace(/\.0$/, ""),
    unit = unitOf(a.quantity, t);
  if (beyond > 0) return upper(a.limit) ? `+${size} ${unit} over ${limit}` : `−${size} ${unit} under ${limit}`;
  return `${size} ${unit} inside the limit of ${limit}`;
}

// expectedText says when the limit that an alarm foresees will be met, as seen at a time in ms: "critical in 25–55 min";
// nothing where one of the alarms of the point says that it has been met.
export function expectedText(a: AlarmNow, at: number, others: AlarmNow[] = []): string {
  const e = a.expected;
  if (!e || others.some((o) => o.limit === e.limit)) return "";
  const what = e.limit.startsWith("critical") ? "critical" : (limitWords[e.limit] ?? e.limit);
  const minutes = (iso: string): number => Math.round((Date.parse(iso) - at) / 60_000);
  if (!e.from || !e.to) return minutes(e.at) > 0 ? `${what} in about ${minutes(e.at)} min` : `${what} at any moment`;
  const from = Math.max(minutes(e.from), 0),
    to = minutes(e.to);
  if (to <= 0) return `${what} at any moment`;
  return from > 0 ? `${what} in ${from}–${to} min` : `${what} within ${to} min`;
}

const kindWords: Record<string, string> = {
  "alarm.raised": "alarm",
  "alarm.cleared": "alarm over",
  "alarm.acknowledged": "acknowledged",
  "alarm.reset": "reset",
  "alarm.repeated": "called again",
  "alarm.reminded": "heard once more, though over",
  "alarm.worsened": "has become worse",
  "alarm.shelved": "shelved",
  "alarm.unshelved": "shelf ended",
  "alarm.suppressed": "covered by another alarm",
  "alarm.returned": "no longer covered",
  "alarm.disabled": "taken out of service",
  "alarm.enabled": "back in service",
  "command.refused": "refused",
  "stage.set": "stage",
  "cohort.began": "animals",
  "cohort.stage": "stage",
  "cohort.moved": "moved",
  "cohort.counted": "count",
  "care.done": "done",
  "sensor.calibrated": "calibrated",
  "sensor.replaced": "sensor replaced",
  "sensor.assigned": "another sensor",
  misting: "misting",
  note: "note",
  "clock.stepped": "clock set",
  "clock.confirmed": "clock confirmed",
  "run.started": "dewline started",
  "run.stopped": "dewline stopped",
  "config.changed": "configuration changed",
  "flood.began": "flood of alarms",
  "flood.ended": "flood over",
  "alarm.summary": "summary sent",
  "alarm.chattering": "alarm chatters",
  "alarm.fleeting": "fleeting alarm",
  "daily.digest": "digest of the day",
  "alarm.frequent": "comes often, compare its probe",
  "outlet.test": "notifiers tested",
  "outlet.taken": "test taken",
  "outlet.lost": "message given up",
};

export const kindText = (kind: string): string => kindWords[kind] ?? kind;

// animalText says what an entry says of animals and their care; nothing for other entries.
function animalText(e: Entry): string[] {
  const who = e.cohort ?? "",
    counted = e.count === undefined ? "" : `${e.count} animals`,
    why = e.why ? ` (${e.why})` : "";
  switch (e.kind) {
    case "stage.set":
    case "cohort.stage":
      return [`${who} is ${e.stage ?? ""}${e.gosner ? ` (Gosner ${e.gosner})` : ""}`];
    case "cohort.began":
      return [`${who} begins as ${e.stage ?? ""}${counted ? `, ${counted}` : ""}`];
    case "cohort.moved":
      return [`${who} moved to ${placeName(e.place ?? "")}`];
    case "cohort.counted":
      return [e.count === 0 ? `${who} has ended${why}` : `${who}: ${counted}${why}`];
    case "sensor.calibrated":
      return [`${e.channel ?? ""} of ${e.sensor ?? ""}: ${e.calibration?.method ?? ""}`];
    case "sensor.replaced":
    case "sensor.assigned":
      return [e.sensor ?? ""];
    case "care.done":
      return [`${e.task ?? ""} ${who}`.trim()];
  }
  return [];
}

// entryText says a journal entry in a sentence.
export function entryText(e: Entry, t: Temperature): string {
  const parts: string[] = [];
  parts.push(...animalText(e));
  if (e.alarm) {
    parts.push(alarmTitle(e.alarm));
    const quantity = e.alarm.split("/")[1] ?? "";
    if (e.value !== undefined && e.unit) parts.push(`at ${withUnit(quantity, t, e.value)}`);
    if (e.setpoint !== undefined && e.unit && e.kind === "alarm.raised") parts.push(`limit ${withUnit(quantity, t, e.setpoint)}`);
    if (e.extreme !== undefined && e.unit && e.kind === "alarm.cleared") parts.push(`furthest ${withUnit(quantity, t, e.extreme)}`);
  }
  if (e.names?.length)
    parts.push(`speaks for ${e.names.map((name) => (name.includes("/") ? alarmTitle(name) : placeName(name))).join(", ")}`);
  if (e.kind.startsWith("outlet.") && e.outlets?.length) parts.push(e.outlets.join(", "));
  if (e.text) parts.push(e.text);
  if (e.reason) parts.push(plainReason(e.reason));
  return parts.join("; ");
}

// shortAdvice is the beginning of an advice: as many sentences as make it worth reading.
export function shortAdvice(text: string): string {
  let short = "";
  for (const sentence of text.split(/(?<=\.)\s+(?=[A-Z])/)) {
    if (short.length > 50) break;
    short += (short ? " " : "") + sentence;
  }
  return short;
}

// limitText says which limit an alarm is about.
export const limitText = (a: AlarmNow): string => limitWords[a.limit] ?? a.limit;

// alsoText names the places of the alarms that an alarm covers.
export function alsoText(a: AlarmNow): string {
  const places = new Set((a.names ?? []).map((name) => placeName(name.split("/")[0]!)));
  return places.size ? `Also affects ${[...places].join(", ")}` : "";
}

// isUpper reports whether an alarm is about too much of something.
export const isUpper = (a: AlarmNow): boolean => upper(a.limit);

// alarmLink is where the card of an alarm is.
export const alarmLink = (name: string): string => "/alarms#" + name;

const rank: Record<string, number> = { critical: 0, high: 1, medium: 2, low: 3 };

// byUrgency puts the most urgent first, then the newest.
export function byUrgency(a: AlarmNow, b: AlarmNow): number {
  return (
    (rank[a.priority] ?? 4) - (rank[b.priority] ?? 4) || (b.raised ?? "").localeCompare(a.raised ?? "") || a.alarm.localeCompare(b.alarm)
  );
}

// plainReason puts names of alarms and lengths of time in a reason into the words of the pages.
export function plainReason(reason: string): string {
  return reason
    .replace(
      /[a-z0-9-]+\/[a-z0-9-]+\/(critical-high|critical-low|high|low|stale|rising|falling|fault|missed-misting|stuck-mister)\b/g,
      (name) => alarmTitle(name),
    )
    .replace(
      /\b(?:(\d+)h)?(\d+)m0s\b/g,
      (_, hours: string | undefined, minutes: string) =>
        [hours && `${hours} h`, minutes !== "0" && `${minutes} min`].filter(Boolean).join(" ") || "0 min",
    );
}

// byPerson returns who did it; a rule or another alarm is no person, and is named in the reason.
export const byPerson = (e: Entry): string => (e.by?.includes("/") ? "" : (e.by ?? ""));
