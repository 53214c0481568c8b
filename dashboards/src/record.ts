// What a person writes down about animals and their care: the forms, what is in force because of it, and the way back.

import { order, SETTLE_MS, signed, user } from "./act";
import type { CohortNow, Command, Outcome, PlaceNow } from "./api";
import { h, mark, say } from "./dom";
import { frame } from "./frame";
import { placeName } from "./names";
import { toInput } from "./time";

// RECORDED is the event of the document after something was written down or taken back.
export const RECORDED = "dewline-recorded";

export interface Preset {
  place?: string;
  cohort?: string;
}

// upperFirst begins a sentence, unless it begins with the id of a cohort.
export const upperFirst = (text: string): string => text.replace(/^[a-z](?![a-z]*-?\d)/, (letter) => letter.toUpperCase());
export const plainTask = (task: string): string => task.replaceAll("-", " ");

// outcomeOf says what is in force after a command, or why it was refused.
function outcomeOf(o: Outcome): string {
  if (!o.done) return `Not written down: ${o.reason ?? "no reason was given"}.`.replace(/\.\.$/, ".");
  return [upperFirst(o.in_force ?? "Done."), ...(o.warnings ?? []).map((w) => `Mind: ${w}.`)].join(" ");
}

// describe says what a command says, for the note that takes it back.
function describe(c: Command): string {
  const of = c.cohort ?? c.place ?? "";
  switch (c.verb) {
    case "done":
      return `${c.task} of ${of}`;
    case "move":
      return `move of ${of} to ${c.place}`;
    case "stage":
      return `${of} is ${c.stage}`;
    case "count":
      return `count of ${of}: ${c.count}`;
  }
  return of ? `${c.verb} of ${of}` : c.verb;
}

interface Made {
  entry: string;
  command: Command;
}

// Answer carries out commands and says in its place what came of them, with a button that takes them back.
export class Answer {
  readonly text = h("p", { class: "result", role: "status", tabindex: -1 });
  readonly undo = h(
    "button",
    { type: "button", class: "undo", "data-acts": true, hidden: true, click: () => void this.takeBack() },
    "Undo",
  );
  readonly element = h("div", { class: "outcome" }, this.text, this.undo);
  private made: Made[] = [];
  private shownAt = 0;
  private busy = false;
  private partial = false;

  // changed is called after what is on record has changed; with true when it was taken back.
  constructor(private readonly changed: (back: boolean) => void = () => {}) {}

  private say(text: string, done: boolean): void {
    say(this.text, text);
    mark(this.text, "data-done", String(done));
  }

  refuse(text: string): void {
    this.say(text, false);
  }

  clear(): void {
    this.say("", true);
    this.undo.hidden = true;
    this.made = [];
  }

  // carryOut sends commands one after the other up to the first that is refused, and reports whether all were carried out.
  async carryOut(commands: Command[]): Promise<boolean> {
    if (this.busy) return false;
    if (!this.partial) this.clear(); // else what is on record already can still be taken back
    this.undo.hidden = true;
    this.busy = true;
    this.say("Writing it down…", true);
    const texts: string[] = [];
    let fine = true;
    for (const command of commands) {
      const outcome = await order(command);
      texts.push(outcomeOf(outcome));
      if (outcome.done && outcome.changed && outcome.entry) this.made.push({ entry: outcome.entry, command });
      fine = outcome.done;
      if (!fine) break;
    }
    this.busy = false;
    this.partial = !fine && this.made.length > 0;
    this.say(texts.length > 1 ? texts.map((text, i) => `${i + 1}. ${text}`).join(" ") : texts.join(""), fine);
    this.offerUndo();
    if (this.made.length) this.tell(false);
    return fine;
  }

  private offerUndo(): void {
    this.undo.hidden = !this.made.length;
    this.undo.disabled = frame.lost;
    this.shownAt = performance.now();
    mark(this.undo, "aria-label", `Undo: ${this.made.map((m) => describe(m.command)).join(", ")}`);
  }

  private tell(back: boolean): void {
    this.changed(back);
    document.dispatchEvent(new Event(RECORDED));
  }

