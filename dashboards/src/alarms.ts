// The page of the alarms and of the journal.

import { get, send, type AlarmNow, type Command, type Entry, type JournalPage } from "./api";
import { arrange, byId, h, mark, say } from "./dom";
import { frame, onChange, start, type Frame } from "./frame";
import { priorityGlyph } from "./glyph";
import { clockSeconds, dayYear, fromInput, lasting, since } from "./time";
import { alarmFigures, alarmTitle, byPerson, byUrgency, entryText, kindText, plainReason } from "./words";

const shelves: [number, string][] = [
  [1800, "30 minutes"],
  [3600, "1 hour"],
  [7200, "2 hours"],
  [14400, "4 hours"],
  [28800, "8 hours"],
  [43200, "12 hours"],
];

// Who has logged in, where a log-in is needed: the server writes that name into the journal, whatever a page says.
const { user, role } = document.documentElement.dataset;
const nameInput = h("input", {
  type: "text",
  id: "keeper",
  autocomplete: "name",
  maxlength: 60,
  value: localStorage.getItem("dewline-keeper") ?? "",
});
nameInput.addEventListener("change", () => localStorage.setItem("dewline-keeper", nameInput.value.trim()));
const keeper = (): string => user ?? nameInput.value.trim();

const outcome = h("p", { class: "outcome", role: "status" });

async function order(command: Command, done: string): Promise<boolean> {
  say(outcome, "sending…");
  const result = await send({ ...command, by: keeper() });
  say(outcome, result.done ? (result.changed ? done : "That was so already.") : `Not done: ${result.reason ?? "no reason was given"}.`);
  mark(outcome, "data-done", String(result.done));
  if (result.done) void loadJournal();
  return result.done;
}

let forms = 0;

// Card shows one alarm and what a person can do about it.
class Card {
  readonly element = h("article", { class: "alarm" });
  private readonly title = h("h3");
  private readonly state = h("p", { class: "state" });
  private readonly figures = h("p", { class: "figures" });
  private readonly reason = h("p", { class: "reason" });
  private readonly consequence = h("p");
  private readonly action = h("p");
  private readonly advice = h(
    "div",
    { class: "advice" },
    h("p", { class: "label" }, "What it may come to"),
    this.consequence,
    h("p", { class: "label" }, "What to do"),
    this.action,
  );
  private readonly buttons = h("div", { class: "buttons" });
  private readonly acknowledge = this.button(
    "Acknowledge",
    "first",
    () => void order({ verb: "acknowledge", alarm: this.a!.alarm, occurrence: this.a!.occurrence ?? "" }, "Acknowledged."),
  );
  private readonly reset = this.button("Reset", "", () => void order({ verb: "reset", alarm: this.a!.alarm }, "Reset."));
  private readonly unshelve = this.button(
    "End the shelf",
    "",
    () => void order({ verb: "unshelve", alarm: this.a!.alarm }, "The shelf has ended."),
  );
  private readonly shelve = this.button("Shelve…", "", () => this.toggle(this.shelf, this.shelve));
  private readonly note = this.button("Note…", "", () => this.toggle(this.noting, this.note));
  private readonly trend = h("a", { class: "button" }, "Trend");
  private readonly shelf = h("form", { class: "inline", hidden: true });
  private readonly noting = h("form", { class: "inline", hidden: true });
  private readonly length = h("select");
  private a: AlarmNow | null = null;

  constructor() {
    this.buttons.append(this.acknowledge, this.shelve, this.unshelve, this.reset, this.note, this.trend);
    this.element.append(
      h("div", { class: "facts" }, this.title, this.state, this.figures, this.reason),
      this.advice,
      this.buttons,
      this.shelf,
      this.noting,
    );
    this.shelfForm();
    this.noteForm();
  }

  private button(text: string, kind: string, click: () => void): HTMLButtonElement {
    return h("button", { type: "button", class: kind, click }, text);
  }

  private toggle(form: HTMLFormElement, by: HTMLButtonElement): void {
    form.hidden = !form.hidden;
    by.setAttribute("aria-expanded", String(!form.hidden));
    if (!form.hidden) form.querySelector<HTMLElement>("select, input, textarea")?.focus();
  }

  private shelfForm(): void {
    const n = ++forms;
    this.length.id = `length-${n}`;
    const reason = h("input", { type: "text", id: `reason-${n}`, maxlength: 200, required: true });
    this.shelve.setAttribute("aria-expanded", "false");
    this.shelf.append(
      h("p", {}, "A shelved alarm stays silent until its end, and is listed all the while."),
      h("label", { for: this.length.id }, "for"),
      this.length,
      h("label", { for: reason.id }, "because"),
      reason,
      h("button", { type: "submit", class: "first" }, "Shelve"),
    );
    this.shelf.addEventListener("submit", (event) => {
      event.preventDefault();
      void order(
        { verb: "shelve", alarm: this.a!.alarm, for_seconds: Number(this.length.value), reason: reason.value.trim() },
        "Shelved.",
      ).then((done) => {
        if (!done) return;
        reason.value = "";
        this.toggle(this.shelf, this.shelve);
      });
    });
  }

