// What every page has: the line to the server and how old its last word is, the unit switch and the look switch.

import type { Now } from "./api";
import { arrange, byId, h, mark, say } from "./dom";
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

const line = h("p", { class: "pulse" });
const alarm = h("p", { class: "lost-note", role: "alert" });
const warning = h("p", { class: "clock-note" });

function heard(ageS: number): void {
  ageThen = ageS;
  heardAt = performance.now();
  connected = true;
}

// showLine counts up once a second, whatever comes or does not come.
function showLine(): void {
  const seconds = age();
  const lost = seconds > LOST_AFTER_S;
  const then = frame.at ? clockSeconds(frame.zone, frame.at) : "";
  if (!frame.now) {
    say(
      line,
      connected
        ? "waiting for the first values…"
        : performance.now() > 5000
          ? "The server does not answer. Trying again…"
          : "asking for the values…",
    );
  } else {
    const passed = lasting(Math.floor(seconds));
    say(line, `${lost ? "Lost" : "Live"} · last seen ${passed} ago · ${then} in ${zoneName(frame.zone, frame.at)}`);
    const why = connected
      ? "The server answers, but the daemon behind it has given no sign of life."
      : "The server does not answer; this page keeps trying.";
    say(alarm, lost ? `Nothing heard since ${then}. ${why} Every value below is old and may be wrong by now: go and look.` : "");
    say(warning, frame.now.clock_confirmed ? "" : "The clock of the board has not been confirmed yet: times may be wrong.");
  }
  document.documentElement.classList.toggle("lost", lost && frame.now !== null);
  mark(line, "data-state", lost ? "lost" : "live");
  if (lost !== frame.lost && frame.now) {
    frame.lost = lost;
    announce();
  }
}

// leave goes to the page for logging in where the server refuses because the log-in has ended.
async function leave(): Promise<void> {
  const answer = await fetch("/api/now", { method: "HEAD" }).catch(() => null);
  if (answer?.status === 401) location.assign("/login?next=" + encodeURIComponent(location.pathname + location.search));
}

function connect(): void {
  const source = new EventSource("/api/live");
  source.addEventListener("now", (event) => {
    const now = JSON.parse((event as MessageEvent<string>).data) as Now;
    heard(now.age_s);
    frame.now = now;
    frame.zone = now.timezone;
    frame.at = now.at ? Date.parse(now.at) : 0;
    frame.temperature = (cookie("dewline-temperature") as Temperature | null) ?? now.temperature;
    showTools();
    showLine();
    announce();
  });
  source.addEventListener("beat", (event) => {
    heard((JSON.parse((event as MessageEvent<string>).data) as { age_s: number }).age_s);
    showLine();
  });
  source.addEventListener("error", () => {
    connected = false;
    if (source.readyState === EventSource.CLOSED) {
      // refused outright: the browser will not try again by itself
      source.close();
      void leave();
      setTimeout(connect, 4000);
    }
    showLine();
  });
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
const lookWords = { "": "look: as the system", light: "look: light", dark: "look: dark" };

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

function showTools(): void {
  mark(celsius, "aria-pressed", String(frame.temperature === "Cel"));
  mark(fahrenheit, "aria-pressed", String(frame.temperature === "degF"));
  say(look, lookWords[currentLook()]);
}

export function start(): void {
  byId("tools").append(h("div", { class: "units", role: "group", "aria-label": "Unit of temperature" }, celsius, fahrenheit), look);
  arrange(byId("line"), [line, warning, alarm]);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    for (const listener of lookListeners) listener();
  });
  showTools();
  showLine();
  setInterval(showLine, 1000);
  connect();
}