  // takeBack withdraws what was written, the last one first. A press right after the button came was meant for what was there before.
  private async takeBack(): Promise<void> {
    if (this.busy || performance.now() - this.shownAt < SETTLE_MS) return;
    this.busy = true;
    this.say("Taking it back…", true);
    let last: Outcome = { done: true, changed: true };
    while (this.made.length && last.done) {
      const { entry, command } = this.made.at(-1)!;
      const of = { ...(command.cohort && { cohort: command.cohort }), ...(command.place && { place: command.place }) };
      last = await order({ verb: "note", corrects: entry, text: `taken back: ${describe(command)}`, ...of });
      if (last.done) this.made.pop();
    }
    this.busy = false;
    this.say(outcomeOf(last), last.done);
    if (last.done) this.text.focus({ preventScroll: true });
    this.offerUndo();
    this.tell(!this.made.length);
  }
}

// taskCommand says that a task is done, for a cohort or for a whole place. A misting is recorded as such, from which drying is followed.
export function taskCommand(task: string, of: Preset, text?: string): Command {
  if (task === "mist" && of.place && !of.cohort) return { verb: "misting", place: of.place };
  const whose = of.cohort ? { cohort: of.cohort } : { place: of.place ?? "" };
  return { verb: "done", task, ...whose, ...(text && { text }) };
}

export const leftovers = ["nothing", "a little", "half", "most of it", "all of it"];
export const leftoverText = (left: string): string => `left over from the last time: ${left}`;

type Field = HTMLInputElement | HTMLSelectElement | HTMLTextAreaElement;

// labelled puts a field under its label.
function labelled(text: string, field: Field, hint = ""): HTMLElement {
  field.id = `record-${++fields}`;
  const note = hint ? h("span", { class: "hint", id: `${field.id}-hint` }, hint) : null;
  if (note) field.setAttribute("aria-describedby", note.id);
  return h("div", { class: "field" }, h("label", { for: field.id }, text), field, note);
}
let fields = 0;

const option = (value: string, text: string, chosen = false): HTMLOptionElement => h("option", { value, selected: chosen }, text);

// When is a date and a time of day of the site; both empty mean now.
class When {
  private readonly today = toInput(frame.zone, frame.at).slice(0, 10);
  private readonly date = h("input", { type: "date", max: this.today });
  private readonly time = h("input", { type: "time" });
  readonly element: HTMLElement;

  constructor(title: string, open: boolean) {
    const both = h(
      "div",
      { class: "pair" },
      labelled("Date", this.date),
      labelled("Time", this.time),
      h("p", { class: "hint" }, `Both empty: now. A date alone: from its beginning. By the clock of ${frame.zone.replaceAll("_", " ")}.`),
    );
    this.element = open
      ? h("fieldset", {}, h("legend", {}, title), both)
      : h("details", { class: "earlier" }, h("summary", {}, "It was earlier…"), both);
  }

  value(): { at?: string } {
    const date = this.date.value || (this.time.value && this.today);
    return date ? { at: this.time.value ? `${date} ${this.time.value}` : date } : {};
  }
}

interface Animals {
  cohort: CohortNow;
  place: PlaceNow;
}

const animals = (): Animals[] =>
  frame.now!.places.flatMap((place) => place.cohorts.filter((c) => c.stage).map((cohort) => ({ cohort, place })));

// placeField lists the places: those with animals first, rooms last.
function placeField(label: string, preset: string | undefined, none = ""): [HTMLSelectElement, HTMLElement] {
  const rank = (p: PlaceNow): number => (p.cohorts.some((c) => c.stage) ? 0 : p.room ? 2 : 1);
  const who = (p: PlaceNow): string => p.cohorts.filter((c) => c.stage).map((c) => c.id).join(", "); // prettier-ignore
  const select = h("select", { required: !none });
  if (none || !preset) select.append(option("", none || "choose…", true));
  for (const p of [...frame.now!.places].sort((a, b) => rank(a) - rank(b)))
    select.append(option(p.id, placeName(p.id) + (who(p) ? ` (${who(p)})` : ""), p.id === preset));
  return [select, labelled(label, select)];
}

