// The page of an enclosure's humidity: its days, its usual day, its mistings, and what another schedule would bring.

import { get, type Between, type HumidityPage, type HumiditySpan, type MistingEvent, type MistingSchedule } from "./api";
import { order, outcomeText, role, signed } from "./act";
import { byId, h, say, svg } from "./dom";
import { drop, foldedDay, strip, type DropState } from "./folded";
import { frame, onChange, start } from "./frame";
import { placeName } from "./names";
import { day, daysBefore, fromInput, lasting, moment, toInput } from "./time";

const place = decodeURIComponent(location.pathname.split("/").at(-1) ?? "");
const FRESH_MS = 5 * 60e3; // the page asks again after so long
const SLOW_MS = 700; // a first answer that takes longer is announced: the fit takes a small board a while

let shown: HumidityPage | null = null;
const spans: Record<string, string> = {}; // what was asked for instead of the usual days: from, to, against_from, against_to
let schedule: { time: string; dose: number }[] | null = null; // that is tried

const message = h("p", { class: "message", role: "alert" });
const waiting = h("p", { role: "status" }, "Reading the past days. A small board may need a minute for it.");
const lead = h("p", { class: "humid-lead" });
const rows = h("div", { class: "strips" });
const key = h("p", { class: "legend" });
const foldTitle = h("h2", { id: "fold-title" }, "The usual day");
const foldBox = h("div", { class: "fold" });
const foldKey = h("p", { class: "legend" });
const tiles = h("dl", { class: "humid-tiles" });
const mistings = h("tbody");
const times = h("ul", { class: "times" });
const compared = h("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Schedules side by side" });
const said = h("div", { class: "said" });
const result = h("p", { class: "result", role: "status" });

const fields = (["from", "to", "against_from", "against_to"] as const).map((name) => ({
  name,
  input: h("input", { type: "date", id: `span-${name}` }),
  label: { from: "from", to: "to", against_from: "against from", against_to: "to" }[name],
}));
const compareForm = h(
  "form",
  { class: "custom" },
  ...fields.flatMap((f) => [h("label", { for: f.input.id }, f.label), f.input]),
  h("button", { type: "submit" }, "Compare"),
  h("button", { type: "button", click: () => usual() }, "Usual days"),
);
const changeInput = h("input", { type: "text", id: "change-text", maxlength: 200, value: "schedule changed to " });
const changeForm = h(
  "form",
  { class: "custom mark" },
  h("label", { for: "change-text" }, "Mark now"),
  changeInput,
  h("button", { type: "submit", "data-acts": true }, "Write into the journal"),
);

const content = [
  message,
  lead,
  h("section", { "aria-label": "The last seven days" }, rows, key),
  h(
    "section",
    { "aria-labelledby": "fold-title" },
    foldTitle,
    foldBox,
    foldKey,
    tiles,
    h(
      "details",
      { class: "fold-more" },
      h("summary", {}, "Compare other days, mark a change"),
      h("div", {}, compareForm, changeForm, signed, result),
    ),
  ),
  h(
    "section",
    { "aria-labelledby": "what-if-title", class: "what-if" },
    h("h2", { id: "what-if-title" }, "What another schedule would bring"),
    h(
      "form",
      {
        class: "plan",
        submit: (event: Event) => {
          event.preventDefault();
          void load();
        },
      },
      times,
      h(
        "p",
        { class: "plan-acts" },
        h("button", { type: "button", click: () => add() }, "Add a time"),
        h("button", { type: "submit", class: "chief" }, "Try this schedule"),
      ),
    ),
    compared,
    said,
  ),
  h(
    "section",
    { "aria-labelledby": "mistings-title" },
    h("h2", { id: "mistings-title" }, "Each misting"),
    h(
      "div",
      { class: "scroll", tabindex: 0, role: "region", "aria-label": "Mistings of the last seven days" },
      h(
        "table",
        { class: "mistings" },
        h(
          "thead",
          {},
          h(
            "tr",
            {},
            ...["When", "Known from", "Peak", "Floor", "100 to 80 %RH", "Below band after"].map((t) => h("th", { scope: "col" }, t)),
          ),
        ),
        mistings,
      ),
    ),
  ),
];

