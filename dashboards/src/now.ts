// The page of the current values: what is wrong first and what to do about it, then every place in one line.

import { byId, arrange, h, mark, say } from "./dom";
import { frame, onChange, start, type Frame } from "./frame";
import { inhabited, outside, Place, worstZone } from "./place";
import { refreshRecent } from "./recent";
import { Trouble } from "./trouble";
import { byUrgency, isUpper } from "./words";
import type { AlarmNow } from "./api";

// How long a card whose alarm is over keeps its place, so that no other card slides under a finger.
const HOLD_MS = 5000;

const verdict = h("h2", { class: "verdict", tabindex: -1 });
const verdictMore = h("p", { class: "dim" });
const troubleBox = h("div", { class: "troubles" });
const endedLink = h("a", { class: "ended-line", href: "/alarms#ended" });
const list = h("div", { class: "places" });
const emptyTitle = h("summary");
const emptyList = h("div", { class: "places" });
const empty = h("details", { class: "empty-places" }, emptyTitle, emptyList);

const places = new Map<string, Place>();
interface Shown {
  card: Trouble;
  leaves: number;
}
const troubles = new Map<string, Shown>();
let order: string[] = [];

const isTrouble = (a: AlarmNow): boolean => a.active && "BCEF".includes(a.state);

// covers reports whether an alarm is shown in the card of another one, which is of the same point and direction and more urgent.
const covers = (lead: AlarmNow, a: AlarmNow, sorted: AlarmNow[]): boolean =>
  lead.place === a.place &&
  lead.quantity === a.quantity &&
  lead.setpoint !== undefined &&
  a.setpoint !== undefined &&
  isUpper(lead) === isUpper(a) &&
  sorted.indexOf(lead) < sorted.indexOf(a);

// showVerdict says in one line what matters: how many of the enclosures with animals are out of range.
function showVerdict(f: Frame): void {
  const homes = f.now!.places.filter(inhabited),
    zones = homes.map(worstZone);
  const out = zones.filter(outside).length,
    unknown = zones.filter((z) => z === "unknown").length,
    bare = zones.filter((z) => z === "no-band").length;
  const of = `${homes.length} inhabited ${homes.length === 1 ? "enclosure" : "enclosures"}`;
  const rest = [unknown ? `${unknown} not known` : "", bare ? `${bare} not watched` : ""].filter(Boolean);
  const all = homes.length === 1 ? `The one inhabited enclosure is in range` : `All ${of} in range`;
  let text = "No enclosure is inhabited";
  if (out) text = [`${out} of ${of} out of range`, ...rest].join(", ");
  else if (homes.length) text = rest.length ? [`${homes.length - unknown - bare} of ${of} in range`, ...rest].join(", ") : all;
  say(verdict, text);
  mark(verdict, "data-zone", out ? "critical-high" : unknown ? "unknown" : "in-band");
  const waiting = f.now!.alarms.filter((a) => isTrouble(a) && "BE".includes(a.state)).length,
    acknowledged = f.now!.alarms.filter((a) => isTrouble(a) && "CF".includes(a.state)).length;
  const quiet = f.now!.alarms.filter((a) => a.active && "GI".includes(a.state)).length;
  const parts = [
    waiting ? `${waiting} to acknowledge` : "no active alarm waits for you",
    acknowledged ? `${acknowledged} acknowledged` : "",
    quiet ? `${quiet} shelved or out of service` : "",
  ];
  say(verdictMore, parts.filter(Boolean).join(" · "));
  const ended = f.now!.alarms.filter((a) => (!a.active && "BDE".includes(a.state)) || a.state === "D").length;
  endedLink.hidden = !ended;
  say(endedLink, `${ended} ended, not acknowledged`);
}

