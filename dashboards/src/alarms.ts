// The page of the alarms and of the journal: what is active first, what has ended folded, what is silenced last.

import { role, signed, user } from "./act";
import type { AlarmNow } from "./api";
import { Card, pointOf } from "./card";
import { arrange, byId, h, mark, say } from "./dom";
import { frame, onChange, start, type Frame } from "./frame";
import { followJournal, freeNote, journal, loadJournal } from "./journal";
import { refreshRecent } from "./recent";
import { alarmTitle, byUrgency } from "./words";

// How long a card that has become another one's business keeps its place, so that no other card slides under a finger.
const HOLD_MS = 5000;

// Group is a list of cards.
interface Group {
  title: string;
  empty: string;
  of: (a: AlarmNow) => boolean;
  box: HTMLElement;
  head: HTMLElement;
  shown: string[];
}

const group = (title: string, empty: string, of: Group["of"], kind = ""): Group => ({
  title,
  empty,
  of,
  box: h("div", { class: kind }),
  head: h("h2", { tabindex: -1 }),
  shown: [],
});

const active = group(
  "Active",
  "No active alarm waits for you. That does not mean that every animal is well.",
  (a) => a.active && "BE".includes(a.state),
);
const acknowledged = group("Acknowledged", "", (a) => a.state === "C" || a.state === "F");
const ended = group("ended, not acknowledged", "", (a) => (!a.active && "BDE".includes(a.state)) || a.state === "D");
const silenced = group("Silenced: shelved, covered, out of service", "", (a) => "GHI".includes(a.state) && !idle(a), "silenced");
const groups = [active, acknowledged, ended, silenced];

// An alarm that is covered while its condition does not hold asks for nothing: it is listed in one line under what covers it.
const idle = (a: AlarmNow): boolean => a.state === "H" && !a.active;

interface Shown {
  card: Card;
  in: Group;
  leaves: number;
} // leaves: when it may go to its new place, 0 while it belongs here
const cards = new Map<string, Shown>();

// place decides where the card of an alarm is shown: where it belongs, or for a while still where it was.
function place(alarm: string, a: AlarmNow | undefined, now: number): Shown | null {
  const home = a && groups.find((g) => g.of(a));
  let shown = cards.get(alarm);
  if (!shown) {
    if (!home) return null;
    cards.set(alarm, (shown = { card: new Card(acted), in: home, leaves: 0 }));
    return shown;
  }
  if (home === shown.in) {
    if (shown.leaves) shown.card.release(); // it has come back
    shown.leaves = 0;
  } else if (!shown.leaves) {
    shown.leaves = now + HOLD_MS;
    shown.card.hold();
    setTimeout(() => {
      if (frame.now) show(frame);
    }, HOLD_MS + 20);
  } else if (now >= shown.leaves) {
    shown.card.release();
    shown.leaves = 0;
    if (!home) {
      cards.delete(alarm);
      return null;
    }
    shown.in = home;
  }
  return shown;
}

function show(f: Frame): void {
  const now = performance.now(),
    of = new Map(f.now!.alarms.map((a) => [a.alarm, a]));
  const members = new Map<Group, string[]>(groups.map((g) => [g, []]));
  for (const alarm of new Set([...cards.keys(), ...of.keys()])) {
    const shown = place(alarm, of.get(alarm), now);
    if (!shown) continue;
    const a = of.get(alarm);
    if (a) shown.card.update(a, f);
    else shown.card.over();
    members.get(shown.in)!.push(alarm);
  }
  for (const g of groups) showGroup(g, members.get(g)!, of);
  showEnded(f);
  showCovered(f);
  signed.hidden = !f.now!.commands;
  noCommands.hidden = f.now!.commands;
  freeNote.hidden = !f.now!.commands;
}

// showGroup sorts a list by urgency, but not while one of its cards waits to leave: then the others keep their places.
function showGroup(g: Group, members: string[], of: Map<string, AlarmNow>): void {
  const sorted = members.filter((m) => of.has(m)).sort((a, b) => byUrgency(of.get(a)!, of.get(b)!));
  const leaving = members.some((m) => cards.get(m)!.leaves);
  const order = leaving ? [...g.shown.filter((m) => members.includes(m)), ...sorted.filter((m) => !g.shown.includes(m))] : sorted;
  order.forEach((m, i) => {
    if (g.shown.length && g.shown[i] !== m) cards.get(m)!.card.moved();
  });
  g.shown = order;
  const count = members.filter((m) => !cards.get(m)!.leaves).length;
  say(g.head, g === ended ? "" : `${g.title}${count ? ` (${count})` : ""}`);
  g.head.hidden = !order.length && !g.empty;
  const wanted: Element[] = order.map((m) => cards.get(m)!.card.element);
  if (!wanted.length && g.empty) wanted.push(g.box.querySelector(".none") ?? h("p", { class: "none" }, g.empty));
  arrange(g.box, wanted);
}

// acted moves the focus on to the next card that stays, else to the head of the list, unless the person is elsewhere by now.
function acted(card: Card, verb: string): void {
  void loadJournal();
  const at = [...cards.values()].find((s) => s.card === card);
  if (!at || verb === "note") return;
  setTimeout(() => {
    if (!at.leaves) card.release();
  }, HOLD_MS); // nothing has changed
  if (!(card.element.contains(document.activeElement) || document.activeElement === document.body)) return;
  const order = at.in.shown.map((m) => cards.get(m)!),
    here = order.indexOf(at);
  const next = [...order.slice(here + 1), ...order.slice(0, here)].find((s) => !s.leaves);
  if (next) next.card.focus();
  else (at.in === ended ? endedToggle : at.in.head).focus({ preventScroll: true });
}