const hours = (v: number): string => (v < 0.05 ? "0 h" : v < 1 ? `${Math.round(v * 60)} min` : `${v.toFixed(1)} h`);

// range says a value with its interval; one that was counted has none.
function range(b: Between | null, unit: (v: number) => string): string {
  if (!b) return "–";
  return b.high - b.low < 1e-6 ? unit(b.mid) : `${unit(b.mid)} (${unit(b.low)} to ${unit(b.high)})`;
}

function spanWords(s: HumiditySpan): string {
  const from = Date.parse(s.from),
    to = Date.parse(s.to) - 1;
  return `${day(frame.zone, from)} to ${day(frame.zone, to)}`;
}

function showDays(page: HumidityPage): void {
  const marks = page.changes.map((c) => toInput(frame.zone, Date.parse(c.at)));
  rows.replaceChildren(
    ...page.days.map((d, i) => {
      const noon = fromInput(frame.zone, d.date + "T12:00");
      const changed = marks.filter((m) => m.startsWith(d.date)).map((m) => Number(m.slice(11, 13)) * 60 + Number(m.slice(14, 16)));
      const name = i === 0 ? "today" : new Date(noon).toLocaleDateString("en-GB", { weekday: "short", timeZone: frame.zone });
      const outside = [d.below_h >= 0.05 && `${hours(d.below_h)} below`, d.above_h >= 0.05 && `${hours(d.above_h)} above`]
        .filter(Boolean)
        .join(", ");
      const words = `${name} ${day(frame.zone, noon)}: ${outside || "in band while seen"}, ${d.mistings.length} mistings`;
      return h(
        "div",
        { class: "strip-row" },
        h("p", { class: "strip-day" }, h("strong", {}, name), " ", day(frame.zone, noon)),
        strip(page, d, changed, words),
        h("p", { class: "strip-sum" }, outside || (/[^nu]/.test(d.zones) ? "in band" : "no band or not seen")),
      );
    }),
    h("div", { class: "strip-axis", "aria-hidden": "true" }, ...["0", "6", "12", "18", "24 h"].map((t) => h("span", {}, t))),
  );
  const sign = (state: DropState, text: string): HTMLElement =>
    h("span", {}, svg("svg", { viewBox: "-8 -1 24 20", "aria-hidden": "true" }, drop(state)), text);
  const states = new Set(page.days.flatMap((d) => d.mistings.map((m) => m.state)));
  key.replaceChildren(
    ...(
      [
        ["recorded", "misting on record"],
        ["seen", "seen in the humidity"],
        ["missed", "missed"],
        ["stuck", "stayed saturated"],
      ] as [DropState, string][]
    )
      .filter(([state]) => states.has(state))
      .map(([state, text]) => sign(state, text)),
    "The rail is the band: blocks under it are below the band, blocks over it above; longer and red are critical. Shaded: lights off.",
  );
}

function showFold(page: HumidityPage): void {
  const width = Math.max(260, Math.floor(foldBox.clientWidth));
  const against = page.against ? `, against ${spanWords(page.against)}` : "";
  foldBox.replaceChildren(
    foldedDay(page, width, `Relative humidity through the day: median and range of four of five days, ${spanWords(page.this)}${against}`),
  );
  const line = (name: string, text: string): HTMLElement =>
    h(
      "span",
      {},
      svg("svg", { viewBox: "0 0 26 12", "aria-hidden": "true" }, svg("path", { class: "median", "data-span": name, d: "M1 6H25" })),
      text,
    );
  const last = page.changes.at(-1);
  foldKey.replaceChildren(
    line("this", `${spanWords(page.this)} (${page.this.days} days): median, shaded four of five days`),
    ...(page.against ? [line("against", `${spanWords(page.against)} (${page.against.days} days)`)] : []),
    h(
      "span",
      {},
      svg("svg", { viewBox: "0 0 26 12", "aria-hidden": "true" }, svg("path", { class: "limit", d: "M1 6H25" })),
      "the band, %RH",
    ),
    ...(last ? [h("span", {}, `⚑ ${moment(frame.zone, Date.parse(last.at))}: ${last.text}`)] : []),
  );
}

