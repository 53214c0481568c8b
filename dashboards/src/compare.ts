// Two points beside each other, for animals that are to be moved from one to the other. What there is to say comes from the server.

import { get, type PointNow } from "./api";
import { h, say } from "./dom";
import { onChange } from "./frame";
import { placeName } from "./names";
import { quantityWords, split } from "./words";

// compare makes the section.
export function compare(): HTMLElement[] {
  const result = h("p", { class: "compared", role: "status" });
  const a = h("select", { id: "compare-a" }),
    b = h("select", { id: "compare-b" });
  let known = "";

  function options(points: PointNow[]): void {
    const names = points.filter((p) => !p.derived).map((p) => p.point);
    if (names.join() === known) return;
    known = names.join();
    // Two waters are what is compared most, else two of the first kind.
    const first = names.find((name) => split(name).quantity === "water-temperature") ?? names[0] ?? "",
      second = names.find((name) => name !== first && split(name).quantity === split(first).quantity) ?? first;
    for (const [box, chosen] of [
      [a, a.value],
      [b, b.value],
    ] as const) {
      box.replaceChildren(
        ...names.map((name) => {
          const { place, quantity } = split(name);
          return h("option", { value: name }, `${placeName(place)}, ${quantityWords(quantity)}`);
        }),
      );
      box.value = chosen || (box === a ? first : second);
    }
  }

  let asked = false;
  async function ask(): Promise<void> {
    asked = true;
    const of = new URLSearchParams({ a: a.value, b: b.value });
    try {
      say(result, (await get<{ words: string }>(`/api/compare?${of}`)).words);
    } catch (problem) {
      say(result, problem instanceof Error ? problem.message : String(problem));
    }
  }
  const button = h("button", { type: "button" }, "Compare");
  button.addEventListener("click", () => void ask());
  setInterval(() => {
    if (asked && !document.hidden) void ask();
  }, 60_000);
  onChange((f) => options(f.now!.places.flatMap((p) => p.points)));
  return [
    h("h2", {}, "Before animals are moved"),
    h("p", {}, "How far apart two places are, since when they have been near, and how fast that changes."),
    h("p", { class: "comparing" }, h("label", { for: "compare-a" }, "from "), a, h("label", { for: "compare-b" }, "to "), b, button),
    result,
  ];
}
