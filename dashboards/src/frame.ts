// What every page has: the line to the server and how old its last word is, the unit switch and the look switch.

import { get, type Now } from "./api";
import { arrange, byId, h, mark, say } from "./dom";
import { applyPatch, type Operation } from "./patch";
import { learn } from "./names";
import { clockSeconds, lasting, zoneName } from "./time";
import type { Temperature } from "./units";

// The picture of the site may be this old, in real seconds, before the page calls it lost. The server swaps in a new one at
// least every five seconds.
const LOST_AFTER_S = 12;

export interface Frame {
  now: Now | null;
  temperature: Temperature;
  zone: string;
  at: number; // time of the picture by the site's clock, milliseconds
  lost: boolean;
}

// A stream without any event for this long is not one: the server sends a beat every three seconds.
const SILENT_MS = 20e3;

type Listener = (frame: Frame) => void;

export const frame: Frame = { now: null, temperature: "Cel", zone: "UTC", at: 0, lost: false };
const listeners: Listener[] = [];
const lookListeners: (() => void)[] = [];

// onChange is called with every new picture, with every change of the unit, and when the line is lost or comes back.
export function onChange(listener: Listener): void {
  listeners.push(listener);
  if (frame.now) listener(frame);
}

export function onLook(listener: () => void): void {
  lookListeners.push(listener);
}

function announce(): void {
  for (const listener of listeners) listener(frame);
}

// The age of the picture is what the server said, plus what has passed here since: by the browser's steady clock, so that a
// wrong time of day on either side does not matter.
let ageThen = 0;
let signAt = -Infinity; // of life of any kind, by the browser's steady clock
let heardAt = -Infinity;
let connected = false;

function age(): number {
  return heardAt === -Infinity ? Infinity : ageThen + (performance.now() - heardAt) / 1000;
}

function cookie(name: string): string | null {
  const found = document.cookie.split("; ").find((c) => c.startsWith(name + "="));
  return found ? found.slice(name.length + 1) : null;
}

function keep(name: string, value: string): void {
  document.cookie = `${name}=${value}; path=/; max-age=${value ? 31536000 : 0}; samesite=strict`;
}

const pulse = h("span");
const pulseZone = h("span", { class: "pulse-zone" });
const line = h("p", { class: "pulse" }, pulse, pulseZone);
const alarm = h("p", { class: "lost-note", role: "alert" });
const warning = h("p", { class: "clock-note" });

function heard(ageS: number): void {
  ageThen = ageS;
  heardAt = signAt = performance.now();
  connected = true;
}

// showLine counts up once a second, whatever comes or does not come.
function showLine(): void {
  const seconds = age();
  const lost = seconds > LOST_AFTER_S;
  const then = frame.at ? clockSeconds(frame.zone, frame.at) : "";
  if (!frame.now) {
    say(
      pulse,
      connected
        ? "waiting for the first values…"
        : performance.now() > 5000
          ? "The server does not answer. Trying again…"
          : "asking for the values…",
    );
  } else {
    const passed = lasting(Math.floor(seconds));
    say(pulse, `${lost ? "Lost" : "Live"} · last seen ${passed} ago · ${then}`);
    say(pulseZone, ` in ${zoneName(frame.zone, frame.at)}`);
    const why = connected
      ? "The server answers, but the daemon behind it has given no sign of life."
      : navigator.onLine
        ? "Nothing answers: the server may have stopped, or the network between is down. This page keeps trying."
        : "This device has no network. This page keeps trying.";
    say(
      alarm,
      lost && performance.now() - resumedAt > RESUME_MS
        ? `Nothing heard since ${then}. ${why} Every value below is old and may be wrong by now: go and look.`
        : "",
    );
    say(warning, frame.now.clock_confirmed ? "" : "The clock of the board has not been confirmed yet: times may be wrong.");
  }
  document.documentElement.classList.toggle("lost", lost && frame.now !== null);
  mark(line, "data-state", lost ? "lost" : "live");
  // A line that a network has dropped without a word stays open for ever: it is opened anew.
  if (source && performance.now() - signAt > SILENT_MS) connect();
  if (lost !== frame.lost && frame.now) {
    frame.lost = lost;
    enableActs();
    showTitle();
    announce();
  }
}

// enableActs disables the buttons that cannot work while the line is lost.
function enableActs(): void {
  for (const b of document.querySelectorAll<HTMLButtonElement>("[data-acts]")) b.disabled = frame.lost;
}

// showTitle puts the number of active alarms before the title of the tab, which is all that is seen of a page behind others.
const bareTitle = document.title;
function showTitle(): void {
  const n = frame.now!.alarms.filter((a) => a.active && "BCEF".includes(a.state)).length,
    title = (frame.lost ? "(?) " : n ? `(${n}) ` : "") + bareTitle;
  if (document.title !== title) document.title = title;
}

// leave goes to the page for logging in where the server refuses because the log-in has ended.
async function leave(): Promise<void> {
  const answer = await fetch("/api/now", { method: "HEAD" }).catch(() => null);
  if (answer?.status === 401) location.assign("/login?next=" + encodeURIComponent(location.pathname + location.search));
}

// take shows a picture.
function take(now: Now, ageS: number): void {
  heard(ageS);
  frame.now = now;
  learn(now.places);
  frame.zone = now.timezone;
  frame.at = now.at ? Date.parse(now.at) : 0;
  frame.temperature = (cookie("dewline-temperature") as Temperature | null) ?? now.temperature;
  plus.hidden = !now.commands; // who may only look is not offered it
  showTools();
  showLine();
  showTitle();
  announce();
}

