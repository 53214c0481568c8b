// What the care profiles say about the animals of a place at their stages, with the sources. It is loaded when it is opened.

import { get, type StageCare } from "./api";
import { h } from "./dom";
import { quantityWords } from "./words";

function card(c: StageCare): HTMLElement {
  const tasks = c.tasks.map((t) =>
    h("li", {}, t.text + (t.note ? `: ${t.note}` : ""), t.source ? h("span", { class: "dim" }, ` [${t.source}]`) : null),
  );
  const sources = c.sources.map((s) => h("li", {}, `${quantityWords(s.quantity)}: ${s.source}`));
  return h(
    "section",
    {},
    h("h4", {}, `${c.cohort}, ${c.stage}`),
    h("p", { class: "dim" }, c.profile),
    h("ul", {}, ...c.notes.map((note) => h("li", {}, note))),
    tasks.length ? h("h5", {}, "To do") : null,
    h("ul", {}, ...tasks),
    sources.length ? h("h5", {}, "Where the limits come from") : null,
    h("ul", { class: "dim" }, ...sources),
  );
}

// showCare fills a box with what is said about the animals of a place.
export async function showCare(box: HTMLElement, place: string): Promise<void> {
  try {
    const here = (await get<StageCare[]>("/api/care")).filter((c) => c.place === place);
    box.replaceChildren(...here.map(card));
    if (!here.length) box.replaceChildren(h("p", { class: "dim" }, "No animals live here now."));
  } catch (problem) {
    box.replaceChildren(h("p", { class: "message" }, `This could not be loaded: ${(problem as Error).message}.`));
  }
}