// What has ended is one line until somebody wants more of it.
const endedToggle = h("button", {
  type: "button",
  class: "plain",
  "aria-expanded": "false",
  "aria-controls": "ended",
  click: () => unfold(Boolean(ended.box.hidden)),
});
const endedAll = h("button", { type: "button", "data-acts": true, click: () => void acknowledgeEnded() }, "Acknowledge all ended");
const endedResult = h("span", { class: "result", role: "status" });
const endedLine = h("div", { class: "ended-line" }, endedToggle, endedAll, endedResult);
ended.box.id = "ended";
ended.box.hidden = true;

function unfold(open: boolean): void {
  ended.box.hidden = !open;
  mark(endedToggle, "aria-expanded", String(open));
}

function showEnded(f: Frame): void {
  const waiting = ended.shown.filter((m) => !cards.get(m)!.leaves).length;
  say(endedToggle, waiting ? `${waiting} ended, not acknowledged` : "nothing else ended, not acknowledged");
  endedLine.hidden = !ended.shown.length;
  endedAll.hidden = !f.now!.commands || !waiting;
}

// acknowledgeEnded acknowledges those that are listed when it is pressed, one after the other.
async function acknowledgeEnded(): Promise<void> {
  const list = ended.shown
    .map((m) => cards.get(m)!)
    .filter((s) => !s.leaves)
    .map((s) => s.card);
  endedAll.disabled = true;
  let done = 0,
    problem = "";
  for (const card of list) {
    say(endedResult, `${done} of ${list.length}…`);
    const result = await card.acknowledgeNow();
    if (result.done) done++;
    else problem = result.reason ?? "no reason was given";
  }
  endedAll.disabled = false;
  say(endedResult, problem ? `${done} acknowledged, ${list.length - done} not: ${problem}.` : `${done} acknowledged.`);
  mark(endedResult, "data-done", String(!problem));
}

const coveredTitle = h("summary");
const coveredList = h("ul");
const covered = h("details", { class: "covered" }, coveredTitle, coveredList);

function showCovered(f: Frame): void {
  const by = new Map<string, AlarmNow[]>();
  let count = 0;
  for (const a of f.now!.alarms.filter(idle)) {
    by.set(a.by ?? "", [...(by.get(a.by ?? "") ?? []), a]);
    count++;
  }
  const key = JSON.stringify([...by].map(([cause, list]) => [cause, list.map((a) => a.alarm)]));
  covered.hidden = !count;
  if (coveredList.dataset.key === key) return;
  coveredList.dataset.key = key;
  say(coveredTitle, `${count} more would be silent: they are covered, and their limits are not crossed`);
  coveredList.replaceChildren(
    ...[...by].map(([cause, list]) =>
      h("li", {}, h("strong", {}, `Covered by ${cause ? alarmTitle(cause) : "design"}: `), list.map((a) => alarmTitle(a.alarm)).join("; ")),
    ),
  );
}

// aim shows the alarm that the address names, as the link in a message does.
const aimNote = h("p", { class: "aim-note" });
function aim(): void {
  const alarm = decodeURIComponent(location.hash.slice(1)),
    shown = cards.get(alarm);
  if (alarm === ended.box.id) unfold(true);
  for (const s of cards.values()) s.card.element.classList.toggle("aimed", s === shown);
  aimNote.hidden = Boolean(shown) || !alarm.includes("/");
  say(aimNote, aimNote.hidden ? "" : `${alarmTitle(alarm)}: nothing waits any more. The journal below has what happened.`);
  if (!shown) return;
  if (shown.in === ended) unfold(true);
  shown.card.element.scrollIntoView({ block: "start", behavior: "instant" });
  shown.card.focus();
}
addEventListener("hashchange", () => {
  if (frame.now) aim();
});

// What comes later may push the alarm away again: until the person has touched the page, it is brought back.
let touched = false;
for (const kind of ["pointerdown", "wheel", "keydown"])
  addEventListener(
    kind,
    () => {
      touched = true;
    },
    { once: true, passive: true },
  );
function aimAgain(): void {
  if (!touched && document.querySelector(".aimed")) aim();
}

const noCommands = h(
  "p",
  { class: "dim no-commands" },
  role === "viewer"
    ? `You are ${user}, a viewer, who may look but not act. Log in as an operator to acknowledge and shelve.`
    : "This site takes no commands from its pages: use the command line.",
);

byId("page").replaceChildren(
  aimNote,
  active.head,
  active.box,
  acknowledged.head,
  acknowledged.box,
  endedLine,
  ended.box,
  silenced.head,
  silenced.box,
  covered,
  signed,
  noCommands,
  h("p", {}, "Too many alarms, or too late? ", h("a", { href: "/try" }, "Try other limits on past readings"), "."),
  journal,
);
aimNote.hidden = true;
start();

let first = true;
onChange((f) => {
  show(f);
  followJournal(f);
  if (first) {
    first = false;
    aim();
  }
  const points = f.now!.alarms.filter((a) => a.active && !idle(a)).flatMap((a) => pointOf(a, f)?.point ?? []);
  void refreshRecent(f, [...new Set(points)], () => {
    show(frame);
    aimAgain();
  });
});