// The button of every page that opens what a person can write down. What it opens is loaded only then.
const plus = h(
  "button",
  {
    type: "button",
    class: "plus",
    hidden: true,
    "data-acts": true,
    "aria-haspopup": "dialog",
    "aria-label": "Write down: misted, changed water, fed, note, move or stage",
    click: () =>
      void import("./record").then(
        (record) => record.openSheet(null, placeOfPage()),
        () => say(warning, "The form could not be loaded: the server does not answer. Try again."),
      ),
  },
  h("span", { "aria-hidden": "true" }, "+"),
);

// placeOfPage is the place that the address of the page is about, if it is about one.
function placeOfPage(): { place?: string } {
  const query = new URLSearchParams(location.search),
    named = [
      location.pathname.split("/")[2],
      query.get("place"),
      query.get("p")?.split("/")[0],
      decodeURIComponent(location.hash.slice(1)).split("/")[0],
    ];
  const place = frame.now?.places.find((p) => named.includes(p.id))?.id;
  return place ? { place } : {};
}

let source: EventSource | null = null;

// connect listens to the stream: the whole picture first, then what differs.
function connect(): void {
  source?.close();
  signAt = performance.now();
  const own = (source = new EventSource(`/api/live?changes=${location.pathname === "/sensors" ? "all" : "values"}`));
  const data = (event: Event): unknown => JSON.parse((event as MessageEvent<string>).data);
  let picture: Now | null = null;
  own.addEventListener("now", (event) => {
    picture = data(event) as Now;
    take(picture, picture.age_s);
  });
  own.addEventListener("change", (event) => {
    if (!picture) return;
    picture = applyPatch(picture, data(event) as Operation[]);
    take(picture, 0);
  });
  own.addEventListener("beat", (event) => {
    heard((data(event) as { age_s: number }).age_s);
    showLine();
  });
  own.addEventListener("error", () => {
    connected = false;
    picture = null; // what comes next is whole again
    if (own.readyState === EventSource.CLOSED && own === source) {
      // refused outright: the browser will not try again by itself
      source = null;
      void leave();
      setTimeout(() => {
        if (!source && !document.hidden) connect();
      }, 4000);
    }
    showLine();
  });
}

// A hidden page does not listen. It looks once a minute, so that the title of its tab stays true.
const LOOK_HIDDEN_MS = 60e3;
const RESUME_MS = 3000;
let resumedAt = -Infinity;
let looking: ReturnType<typeof setInterval> | undefined;

function hide(): void {
  clearInterval(looking);
  if (!document.hidden) {
    resumedAt = performance.now();
    connect();
    showLine();
    return;
  }
  source?.close();
  source = null;
  looking = setInterval(
    () =>
      void get<Now>("/api/now").then(
        (now) => {
          if (document.hidden) take(now, now.age_s);
        },
        () => {
          connected = false;
        },
      ),
    LOOK_HIDDEN_MS,
  );
}

const celsius = h("button", { type: "button", "aria-label": "°C, degrees Celsius", click: () => setTemperature("Cel") }, "°C");
const fahrenheit = h("button", { type: "button", "aria-label": "°F, degrees Fahrenheit", click: () => setTemperature("degF") }, "°F");
const look = h("button", { type: "button", class: "look", click: nextLook });

function setTemperature(t: Temperature): void {
  keep("dewline-temperature", t);
  frame.temperature = t;
  showTools();
  announce();
}

const looks = ["", "light", "dark"] as const;
const lookWords = { "": "Theme: system", light: "Theme: light", dark: "Theme: dark" };

function currentLook(): (typeof looks)[number] {
  const set = document.documentElement.dataset.look;
  return set === "light" || set === "dark" ? set : "";
}

function nextLook(): void {
  const next = looks[(looks.indexOf(currentLook()) + 1) % looks.length]!;
  keep("dewline-look", next);
  if (next) document.documentElement.dataset.look = next;
  else delete document.documentElement.dataset.look;
  showTools();
  for (const listener of lookListeners) listener();
}

function lookChanged(): void {
  for (const listener of lookListeners) listener();
}

// inLight shows the page in its light colours for what is kept on paper or in a picture.
let before: string | undefined;
function toLight(): void {
  before = document.documentElement.dataset.look ?? "";
  document.documentElement.dataset.look = "light";
  lookChanged();
}

function fromLight(): void {
  if (before) document.documentElement.dataset.look = before;
  else delete document.documentElement.dataset.look;
  lookChanged();
}

export async function inLight(work: () => Promise<void>): Promise<void> {
  toLight();
  try {
    await new Promise((done) => setTimeout(done)); // the charts draw themselves after the task that changes them
    await work();
  } finally {
    fromLight();
  }
}

function showTools(): void {
  mark(celsius, "aria-pressed", String(frame.temperature === "Cel"));
  mark(fahrenheit, "aria-pressed", String(frame.temperature === "degF"));
  say(look, lookWords[currentLook()]);
}

// start listens, and offers the switches of unit and theme where the page has a place for them.
export function start(): void {
  const tools = document.getElementById("tools"); // the wall has none: nothing can be pressed there
  tools?.append(h("div", { class: "units", role: "group", "aria-label": "Unit of temperature" }, celsius, fahrenheit), look);
  arrange(byId("line"), [line, warning, alarm]);
  if (tools) document.body.append(plus);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    for (const listener of lookListeners) listener();
  });
  showTools();
  showLine();
  setInterval(showLine, 1000);
  document.addEventListener("visibilitychange", hide);
  addEventListener("beforeprint", toLight);
  addEventListener("afterprint", fromLight);
  const first = document.getElementById("picture"); // what the server knew when it made this page
  if (first) take(JSON.parse(first.textContent ?? "") as Now, Number(first.dataset.age));
  if (document.hidden) hide();
  else connect();
}
