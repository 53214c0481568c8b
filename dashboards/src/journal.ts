// The journal: what happened and what people did, with filters that the address holds.

import { get, type Entry, type JournalPage } from "./api";
import { order, outcomeText } from "./act";
import { h, mark, say } from "./dom";
import { frame, type Frame } from "./frame";
import { placeName } from "./names";
import { clockSeconds, dayYear, fromInput } from "./time";
import { byPerson, entryText, kindText, plainReason } from "./words";

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

export async function loadJournal(more = false): Promise<void> {
  if (!frame.now?.history) return;
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
  const names = [...new Set(all.map((e) => placeName(e.place ?? "")))].sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
  return `${all.length} alarms at ${names.join(", ")}; ${plainReason(all[0]!.reason ?? "")}`;
}

export function showJournal(): void {
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
        h("td", {}, all.length > 1 ? "" : placeName(e.place ?? "")),
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
const noteResult = h("p", { class: "result", role: "status" });
export const freeNote = h(
  "form",
  { class: "inline" },
  h("label", { for: "free-note" }, "note for the journal"),
  freeText,
  h("label", { for: "note-place" }, "about"),
  notePlace,
  h("button", { type: "submit", "data-acts": true }, "Write the note"),
  noteResult,
);
freeNote.addEventListener("submit", (event) => {
  event.preventDefault();
  say(noteResult, "sending…");
  void order({ verb: "note", text: freeText.value.trim(), ...(notePlace.value ? { place: notePlace.value } : {}) }).then((result) => {
    say(noteResult, outcomeText(result, "The note is in the journal."));
    mark(noteResult, "data-done", String(result.done));
    if (!result.done) return;
    freeText.value = "";
    void loadJournal();
  });
});

export const journal = h(
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
);
older.hidden = true;
readAddress();

let known = "";
let unit = "";

// followJournal asks for new entries when something has happened to an alarm.
export function followJournal(f: Frame): void {
  for (const p of f.now!.places) {
    for (const select of [place, notePlace])
      if (![...select.options].some((o) => o.value === p.id)) select.append(h("option", { value: p.id }, placeName(p.id)));
  }
  if (!f.now!.history) {
    say(problem, "This site keeps no history, so there is no journal to show.");
    return;
  }
  const key = JSON.stringify(f.now!.alarms.map((a) => [a.alarm, a.state, a.occurrence, a.repeats]));
  if (key !== known) {
    known = key;
    void loadJournal();
  } else if (unit !== f.temperature) showJournal();
  unit = f.temperature;
}
