// Commands of a person: who gives them, and what came of them.

import { send, type Command, type Outcome } from "./api";
import { h } from "./dom";

// Who has logged in, where a log-in is needed: the server writes that name into the journal, whatever a page says.
export const { user, role } = document.documentElement.dataset;

// A press that comes sooner than this after something has moved was meant for what was there before.
export const SETTLE_MS = 600;

const nameInput = h("input", {
  type: "text",
  id: "keeper",
  autocomplete: "name",
  maxlength: 60,
  value: localStorage.getItem("dewline-keeper") ?? "",
});
nameInput.addEventListener("change", () => localStorage.setItem("dewline-keeper", nameInput.value.trim()));

// signed says who acts, and asks for a name where there is no log-in.
export const signed = user
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

// order carries out a command in the name of the person at the page.
export const order = (command: Command): Promise<Outcome> =>
  send({ ...command, by: user ?? (nameInput.isConnected ? nameInput.value.trim() : (localStorage.getItem("dewline-keeper") ?? "")) });

// outcomeText says what came of a command.
export const outcomeText = (result: Outcome, done: string): string =>
  result.done ? (result.changed ? done : "That was so already.") : `Not done: ${result.reason ?? "no reason was given"}.`;