  private noteForm(): void {
    const n = ++forms;
    const text = h("textarea", { id: `note-${n}`, rows: 2, maxlength: 500, required: true });
    this.note.setAttribute("aria-expanded", "false");
    this.noting.append(
      h("label", { for: text.id }, "note for the journal"),
      text,
      h("button", { type: "submit", class: "first" }, "Write the note"),
    );
    this.noting.addEventListener("submit", (event) => {
      event.preventDefault();
      const place = this.a!.limit === "fault" ? {} : { place: this.a!.place };
      void order(
        { verb: "note", text: `${alarmTitle(this.a!.alarm)}: ${text.value.trim()}`, ...place },
        "The note is in the journal.",
      ).then((done) => {
        if (!done) return;
        text.value = "";
        this.toggle(this.noting, this.note);
      });
    });
  }

  update(a: AlarmNow, f: Frame): void {
    this.a = a;
    const t = f.temperature,
      at = (iso: string): string => since(f.zone, f.at, Date.parse(iso));
    mark(this.element, "data-priority", a.priority);
    mark(this.element, "data-state", a.state);
    const title = alarmTitle(a.alarm);
    if (this.title.dataset.text !== title + a.priority) {
      this.title.dataset.text = title + a.priority;
      this.title.replaceChildren(priorityGlyph(a.priority), h("span", { class: "priority" }, a.priority || "no priority"), " ", title);
    }
    const state = [a.words];
    if (a.since && a.active) state.push(`since ${at(a.since)} (${lasting((f.at - Date.parse(a.since)) / 1000)})`);
    if (a.since && !a.active && a.cleared) state.push(`from ${at(a.since)} to ${at(a.cleared)}`);
    if (a.state === "G" && a.until) state.push(`until ${at(a.until)}${a.active ? ", and still active underneath" : ""}`);
    if (a.state === "H" && a.by) state.push(`covered by ${alarmTitle(a.by)}`);
    if (a.repeats) state.push(a.repeats === 1 ? "called again once" : `called again ${a.repeats} times`);
    say(this.state, state.join(", "));
    say(this.figures, alarmFigures(a, t));
    const speaks = a.names?.length ? `It speaks for ${a.names.join(", ")}.` : "";
    const doubt = a.doubt ? `Its sensor is in doubt: ${plainReason(a.doubt)}.` : "";
    say(this.reason, [plainReason(a.reason ?? ""), doubt, speaks].filter(Boolean).join(" "));
    this.reason.hidden = !this.reason.textContent;
    this.figures.hidden = !this.figures.textContent;
    say(this.consequence, a.consequence);
    say(this.action, a.action);
    this.advice.hidden = a.state === "H"; // what covers it says what to do
    this.offer(a, f);
  }

  private offer(a: AlarmNow, f: Frame): void {
    const may = f.now!.commands;
    this.buttons.hidden = !may && a.limit === "fault"; // a viewer may still look
    this.acknowledge.hidden = !may || !["B", "D", "E"].includes(a.state) || !a.occurrence;
    this.reset.hidden = !may || a.state !== "F";
    this.unshelve.hidden = !may || a.state !== "G";
    this.shelve.hidden = !may || a.state === "I";
    this.note.hidden = !may;
    say(this.shelve, a.state === "G" ? "Shelve again…" : "Shelve…");
    const offered = shelves.filter(([seconds]) => seconds <= a.longest_shelf_s);
    if (this.length.options.length !== offered.length) {
      this.length.replaceChildren(...offered.map(([seconds, text]) => h("option", { value: seconds }, text)));
    }
    this.trend.hidden = a.limit === "fault";
    const from = a.since ? Date.parse(a.since) - 6 * 3600e3 : f.at - 86400e3;
    const to = Math.min(f.at, (a.cleared ? Date.parse(a.cleared) : f.at) + 3 * 3600e3);
    const iso = (ms: number): string => new Date(ms).toISOString().slice(0, 16) + "Z";
    mark(this.trend, "href", `/trend?p=${a.place}/${a.quantity}&from=${iso(from)}&to=${iso(Math.max(to, from + 3600e3))}`);
  }
}