function showTiles(page: HumidityPage): void {
  const tile = (name: string, of: (s: HumiditySpan) => string, note = ""): HTMLElement =>
    h(
      "div",
      {},
      h("dt", {}, name),
      h(
        "dd",
        {},
        h("b", {}, of(page.this)),
        page.against ? h("span", {}, `before: ${of(page.against)}`) : "",
        note ? h("small", {}, note) : "",
      ),
    );
  const surface = { measured: "", guessed: "glass taken half-way between the air and the room", unknown: "no surface is known" }[
    page.this.surface
  ];
  tiles.replaceChildren(
    tile("below the band, a day", (s) => (s.hours_below_band_per_day === null ? "–" : hours(s.hours_below_band_per_day))),
    tile("above the band, a day", (s) => (s.hours_above_band_per_day === null ? "–" : hours(s.hours_above_band_per_day))),
    tile("nights under 1 K from the dew point", (s) => `${s.nights_close_to_condensation} of ${s.nights_measured}`, surface),
    tile("days that dried out", (s) => `${s.days_dried_out} of ${s.days_counted}`, "two hours or more under 85 %RH"),
  );
}

function eventWords(e: MistingEvent): string {
  if (e.missed) return e.scheduled ? "missed: due, and no rise" : "missed: no rise";
  if (e.stuck) return `stayed saturated for ${lasting(e.saturated_s)}`;
  if (e.hidden) return "on record, not to be seen";
  return e.recorded ? "on record" : e.scheduled ? "due, and seen" : "seen in the humidity";
}

function showMistings(page: HumidityPage): void {
  const rh = (v: number | null): string => (v === null ? "–" : `${Math.round(v)} %RH`);
  mistings.replaceChildren(
    ...page.mistings.map((e) =>
      h(
        "tr",
        { "data-bad": e.missed || e.stuck },
        h("th", { scope: "row" }, moment(frame.zone, Date.parse(e.at))),
        h("td", {}, eventWords(e)),
        h("td", { class: "number" }, rh(e.peak_pct_rh) + (e.peak_hidden ? " or more" : "")),
        h("td", { class: "number" }, rh(e.floor_pct_rh)),
        h("td", { class: "number" }, e.to_80_s === null ? "–" : lasting(e.to_80_s)),
        h("td", { class: "number" }, e.below_band_s < 60 ? "–" : lasting(e.below_band_s)),
      ),
    ),
  );
  if (!page.mistings.length) mistings.append(h("tr", {}, h("td", { colspan: 6 }, "No misting is on record or to be seen in these days.")));
}

function parse(text: string): { time: string; dose: number }[] {
  return text
    ? text.split(",").map((slot) => {
        const [time = "", dose] = slot.split("x");
        return { time, dose: dose ? Number(dose) : 1 };
      })
    : [];
}

const written = (): string => (schedule ?? []).map((s) => s.time + (s.dose === 1 ? "" : `x${s.dose}`)).join(",");

function add(): void {
  schedule = [...(schedule ?? []), { time: "12:00", dose: 1 }];
  showTimes();
  times.querySelector<HTMLInputElement>("li:last-child input")?.focus();
}

