// The page for a tablet on the wall: one large figure for each place, read from the door, with nothing to press. It runs for weeks: it
// connects again by itself, keeps its tiles where they are, and takes a new version of itself after the daemon has started anew.

import type { AlarmNow, PlaceNow, PointNow, Zone } from "./api";
import { arrange, byId, h, mark, say } from "./dom";
import { frame, onChange, start, type Frame } from "./frame";
import { gauge } from "./gauge";
import { zoneGlyph } from "./glyph";
import { placeName } from "./names";
import { inhabited, outside, severity, worstZone } from "./place";
import { clock, since } from "./time";
import { bandText, figure, unitOf } from "./units";
import { byUrgency, distanceText, expectedText, limitText, quantityWords, zoneWords } from "./words";
import "./wall.css";

// More tiles than these would be too small to be read from three metres.
const MAX_TILES = 8;

const verdict = h("h2", { class: "verdict" });
const time = h("p", { class: "time" });
const tiles = h("div", { class: "tiles" });
const rest = h("p", { class: "rest" });

// isTrouble reports whether an alarm is active and neither shelved nor covered by another.
const isTrouble = (a: AlarmNow): boolean => a.active && "BCEF".includes(a.state);

const alarmsOf = (p: PlaceNow, f: Frame): AlarmNow[] => f.now!.alarms.filter((a) => a.place === p.id && isTrouble(a)).sort(byUrgency);

// inTrouble reports whether a place has an active alarm or a value outside its band.
const inTrouble = (p: PlaceNow, f: Frame): boolean => outside(worstZone(p)) || alarmsOf(p, f).length > 0;

// leading is the point of a place that matters first: that of its most urgent alarm, else the one that is furthest out, else the first.
function leading(p: PlaceNow, alarms: AlarmNow[]): PointNow | undefined {
  const of = alarms.map((a) => p.points.find((x) => x.quantity === a.quantity)).find(Boolean),
    banded = p.points.filter((x) => x.band);
  return of ?? [...banded].sort((a, b) => severity.indexOf(a.zone) - severity.indexOf(b.zone))[0];
}

// large writes a figure as short as it can be: humidity needs no tenth at this distance.
const large = (p: PointNow, f: Frame): string =>
  figure(p.quantity, f.temperature, p.value).replace(p.quantity === "relative-humidity" ? /\.\d$/ : /$^/, "");

class Tile {
  readonly element = h("article", { class: "tile" });
  private readonly name = h("h3");
  private readonly value = h("b");
  private readonly unit = h("span", { class: "unit" });
  private readonly bar = h("div", { class: "bar" });
  private readonly what = h("p", { class: "what" });
  private drawn = "";

  constructor() {
    this.element.append(this.name, h("p", { class: "number" }, this.value, " ", this.unit), this.bar, this.what);
  }

  update(place: PlaceNow, f: Frame): void {
    const alarms = alarmsOf(place, f),
      p = leading(place, alarms),
      a = alarms[0],
      zone: Zone = p?.zone ?? "unknown";
    const state = a ? a.priority : outside(zone) ? "out" : zone === "unknown" ? "unknown" : "calm";
    mark(this.element, "data-state", state);
    mark(this.element, "data-zone", zone);
    say(this.name, placeName(place.id));
    const value = !p || p.value === null ? "?" : large(p, f);
    say(this.value, value);
    mark(this.value, "data-length", value.length > 4 ? "long" : "short");
    say(this.unit, p ? unitOf(p.quantity, f.temperature) : "");
    const words = this.words(p, a, f),
      key = JSON.stringify([zone, words, p?.value, p?.band, f.temperature]);
    if (key === this.drawn) return;
    this.drawn = key;
    this.bar.replaceChildren(...(p?.band && p.value !== null ? [gauge(p, f.temperature)] : []));
    this.what.replaceChildren(zoneGlyph(zone), h("strong", {}, words[0]), " ", h("span", {}, words[1]));
  }

  // words say what is the matter, and how far or since when.
  private words(p: PointNow | undefined, a: AlarmNow | undefined, f: Frame): [string, string] {
    if (!p) return ["not known", ""];
    const name = quantityWords(p.quantity),
      b = p.band,
      from = p.since ? `since ${since(f.zone, f.at, Date.parse(p.since))}` : "";
    if (p.value === null) return ["not known", from];
    if (a) {
      const limit = a.setpoint === undefined ? name : distanceText(a, p.value, f.temperature);
      return [limitText(a), expectedText(a, f.at) || limit];
    }
    if (outside(p.zone)) return [p.zone.startsWith("critical") ? zoneWords[p.zone] : p.zone === "low" ? "too low" : "too high", from];
    return ["in range", b ? bandText(p.quantity, f.temperature, b.low ?? b["critical-low"], b.high ?? b["critical-high"]) : name];
  }
}