const groups: { title: string; empty: string; states: string; box: HTMLElement; head: HTMLElement }[] = [
  {
    title: "Waiting for you",
    empty: "Nothing waits for you. That does not mean that every animal is well.",
    states: "BDE",
    box: h("div"),
    head: h("h2"),
  },
  { title: "Acknowledged, still active", empty: "", states: "CF", box: h("div"), head: h("h2") },
  { title: "Silenced: shelved, covered, out of service", empty: "", states: "GHI", box: h("div", { class: "silenced" }), head: h("h2") },
];
const cards = new Map<string, Card>();

// An alarm that is covered while its condition does not hold asks for nothing: it is listed in one line under what covers it.
const idle = (a: AlarmNow): boolean => a.state === "H" && !a.active;
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

function show(f: Frame): void {
  for (const group of groups) {
    const alarms = f.now!.alarms.filter((a) => group.states.includes(a.state) && !idle(a));
    alarms.sort(byUrgency);
    say(group.head, `${group.title}${alarms.length ? ` (${alarms.length})` : ""}`);
    group.head.hidden = !alarms.length && !group.empty;
    const wanted: Element[] = alarms.map((a) => {
      let card = cards.get(a.alarm);
      if (!card) cards.set(a.alarm, (card = new Card()));
      card.update(a, f);
      return card.element;
    });
    if (!wanted.length && group.empty) {
      const old = group.box.querySelector(".none");
      wanted.push(old ?? h("p", { class: "none" }, group.empty));
    }
    arrange(group.box, wanted);
  }
  showCovered(f);
  signed.hidden = !f.now!.commands;
  noCommands.hidden = f.now!.commands;
  freeNote.hidden = !f.now!.commands;
}

// The journal.

const kinds = h(
  "select",
  { id: "kinds" },
  ...(
    [
      ["all", "everything"],
      ["alarms", "alarms and what people did"],
      ["raised", "alarms raised and over"],
      ["people", "what people did"],
      ["notes", "notes"],
      ["stages", "stage changes"],
      ["mistings", "mistings"],
      ["system", "dewline itself"],
    ] as const
  ).map(([value, text]) => h("option", { value }, text)),
);
const place = h("select", { id: "place" }, h("option", { value: "" }, "all places"));
const fromDay = h("input", { type: "date", id: "from" });
const toDay = h("input", { type: "date", id: "to" });
const body = h("tbody");
const older = h("button", { type: "button", click: () => void loadJournal(true) }, "Show older entries");
const problem = h("p", { role: "status" });
let entries: Entry[] = [];
let next = 0;

function readAddress(): void {
  const q = new URLSearchParams(location.search);
  if ([...kinds.options].some((o) => o.value === q.get("kinds"))) kinds.value = q.get("kinds")!;
  const wanted = q.get("place");
  if (wanted && ![...place.options].some((o) => o.value === wanted)) place.append(h("option", { value: wanted }, wanted));
  place.value = wanted ?? "";
  fromDay.value = q.get("from") ?? "";
  toDay.value = q.get("to") ?? "";
}

function writeAddress(): void {
  const q = new URLSearchParams();
  if (kinds.value !== "all") q.set("kinds", kinds.value);
  for (const [name, input] of [
    ["place", place],
    ["from", fromDay],
    ["to", toDay],
  ] as const)
    if (input.value) q.set(name, input.value);
  history.replaceState(null, "", location.pathname + (q.size ? "?" + q : ""));
}

let asked = 0;

async function loadJournal(more = false): Promise<void> {
  if (!frame.now) return;
  const turn = ++asked;
  const q = new URLSearchParams({ kinds: kinds.value, limit: "40" });
  if (place.value) q.set("place", place.value);
  const from = fromInput(frame.zone, fromDay.value),
    to = fromInput(frame.zone, toDay.value);
  if (!Number.isNaN(from)) q.set("from", new Date(from).toISOString());
  if (!Number.isNaN(to))
    q.set(
      "to",
      new Date(fromInput(frame.zone, new Date(Date.parse(toDay.value + "T00:00Z") + 86400e3).toISOString().slice(0, 10))).toISOString(),
    );
  if (more && next) q.set("before", String(next));
  try {
    const page = await get<JournalPage>("/api/journal?" + q);
    if (turn !== asked) return;
    entries = more ? entries.concat(page.entries) : page.entries;
    next = page.older;
    say(problem, entries.length ? "" : "No entry passes these filters.");
  } catch (error) {
    if (turn !== asked) return;
    say(problem, (error as Error).message);
  }
  showJournal();
}