function showTimes(): void {
  const lengths: [number, string][] = [
    [0.5, "half as long"],
    [1, "usual length"],
    [2, "twice as long"],
  ];
  times.replaceChildren(
    ...(schedule ?? []).map((slot, i) => {
      const time = h("input", { type: "time", value: slot.time, "aria-label": `time of misting ${i + 1}`, required: true });
      time.addEventListener("change", () => (slot.time = time.value));
      const dose = h("select", { "aria-label": `length of misting ${i + 1}` });
      const offered = lengths.some(([v]) => v === slot.dose)
        ? lengths
        : [...lengths, [slot.dose, `${slot.dose} × usual`] as [number, string]];
      dose.append(...offered.map(([v, text]) => h("option", { value: v, selected: v === slot.dose }, text)));
      dose.addEventListener("change", () => (slot.dose = Number(dose.value)));
      const remove = h("button", { type: "button", "aria-label": `remove misting ${i + 1}` }, "Remove");
      remove.addEventListener("click", () => {
        schedule!.splice(i, 1);
        showTimes();
      });
      return h("li", {}, time, dose, remove);
    }),
  );
  if (!schedule?.length) times.append(h("li", { class: "dim" }, "no misting at all"));
}

function showWhatIf(page: HumidityPage): void {
  const w = page.what_if;
  if (!schedule) {
    schedule = parse(w.suggestion?.schedule?.times ?? w.schedules[0]?.times ?? "");
    showTimes();
  }
  const columns: [string, MistingSchedule][] = w.schedules.map((s) => [s.now ? "now, as measured" : "tried", s]);
  if (w.suggestion?.schedule) columns.push(["suggested", w.suggestion.schedule]);
  const nights = (v: number): string => `${v.toFixed(1)}`;
  const lines: [string, (s: MistingSchedule) => string][] = [
    ["times", (s) => s.times.replaceAll(",", ", ").replace(/x([\d.]+)/g, " × $1") || "none"],
    ["below the band, a day", (s) => range(s.hours_below_band_per_day, hours)],
    ["above the band, a day", (s) => range(s.hours_above_band_per_day, hours)],
    ["saturated, a day", (s) => range(s.hours_saturated_per_day, hours)],
    ["dry enough for leaves, a day", (s) => range(s.hours_dry_enough_per_day, hours)],
    ["longest time below", (s) => range(s.longest_dry_spell_h, hours)],
    ["nights with condensation, a week", (s) => range(s.condensation_nights, nights)],
    ["water", (s) => (s.relative_water === null ? "–" : `${Math.round(100 * s.relative_water)} %`)],
  ];
  compared.replaceChildren(
    h(
      "table",
      { class: "schedules" },
      h("thead", {}, h("tr", {}, h("td"), ...columns.map(([name]) => h("th", { scope: "col" }, name)))),
      h(
        "tbody",
        {},
        ...lines.map(([name, of]) => h("tr", {}, h("th", { scope: "row" }, name), ...columns.map(([, s]) => h("td", {}, of(s))))),
      ),
    ),
  );
  const refused = w.schedules.find((s) => s.refused)?.refused ?? (w.fit.tau_s === null ? w.fit.refused : undefined);
  const fitted = `${day(frame.zone, Date.parse(w.from))} to ${day(frame.zone, Date.parse(w.to) - 1)}`;
  const sentences: string[] = [];
  if (refused) sentences.push(`No forecast: ${refused}.`);
  else {
    sentences.push(
      `Fitted on ${w.fit.days.toFixed(0)} days, ${fitted}: it dries by 63 % of the way to ${Math.round(w.fit.floor_pct_rh ?? 0)} %RH in ` +
        `${lasting(w.fit.tau_s ?? 0)}.` +
        (w.fit.refused ? ` Ventilation and evaporation are not stated: ${w.fit.refused}.` : ""),
    );
    sentences.push("Intervals hold in four of five cases if the room behaves as in these days; other weather moves all schedules.");
  }
  if (w.suggestion) sentences.push(w.suggestion.schedule ? `Suggested is ${w.suggestion.reason}.` : `Searched: ${w.suggestion.reason}.`);
  const c = w.checked;
  if (c?.predicted_hours_below_band_per_day && c.hours_below_band_per_day !== null)
    sentences.push(
      `Since the change of ${day(frame.zone, Date.parse(c.at))} (${c.schedule.replaceAll(",", ", ")}): the days before it let expect ` +
        `${range(c.predicted_hours_below_band_per_day, hours)} below the band a day; ` +
        `${hours(c.hours_below_band_per_day)} came, over ${c.days} days.`,
    );
  sentences.push("dewline switches nothing. Change one thing, then watch for three to seven days; you and your veterinarian decide.");
  said.replaceChildren(...sentences.map((text) => h("p", {}, text)));
}