function cohortField(preset: Preset): [HTMLSelectElement, HTMLElement] {
  const all = animals(),
    chosen = preset.cohort ?? all.find((a) => a.place.id === preset.place)?.cohort.id;
  const select = h("select", { required: true });
  if (!chosen) select.append(option("", "choose…", true));
  for (const { cohort, place } of all)
    select.append(option(cohort.id, `${cohort.id}, ${cohort.stage} in ${placeName(place.id)}`, cohort.id === chosen));
  return [select, labelled("Cohort", select)];
}

// A Form has its fields, and says the commands they mean; a text says what is missing.
interface Form {
  parts: HTMLElement[];
  save: string;
  commands: () => Command[] | string;
}

function care(task: string, save: string, preset: Preset): Form {
  const [place, placeBox] = placeField("Where", preset.place),
    when = new When("When", false),
    left = h("select", {}, option("", "not looked at", true), ...leftovers.map((l) => option(l, l)));
  const feeding = task === "feed";
  return {
    parts: [placeBox, ...(feeding ? [labelled("Left over from the last time", left)] : []), when.element],
    save,
    commands: () => [
      { ...taskCommand(task, { place: place.value }, feeding && left.value ? leftoverText(left.value) : ""), ...when.value() },
    ],
  };
}

function note(preset: Preset): Form {
  const text = h("textarea", { rows: 3, maxlength: 500, required: true }),
    [place, placeBox] = placeField("About", preset.place, "the whole site"),
    when = new When("When", false);
  return {
    parts: [labelled("Note", text), placeBox, when.element],
    save: "Write the note",
    commands: () => [{ verb: "note", text: text.value.trim(), ...(place.value && { place: place.value }), ...when.value() }],
  };
}

const stages = ["egg", "larva", "metamorph", "juvenile", "adult"];

function move(preset: Preset): Form {
  const [cohort, cohortBox] = cohortField(preset),
    place = h("select"),
    stage = h("select"),
    gosner = h("input", { type: "number", min: 1, max: 46, inputmode: "numeric" }),
    when = new When("Since when", true);
  const chosen = (): Animals | undefined => animals().find((a) => a.cohort.id === cohort.value);
  const offer = (): void => {
    const now = chosen();
    place.replaceChildren(
      option("", now ? `stays in ${placeName(now.place.id)}` : "stays where it is", true),
      ...frame.now!.places.filter((p) => p.id !== now?.place.id).map((p) => option(p.id, placeName(p.id))),
    );
    stage.replaceChildren(
      option("", now ? `stays ${now.cohort.stage}` : "stays the same", true),
      ...stages.filter((s) => s !== now?.cohort.stage).map((s) => option(s, s)),
    );
  };
  cohort.addEventListener("change", offer);
  offer();
  return {
    parts: [
      cohortBox,
      labelled("Lives in", place),
      labelled("Stage", stage),
      labelled("Gosner stage, where you have looked", gosner, "1 to 46; may stay empty"),
      when.element,
    ],
    save: "Save",
    commands: () => {
      const made: Command[] = [],
        is = stage.value || (gosner.value ? (chosen()?.cohort.stage ?? "") : "");
      if (place.value) made.push({ verb: "move", cohort: cohort.value, place: place.value, ...when.value() });
      if (is)
        made.push({
          verb: "stage",
          cohort: cohort.value,
          stage: is,
          ...(gosner.value && { gosner: Number(gosner.value) }),
          ...when.value(),
        });
      return made.length ? made : "Choose another place or another stage: nothing would change.";
    },
  };
}

function count(preset: Preset): Form {
  const [cohort, cohortBox] = cohortField(preset),
    number = h("input", { type: "number", min: 0, max: 1000000, inputmode: "numeric", required: true }),
    why = h(
      "select",
      {},
      ...["", "died", "sold", "split", "found"].map((w) => option(w, { "": "not said", split: "split off" }[w] ?? w, !w)),
    ),
    when = new When("When", true),
    last = h("p", { class: "hint" });
  const remind = (): void => {
    const known = animals().find((a) => a.cohort.id === cohort.value)?.cohort.count;
    say(last, `${known === undefined ? "No count is on record." : `Last count: ${known}.`} 0 means that the cohort has ended.`);
  };
  cohort.addEventListener("change", remind);
  remind();
  return {
    parts: [cohortBox, labelled("How many live", number), last, labelled("Why fewer, or more", why), when.element],
    save: "Save the count",
    commands: () => [
      { verb: "count", cohort: cohort.value, count: Number(number.value), ...(why.value && { why: why.value }), ...when.value() },
    ],
  };
}