const shown = new Map<string, Tile>();
let slots: string[] = [];

// choose decides which places have tiles. A place keeps its tile as long as no other one needs it more, so that nothing jumps: first
// what is in trouble, then where animals live, then rooms, then whatever else has a band.
function choose(f: Frame): PlaceNow[] {
  const candidates = f.now!.places.filter((p) => p.points.some((x) => x.band));
  const rank = (p: PlaceNow): number => (inTrouble(p, f) ? 0 : inhabited(p) ? 1 : p.room ? 2 : 3);
  const kept = (p: PlaceNow): number => (slots.includes(p.id) ? 0 : 1);
  const wanted = [...candidates].sort((a, b) => rank(a) - rank(b) || kept(a) - kept(b)).slice(0, MAX_TILES);
  const coming = wanted.filter((p) => !slots.includes(p.id));
  const stay = (id: string): boolean => wanted.some((p) => p.id === id);
  slots = slots.map((id) => (stay(id) ? id : (coming.shift()?.id ?? ""))).filter(Boolean);
  // New tiles come in the order of the configuration: rooms are listed there first.
  const order = (p: PlaceNow): number => f.now!.places.indexOf(p);
  slots.push(...coming.sort((a, b) => order(a) - order(b)).map((p) => p.id));
  return slots.map((id) => wanted.find((p) => p.id === id)!);
}

function showVerdict(f: Frame, chosen: PlaceNow[]): void {
  const all = f.now!.places.filter((p) => p.points.some((x) => x.band)),
    out = all.filter((p) => inTrouble(p, f)).length,
    unknown = all.filter((p) => worstZone(p) === "unknown").length,
    others = all.length - chosen.length;
  const not = unknown ? `, ${unknown} not known` : "";
  let text = unknown ? `${all.length - unknown} of ${all.length} in range${not}` : `All ${all.length} in range`;
  if (!all.length) text = "Nothing is watched here: no place has a band";
  else if (out) text = `${out} of ${all.length} ${out === 1 ? "needs" : "need"} you${not}`;
  say(verdict, f.lost ? `Old: nothing heard since ${clock(f.zone, f.at)}` : text);
  mark(verdict, "data-zone", out ? "critical-high" : unknown ? "unknown" : "in-band");
  say(time, clock(f.zone, f.at));
  const calm = all.filter((p) => !chosen.includes(p) && !inTrouble(p, f)).length;
  say(
    rest,
    others ? (calm === others ? `and ${others} more, none in trouble` : `and ${others} more, ${others - calm} of them in trouble`) : "",
  );
}

// isNight reports whether the lights of the site are off.
function isNight(f: Frame): boolean {
  const points = f.now!.places.flatMap((p) => p.points);
  return points.length > 0 && points.every((p) => !p.day);
}

// Which daemon the page came from. After another one has started, the page is fetched again, once it is there to be had.
let run = "";
async function follow(f: Frame): Promise<void> {
  if (run === "" || f.now!.run === run) {
    run = f.now!.run;
    return;
  }
  run = f.now!.run;
  const answer = await fetch(location.href, { cache: "no-store" }).catch(() => null);
  if (answer?.ok && !answer.redirected) location.reload();
}

function show(f: Frame): void {
  const chosen = choose(f);
  showVerdict(f, chosen);
  for (const id of shown.keys()) if (!slots.includes(id)) shown.delete(id);
  arrange(
    tiles,
    chosen.map((p) => {
      let tile = shown.get(p.id);
      if (!tile) shown.set(p.id, (tile = new Tile()));
      tile.update(p, f);
      return tile.element;
    }),
  );
  mark(tiles, "data-count", String(chosen.length));
  document.documentElement.classList.toggle("night", isNight(f));
}

// A tablet that may keep its screen on is asked to.
async function stayAwake(): Promise<void> {
  if (!document.hidden && "wakeLock" in navigator) await navigator.wakeLock.request("screen").catch(() => null);
}

byId("page").replaceChildren(h("div", { class: "over" }, verdict, time), tiles, rest);
start();
onChange((f) => {
  show(f);
  if (!f.lost) void follow(f);
});
document.addEventListener("visibilitychange", () => void stayAwake());
void stayAwake();
if (!frame.now) say(verdict, "Waiting for the first values");