function show(page: HumidityPage): void {
  shown = page;
  const point = frame.now?.places.find((p) => p.id === place)?.points.find((p) => p.quantity === "relative-humidity");
  const inForce = point?.value == null ? "" : `${Math.round(point.value)} %RH now. `;
  lead.replaceChildren(
    h("strong", {}, placeName(place)),
    ` ${inForce}`,
    h("a", { href: `/trend?p=${place}/relative-humidity&span=1w` }, "All of it as a trend"),
  );
  showDays(page);
  showFold(page);
  showTiles(page);
  showMistings(page);
  showWhatIf(page);
  for (const f of fields) {
    const span = f.name.startsWith("against") ? page.against : page.this;
    const at = span && (f.name.endsWith("from") ? Date.parse(span.from) : Date.parse(span.to) - 1);
    if (at && document.activeElement !== f.input) f.input.value = toInput(frame.zone, at).slice(0, 10);
  }
  byId("page").dataset.drawn = "yes";
}

let asked: AbortController | null = null;
let askedAt = -Infinity;
async function load(): Promise<void> {
  asked?.abort();
  const controller = (asked = new AbortController());
  askedAt = performance.now();
  const q = new URLSearchParams({ place, ...spans });
  if (shown && schedule) q.set("schedule", written());
  byId("page").classList.add("busy");
  const slow = setTimeout(() => !shown && byId("page").prepend(waiting), SLOW_MS);
  try {
    const page = await get<HumidityPage>("/api/humidity?" + q.toString(), controller.signal);
    say(message, "");
    if (!shown) byId("page").replaceChildren(...content); // until then what is in the HTML is there, and nothing jumps
    show(page);
  } catch (problem) {
    if (controller.signal.aborted) return;
    if (!shown) byId("page").prepend(message);
    say(message, (problem as Error).message);
  } finally {
    clearTimeout(slow);
    waiting.remove();
    if (asked === controller) byId("page").classList.remove("busy");
  }
}

function usual(): void {
  for (const name of Object.keys(spans)) delete spans[name];
  void load();
}

compareForm.addEventListener("submit", (event) => {
  event.preventDefault();
  for (const f of fields) {
    const at = fromInput(frame.zone, f.input.value);
    if (Number.isNaN(at)) {
      say(message, "Give all four dates.");
      return;
    }
    // the last day is part of it
    spans[f.name] = new Date(f.name.endsWith("to") ? daysBefore(frame.zone, at, -1) : at).toISOString();
  }
  void load();
});

changeForm.addEventListener("submit", (event) => {
  event.preventDefault();
  const text = changeInput.value.trim();
  if (!text.toLowerCase().startsWith("schedule changed")) {
    say(result, "A mark begins with the words “schedule changed”.");
    return;
  }
  void order({ verb: "note", place, text }).then((outcome) => {
    say(result, outcomeText(outcome, "It is in the journal, and the days before and after it can be compared from tomorrow on."));
    if (outcome.done) void load();
  });
});

let width = 0;
new ResizeObserver(() => {
  if (shown && foldBox.clientWidth !== width) {
    width = foldBox.clientWidth;
    showFold(shown);
  }
}).observe(foldBox);

start();
onChange((f) => {
  changeForm.hidden = !f.now!.commands || role === "viewer";
  signed.hidden = changeForm.hidden;
  if (!f.now!.history) say(message, "This site keeps no history, so there is no past to show.");
  else if (performance.now() - askedAt > FRESH_MS) void load();
});
