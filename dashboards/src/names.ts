// What places are called. The server names them by their ids in alarms, points and entries; people know them by their titles.

import type { PlaceNow } from "./api";

const titles = new Map<string, string>();

// learn takes over the titles of a picture of the site.
export function learn(places: PlaceNow[]): void {
  titles.clear();
  for (const p of places) if (p.title) titles.set(p.id, p.title);
}

// placeName returns what a place is called: its title, or its id where it has none.
export const placeName = (id: string): string => titles.get(id) ?? id;

// otherName returns the id of a place that is called something else, as it may be written on the enclosure; "" otherwise.
export const otherName = (id: string): string => (placeName(id).toLowerCase() === id.toLowerCase() ? "" : id);
