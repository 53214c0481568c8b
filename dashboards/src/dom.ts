// Small helpers that make elements. Text always goes in as text, never as markup.

export type Child = Node | string | null | undefined | false;
type Attributes = Record<string, string | number | boolean | EventListener | null | undefined>;

function fill(element: Element, attributes: Attributes, children: Child[]): void {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") element.addEventListener(name, value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.filter((c): c is Node | string => c !== null && c !== undefined && c !== false));
}

export function h<K extends keyof HTMLElementTagNameMap>(
  tag: K,
  attributes: Attributes = {},
  ...children: Child[]
): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  fill(element, attributes, children);
  return element;
}

export function svg<K extends keyof SVGElementTagNameMap>(
  tag: K,
  attributes: Attributes = {},
  ...children: Child[]
): SVGElementTagNameMap[K] {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  fill(element, attributes, children);
  return element;
}

// say changes the text of an element only where it differs, so that nothing is announced or repainted for nothing.
export function say(element: Element, text: string): void {
  if (element.textContent !== text) element.textContent = text;
}

export function mark(element: Element, name: string, value: string): void {
  if (element.getAttribute(name) !== value) element.setAttribute(name, value);
}

export function byId(id: string): HTMLElement {
  const element = document.getElementById(id);
  if (!element) throw new Error(`the page has no #${id}`);
  return element;
}

// arrange puts children into an order, moving only what is elsewhere, so that focus and open parts survive.
export function arrange(parent: Element, wanted: Element[]): void {
  const keep = new Set<Element>(wanted);
  for (const child of [...parent.children]) if (!keep.has(child)) child.remove();
  wanted.forEach((child, i) => {
    if (parent.children[i] !== child) parent.insertBefore(child, parent.children[i] ?? null);
  });
}