// showTroubles lists the active alarms, the most urgent first. A card whose alarm is over stays a moment, and meanwhile all do.
function showTroubles(f: Frame): void {
  const now = performance.now(),
    all = f.now!.alarms.filter(isTrouble).sort(byUrgency),
    active = all.filter((a) => !all.some((other) => covers(other, a, all))),
    names = new Set(active.map((a) => a.alarm));
  for (const a of active) {
    let shown = troubles.get(a.alarm);
    if (!shown) {
      troubles.set(a.alarm, (shown = { card: new Trouble(acted), leaves: 0 }));
    }
    shown.leaves = 0;
    shown.card.update(
      a,
      all.filter((other) => covers(a, other, all)),
      f.now!.places.find((p) => p.id === a.place),
      f,
    );
  }
  for (const [name, shown] of troubles) {
    if (names.has(name)) continue;
    if (!shown.leaves) {
      shown.leaves = now + HOLD_MS;
      shown.card.over(f);
      setTimeout(() => showTroubles(frame), HOLD_MS + 20);
    } else if (now >= shown.leaves) troubles.delete(name);
  }
  const sorted = active.map((a) => a.alarm),
    leaving = [...troubles.values()].some((s) => s.leaves);
  const next = leaving ? [...order.filter((n) => troubles.has(n)), ...sorted.filter((n) => !order.includes(n))] : sorted;
  next.forEach((n, i) => {
    if (order.length && order[i] !== n) troubles.get(n)!.card.moved();
  });
  const fresh = next.filter((n) => !order.includes(n));
  order = next;
  arrange(
    troubleBox,
    order.map((n) => troubles.get(n)!.card.element),
  );
  for (const n of fresh) troubles.get(n)!.card.drawSpark(f);
}

// acted moves the focus on to the next card that waits, unless the person is elsewhere by now.
function acted(card: Trouble): void {
  if (!card.element.contains(document.activeElement) && document.activeElement !== document.body) return;
  const all = order.map((n) => troubles.get(n)!),
    here = all.findIndex((s) => s.card === card);
  const next = [...all.slice(here + 1), ...all.slice(0, here)].find((s) => !s.leaves && s.card.waits());
  if (next) next.card.focus();
  else verdict.focus({ preventScroll: true });
}

function showPlaces(f: Frame): void {
  const shown = f.now!.places.filter((p) => p.points.length || p.cohorts.length);
  const elements = (chosen: typeof shown): HTMLElement[] =>
    chosen.map((place) => {
      let one = places.get(place.id);
      if (!one) places.set(place.id, (one = new Place(place.id)));
      one.update(place, f);
      return one.element;
    });
  const bare = shown.filter((p) => !p.room && !inhabited(p) && !outside(worstZone(p))),
    rest = shown.filter((p) => !bare.includes(p));
  const rank = (p: (typeof shown)[number]): number => (outside(worstZone(p)) ? 0 : worstZone(p) === "unknown" ? 1 : p.room ? 3 : 2);
  arrange(list, elements(rest.sort((a, b) => rank(a) - rank(b))));
  arrange(emptyList, elements(bare));
  empty.hidden = !bare.length;
  say(emptyTitle, bare.length === 1 ? "1 enclosure without animals" : `${bare.length} enclosures without animals`);
}

function show(f: Frame): void {
  if (!list.isConnected)
    byId("page").replaceChildren(h("div", { class: "summary" }, verdict, verdictMore), troubleBox, endedLink, list, empty);
  showVerdict(f);
  showTroubles(f);
  showPlaces(f);
}

let sparkUnit = "";

function drawSparks(f: Frame): void {
  sparkUnit = f.temperature;
  for (const place of f.now?.places ?? []) places.get(place.id)?.drawSparks(place, f);
  for (const { card } of troubles.values()) card.drawSpark(f);
}

start();
onChange((f) => {
  show(f);
  if (sparkUnit !== f.temperature) drawSparks(f);
  void refreshRecent(
    f,
    f
      .now!.places.flatMap((p) => p.points)
      .filter((p) => p.band)
      .map((p) => p.point),
    () => drawSparks(frame),
  );
});