const entries = {
  misted: { title: "Misted", form: (p: Preset) => care("mist", "Misted", p), animals: false },
  changed: { title: "Changed water", form: (p: Preset) => care("change-water", "Changed water", p), animals: false },
  fed: { title: "Fed", form: (p: Preset) => care("feed", "Fed", p), animals: false },
  note: { title: "Note", form: note, animals: false },
  move: { title: "Move or stage", form: move, animals: true },
  count: { title: "Count", form: count, animals: true },
};
export type Kind = keyof typeof entries;
const offered: Kind[] = ["misted", "changed", "fed", "note", "move"];

const title = h("h2", { id: "record-title", tabindex: -1 });
const body = h("div");
const sheet = h(
  "dialog",
  { class: "sheet", "aria-labelledby": "record-title" },
  h("div", { class: "sheet-head" }, title, h("button", { type: "button", click: () => sheet.close() }, "Close")),
  body,
);

// openSheet opens the form of an entry; without one the list of what can be written down.
export function openSheet(kind: Kind | null, preset: Preset = {}): void {
  if (!sheet.isConnected) {
    document.body.append(sheet);
    sheet.addEventListener("close", () => {
      // What had opened it may be gone by now.
      if (document.activeElement === document.body) document.getElementById("main")?.focus({ preventScroll: true });
    });
  }
  if (kind) showForm(kind, preset);
  else showMenu(preset);
  if (!sheet.open) sheet.showModal();
  focusFirst();
}

function focusFirst(): void {
  const first = body.querySelector<HTMLElement>("select, textarea, input, .choices-list button");
  (first ?? title).focus();
}

function showMenu(preset: Preset): void {
  say(title, "Write down");
  const where = preset.place ? h("p", { class: "dim" }, `for ${placeName(preset.place)}, where you do not choose another place`) : null;
  const choose = (kind: Kind): void => {
    showForm(kind, preset);
    focusFirst();
  };
  body.replaceChildren(
    ...(where ? [where] : []),
    h(
      "div",
      { class: "choices-list" },
      ...offered.map((kind) => h("button", { type: "button", click: () => choose(kind) }, entries[kind].title)),
    ),
  );
}

function showForm(kind: Kind, preset: Preset): void {
  say(title, entries[kind].title);
  if (entries[kind].animals && !animals().length) {
    body.replaceChildren(h("p", {}, "No animals are on record. dewline cohort begin writes down the first ones."));
    return;
  }
  const form = entries[kind].form(preset),
    submit = h("button", { type: "submit", class: "first", "data-acts": true, disabled: frame.lost }, form.save),
    more = h("button", { type: "button", hidden: true, click: () => openSheet(null, preset) }, "Write down more"),
    answer = new Answer((back) => {
      if (back) taken(false);
    }),
    box = h("div", { class: "fields" }, ...form.parts, user || (signed.isConnected && !sheet.contains(signed)) ? null : signed),
    element = h("form", {}, box, h("div", { class: "buttons" }, submit), answer.element, more);
  // taken folds the fields away once they are on record, and brings them back when that was taken back.
  const taken = (done: boolean): void => {
    box.hidden = submit.hidden = done;
    more.hidden = !done;
  };
  element.addEventListener("submit", (event) => {
    event.preventDefault();
    const commands = form.commands();
    if (typeof commands === "string") {
      answer.refuse(commands);
      return;
    }
    submit.disabled = true;
    void answer.carryOut(commands).then((fine) => {
      submit.disabled = frame.lost;
      if (fine) taken(true);
      answer.text.focus({ preventScroll: true });
      answer.text.scrollIntoView({ block: "nearest" });
    });
  });
  body.replaceChildren(element);
}