// gathered puts entries together that one cause made at one moment, such as all alarms that a room's alarm covers.
function gathered(list: Entry[]): { e: Entry; all: Entry[] }[] {
  const rows: { e: Entry; all: Entry[] }[] = [];
  for (const e of list) {
    const last = rows.at(-1);
    const alike =
      last &&
      (e.kind === "alarm.suppressed" || e.kind === "alarm.returned") &&
      e.kind === last.e.kind &&
      e.at === last.e.at &&
      e.reason === last.e.reason;
    if (alike) last.all.push(e);
    else rows.push({ e, all: [e] });
  }
  return rows;
}

function gatheredText(all: Entry[]): string {
  const names = [...new Set(all.map((e) => e.place ?? ""))].sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
  return `${all.length} alarms at ${names.join(", ")}; ${plainReason(all[0]!.reason ?? "")}`;
}

function showJournal(): void {
  older.hidden = !next;
  let last = "";
  body.replaceChildren(
    ...gathered(entries).map(({ e, all }) => {
      const at = Date.parse(e.at),
        date = dayYear(frame.zone, at);
      const text = date === last ? "" : date;
      last = date;
      return h(
        "tr",
        { "data-kind": e.kind },
        h("td", {}, h("span", { class: "date" }, text || h("span", { class: "unseen" }, date)), " ", clockSeconds(frame.zone, at)),
        h("td", {}, kindText(e.kind), e.priority ? h("span", { class: "dim" }, ` ${e.priority}`) : ""),
        h("td", {}, all.length > 1 ? "" : (e.place ?? "")),
        h("td", {}, all.length > 1 ? gatheredText(all) : entryText(e, frame.temperature)),
        h("td", {}, byPerson(e)),
      );
    }),
  );
}

for (const input of [kinds, place, fromDay, toDay]) {
  input.addEventListener("change", () => {
    writeAddress();
    void loadJournal();
  });
}

const freeText = h("textarea", { id: "free-note", rows: 2, maxlength: 500, required: true });
const notePlace = h("select", { id: "note-place" }, h("option", { value: "" }, "no place"));
const freeNote = h(
  "form",
  { class: "inline" },
  h("label", { for: "free-note" }, "note for the journal"),
  freeText,
  h("label", { for: "note-place" }, "about"),
  notePlace,
  h("button", { type: "submit" }, "Write the note"),
);
freeNote.addEventListener("submit", (event) => {
  event.preventDefault();
  void order(
    { verb: "note", text: freeText.value.trim(), ...(notePlace.value ? { place: notePlace.value } : {}) },
    "The note is in the journal.",
  ).then((done) => {
    if (done) freeText.value = "";
  });
});

const signed = user
  ? h(
      "div",
      { class: "signed" },
      h("span", {}, "You are ", h("strong", {}, user)),
      h("span", { class: "dim" }, "is noted beside what you do in the journal"),
    )
  : h(
      "div",
      { class: "signed" },
      h("label", { for: "keeper" }, "You are"),
      nameInput,
      h("span", { class: "dim" }, "is noted beside what you do in the journal; kept in this browser"),
    );
const noCommands = h(
  "p",
  { class: "dim no-commands" },
  role === "viewer"
    ? `You are ${user}, a viewer, who may look but not act. Log in as an operator to acknowledge and shelve.`
    : "This site takes no commands from its pages: use the command line.",
);

byId("page").replaceChildren(
  signed,
  noCommands,
  outcome,
  ...groups.flatMap((g) => [g.head, g.box]),
  covered,
  h(
    "section",
    { class: "journal", "aria-labelledby": "journal-title" },
    h("h2", { id: "journal-title" }, "Journal"),
    freeNote,
    h(
      "div",
      { class: "filters", role: "group", "aria-label": "Filter the journal" },
      h("label", { for: "kinds" }, "show"),
      kinds,
      h("label", { for: "place" }, "at"),
      place,
      h("label", { for: "from" }, "from"),
      fromDay,
      h("label", { for: "to" }, "to"),
      toDay,
    ),
    problem,
    h(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "Journal entries" },
      h(
        "table",
        { class: "stack" },
        h("thead", {}, h("tr", {}, ...["When", "What", "Where", "Details", "Who"].map((t) => h("th", { scope: "col" }, t)))),
        body,
      ),
    ),
    older,
  ),
);
older.hidden = true;
readAddress();
start();

let known = "";
let unit = "";
onChange((f) => {
  show(f);
  for (const p of f.now!.places) {
    for (const select of [place, notePlace])
      if (![...select.options].some((o) => o.value === p.id)) select.append(h("option", { value: p.id }, p.id));
  }
  const key = JSON.stringify(f.now!.alarms.map((a) => [a.alarm, a.state, a.occurrence, a.repeats]));
  if (key !== known && f.now!.history) {
    // something has happened, so there are new entries
    known = key;
    void loadJournal();
  } else if (unit !== f.temperature) showJournal();
  unit = f.temperature;
});
